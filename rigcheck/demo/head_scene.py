"""One picture of a performer's face, as one camera of a helmet sees it, with everything true about it."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.background import dim_room
from rigcheck.demo.camera import project_points
from rigcheck.demo.head_expression import Expression
from rigcheck.demo.head_focus import disc_over_layer, laid_over
from rigcheck.demo.head_light import FaceLight, lit_surface, usual_lamps
from rigcheck.demo.head_mesh import LABELS, head_surface
from rigcheck.demo.head_paint import Paint, paint_surface, vertex_normals
from rigcheck.demo.head_performer import Performer, PosedHead, posed_head
from rigcheck.demo.head_raster import Seen, see_triangles, spread_over_triangles
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.demo.head_things import Capsule, Things, capsules, glasses_frame
from rigcheck.demo.optics import blur_disc_px, fall_off
from rigcheck.model import RigidTransform
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["FacePicture", "FaceScene", "FaceTruth", "render_face"]

Float32 = NDArray[np.float32]

_HIDDEN_MM = 1.5  # a named point lies on the surface: something this much nearer hides it


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceScene:
    """Everything a picture is made from.

    Parameters
    ----------
    performer, expression, rig : what is filmed, and with what
    rig_from_head : RigidTransform
        See :func:`head_pose`. The head frame's origin is the nostril base of the neutral.
    light : FaceLight
    sensor : HeadSensor
    occluders : tuple of Capsule
        Fixed to the rig.
    exposure_stops : float
        Log2 of the light let in, over that at which a lamp's `strength` is full scale on white.
    defocus : bool
        False leaves only the lens's Gaussian softness at best focus.
    vignetting_power : float
        Exponent of the cosine off the axis; 4 natural, 0 none.
    background_seed : int or None
        Of a dim room, out of focus; None for an even dark grey.
    """

    performer: Performer = field(default_factory=Performer)
    expression: Expression = field(default_factory=Expression)
    rig: HeadRig = field(default_factory=head_rig)
    rig_from_head: RigidTransform = field(default_factory=head_pose)
    light: FaceLight = field(default_factory=usual_lamps)
    sensor: HeadSensor = field(default_factory=HeadSensor)
    occluders: tuple[Capsule, ...] = ()
    exposure_stops: float = 0.0
    defocus: bool = True
    vignetting_power: float = 2.0
    background_seed: int | None = 0


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceTruth:
    """What is really in the picture. Positions in px as recorded, lengths in mm.

    Parameters
    ----------
    points_px : dict of name to (2,)
        Named points of the face (`FACE_POINTS`, and sellion and zygia); NaN behind the lens's field.
    points_rig_mm : dict of name to (3,), rig frame
    visible : dict of name to bool
        In the picture and hidden by nothing.
    triangle : (H, W) int32
        Triangle of the head that each pixel's centre sees, -1 where none; where an occluder is before it, -1.
    weights : (H, W, 3) float32
        Barycentric weights of the point seen on that triangle.
    depth_mm : (H, W) float32
        Along the camera's axis; infinite where there is only background.
    labels : (H, W) uint8
        Index into `LABELS`.
    light : (H, W) float32
        Light on the sensor before noise and clipping, blur included: 1 is full scale.
    sharp : (H, W) float32
        The same without defocus.
    disc_px : (H, W) float32
        Diameter of the blur disc at each pixel's depth.
    triangles, vertices_rig_mm : (T, 3) int, (V, 3) float64
        The surface, so that a pixel's place can be projected into the other camera.
    """

    points_px: dict[str, FloatArray]
    points_rig_mm: dict[str, FloatArray]
    visible: dict[str, bool]
    triangle: NDArray[np.int32]
    weights: Float32
    depth_mm: Float32
    labels: NDArray[np.uint8]
    light: Float32
    sharp: Float32
    disc_px: Float32
    triangles: IntArray
    vertices_rig_mm: FloatArray

    @property
    def blown(self) -> NDArray[np.bool_]:
        """Where the light is beyond full scale."""
        return np.asarray(self.light >= 1.0)

    def surface_rig_mm(self, pixels_px: IntArray) -> FloatArray:
        """Place seen by whole pixels (N, 2) (x, y): (N, 3) mm, rig frame; NaN where no head is."""
        x, y = pixels_px[:, 0], pixels_px[:, 1]
        triangle = self.triangle[y, x]
        corners = self.vertices_rig_mm[self.triangles[np.maximum(triangle, 0)]]
        met = np.einsum("nk,nkc->nc", self.weights[y, x].astype(np.float64), corners)
        met[triangle < 0] = np.nan
        return met


@dataclass(frozen=True, kw_only=True, eq=False)
class FacePicture:
    """A picture as recorded, (H, W) uint8, and its truth."""

    image: NDArray[np.uint8]
    truth: FaceTruth


@dataclass(frozen=True, kw_only=True, eq=False)
class _Layer:
    """Something rendered sharp: what each ray met, and the light it sends, (M,) full scale 1."""

    seen: Seen
    light: Float32
    label: NDArray[np.uint8]


def render_face(scene: FaceScene, camera_idx: int, *, rng: np.random.Generator) -> FacePicture:
    """Render one camera's picture of a face.

    Parameters
    ----------
    scene : FaceScene
    camera_idx : int
        0 for camera 1, 1 for camera 2.
    rng : numpy.random.Generator
        Source of the sensor's noise; everything else follows from the scene.

    Returns
    -------
    FacePicture

    Notes
    -----
    One ray a pixel, through its centre; the surface's detail is smoothed to a pixel's width where it is read.
    Cast shadows of nose and chin are not drawn; hollows are darker by how much open sky they see.
    """
    camera = scene.rig.cameras[camera_idx]
    camera_from_rig = scene.rig.camera_from_rig[camera_idx]
    posed = posed_head(scene.performer, scene.expression)
    vertices = scene.rig_from_head.apply(posed.vertices_mm)
    head = _head_layer(scene, camera_idx, posed, vertices)
    things = _things_layer(scene, camera_idx) if scene.occluders else None
    width, height = camera.image_size_px
    lens = scene.rig.lenses[camera_idx]
    behind = _background(scene, camera_idx)
    sharp, picture = behind.copy(), behind
    depth = np.full((height, width), np.inf, dtype=np.float32)
    labels = np.zeros((height, width), dtype=np.uint8)
    triangle = head.seen.triangle
    weights = np.zeros((height * width, 3), dtype=np.float32)
    weights[head.seen.pixels] = head.seen.weights
    for layer in (head, things):
        if layer is None:
            continue
        at = layer.seen.pixels
        own_depth = np.full(height * width, np.inf, dtype=np.float32)
        own_depth[at] = layer.seen.depth_mm
        light = np.zeros(height * width, dtype=np.float32)
        light[at] = layer.light
        cover = np.zeros(height * width, dtype=np.float32)
        cover[at] = 1.0
        nearer = own_depth < depth.ravel()
        depth.ravel()[nearer] = own_depth[nearer]
        chosen = at[nearer[at]]
        labels.ravel()[at] = layer.label
        sharp.ravel()[chosen] = light[chosen]
        if layer is things:
            triangle = np.where(nearer.reshape(height, width), np.int32(-1), triangle)
        whole = own_depth.reshape(height, width)
        covered = np.isfinite(whole)
        disc = (
            disc_over_layer(lens, np.where(covered, whole, 1.0), covered)
            if scene.defocus
            else np.zeros((1, 1), np.float32)
        )
        picture = laid_over(
            picture, light.reshape(height, width), cover.reshape(height, width), disc, lens.sharpest_px
        )
    gain = np.float32(2.0**scene.exposure_stops)
    if scene.vignetting_power > 0:
        gain = gain * fall_off(camera, scene.vignetting_power)
    picture, sharp = picture * gain, sharp * gain
    points_rig = {name: scene.rig_from_head.apply(point) for name, point in posed.points_mm.items()}
    points_px = {
        name: project_points(camera, camera_from_rig.apply(point)) for name, point in points_rig.items()
    }
    with np.errstate(divide="ignore", invalid="ignore"):
        disc_map = np.where(np.isfinite(depth), blur_disc_px(lens, depth), 0.0).astype(np.float32)
    return FacePicture(
        image=scene.sensor.exposed(picture, rng),
        truth=FaceTruth(
            points_px=points_px,
            points_rig_mm=points_rig,
            visible={
                name: _visible(point, camera_from_rig.apply(points_rig[name])[2], depth)
                for name, point in points_px.items()
            },
            triangle=triangle,
            weights=weights.reshape(height, width, 3),
            depth_mm=depth,
            labels=labels,
            light=picture,
            sharp=sharp,
            disc_px=disc_map,
            triangles=head_surface().triangles,
            vertices_rig_mm=vertices,
        ),
    )


def _visible(point_px: FloatArray, depth_mm: float, depths: Float32) -> bool:
    height, width = depths.shape
    if not np.isfinite(point_px).all():
        return False
    x, y = np.rint(point_px).astype(int)
    if not (0 <= x < width and 0 <= y < height):
        return False
    around = depths[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2]
    return bool(depth_mm < float(around.max()) + _HIDDEN_MM)


def _background(scene: FaceScene, camera_idx: int) -> Float32:
    camera = scene.rig.cameras[camera_idx]
    width, height = camera.image_size_px
    if scene.background_seed is None:
        return np.full((height, width), 0.03, dtype=np.float32)
    rng = np.random.default_rng([84, scene.background_seed, camera_idx])
    return np.asarray(dim_room(rng, camera.image_size_px) / np.float32(255), dtype=np.float32)


def _head_layer(scene: FaceScene, camera_idx: int, posed: PosedHead, vertices: FloatArray) -> _Layer:
    camera, camera_from_rig = scene.rig.cameras[camera_idx], scene.rig.camera_from_rig[camera_idx]
    surface = head_surface()
    triangles, normals = surface.triangles, vertex_normals(vertices)
    if scene.performer.glasses:
        frame = glasses_frame(posed)
        triangles = np.concatenate([triangles, frame.triangles + len(vertices)])
        normals = np.concatenate([normals, frame.normals @ scene.rig_from_head.rotation.T])
        vertices = np.concatenate([vertices, scene.rig_from_head.apply(frame.vertices_mm)])
    seen = see_triangles(camera, camera_from_rig.apply(vertices), triangles)
    corners = np.concatenate([vertices, normals], axis=1).astype(np.float32)[triangles]
    both = spread_over_triangles(seen, corners)
    points, normal = both[:, :3], both[:, 3:]
    viewer = camera_from_rig.inverse().translation_mm
    pixel_mm = _pixel_mm(scene, camera_idx, seen, points, normal, viewer)
    paint = paint_surface(seen, scene.performer, posed, pixel_mm)
    normal = _with_relief(normal, vertices[: len(posed.vertices_mm)], seen, paint)
    matt, bright = lit_surface(points, normal, viewer, paint, scene.light)
    return _Layer(seen=seen, light=matt * paint.luminance + bright, label=paint.label)


def _pixel_mm(
    scene: FaceScene, camera_idx: int, seen: Seen, points: Float32, normal: Float32, viewer: FloatArray
) -> Float32:
    """Width of a pixel on the surface, mm: the mean of both ways where the surface is slanted."""
    away = viewer.astype(np.float32) - points
    cosine = np.abs(np.einsum("mc,mc->m", away, normal)) / np.sqrt(np.einsum("mc,mc->m", away, away))
    focal = np.float32(scene.rig.cameras[camera_idx].focal_px[0])
    return np.asarray(seen.depth_mm / focal / np.sqrt(np.clip(cosine, 0.1, 1.0)), dtype=np.float32)


def _with_relief(normal: Float32, vertices: FloatArray, seen: Seen, paint: Paint) -> Float32:
    """Tilt the normals (M, 3) by the relief's slope along the texture's two directions."""
    surface = head_surface()
    corners = vertices[surface.triangles]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    (a, b), (c, d) = (
        np.moveaxis(surface.texture[:, k, ::-1] - surface.texture[:, 0, ::-1], 1, 0) for k in (1, 2)
    )
    area = a * d - b * c
    area = np.where(np.abs(area) < 1e-12, 1e-12, area)
    across = (one * d[:, None] - two * b[:, None]) / area[:, None]
    down = (two * a[:, None] - one * c[:, None]) / area[:, None]
    for way in (across, down):
        way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-12)
    frame = np.concatenate([across, down], axis=1).astype(np.float32)
    triangle = np.minimum(seen.triangles, len(frame) - 1)
    ways = frame[triangle]
    tilted = normal - paint.slope[:, :1] * ways[:, :3] - paint.slope[:, 1:] * ways[:, 3:]
    return np.asarray(tilted / np.sqrt(np.einsum("mc,mc->m", tilted, tilted))[:, None], dtype=np.float32)


def _things_layer(scene: FaceScene, camera_idx: int) -> _Layer:
    things: Things = capsules(scene.occluders)
    camera, camera_from_rig = scene.rig.cameras[camera_idx], scene.rig.camera_from_rig[camera_idx]
    seen = see_triangles(camera, camera_from_rig.apply(things.vertices_mm), things.triangles)
    corners = np.concatenate([things.vertices_mm, things.normals, things.luminance[:, None]], axis=1)
    spread = spread_over_triangles(seen, corners.astype(np.float32)[things.triangles])
    count = len(seen.pixels)
    ones = np.ones(count, dtype=np.float32)
    label = np.full(count, LABELS.index("occluder"), dtype=np.uint8)
    paint = Paint(
        luminance=spread[:, 6],
        redness=0 * ones,
        slope=np.zeros((count, 2), dtype=np.float32),
        shine=ones,
        gloss=0 * ones,
        sky=ones,
        label=label,
    )
    normal = spread[:, 3:6] / np.maximum(np.linalg.norm(spread[:, 3:6], axis=1, keepdims=True), 1e-6)
    viewer = camera_from_rig.inverse().translation_mm
    matt, bright = lit_surface(spread[:, :3], normal, viewer, paint, scene.light)
    return _Layer(seen=seen, light=matt * paint.luminance + bright, label=label)
