"""One picture of a performer's face, as one camera of a helmet sees it, with everything true about it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.background import dim_room
from rigcheck.demo.camera import project_points, rays_of_pixels
from rigcheck.demo.head_expression import Expression
from rigcheck.demo.head_focus import disc_over_layer, laid_over
from rigcheck.demo.head_light import FaceLight, usual_lamps
from rigcheck.demo.head_mesh import LABEL_OF, head_surface
from rigcheck.demo.head_performer import Performer, PosedHead, posed_head
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.demo.head_shade import Layer, View, shade_head, shade_things
from rigcheck.demo.head_things import Capsule, capsules
from rigcheck.demo.optics import Lens, blur_disc_px, fall_off
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["FacePicture", "FaceScene", "FaceTruth", "render_exposure", "render_face"]

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
        Triangle of the head that each pixel's centre sees, -1 where none or where something is before it.
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
    camera, camera_from_rig : CameraModel, RigidTransform
    """

    points_px: dict[str, FloatArray]
    points_rig_mm: dict[str, FloatArray]
    visible: dict[str, bool]
    triangle: NDArray[np.int32]
    depth_mm: Float32
    labels: NDArray[np.uint8]
    light: Float32
    sharp: Float32
    disc_px: Float32
    triangles: IntArray
    vertices_rig_mm: FloatArray
    camera: CameraModel
    camera_from_rig: RigidTransform

    @property
    def blown(self) -> NDArray[np.bool_]:
        """Where the light is beyond full scale."""
        return np.asarray(self.light >= 1.0)

    def weights(self, pixels_px: IntArray) -> FloatArray:
        """Barycentric weights (N, 3) on `triangle` of the places seen by whole pixels (N, 2) (x, y).

        NaN where no head is seen.
        """
        x, y = pixels_px[:, 0], pixels_px[:, 1]
        owner = self.triangle[y, x]
        corners = self.camera_from_rig.apply(self.vertices_rig_mm[self.triangles[np.maximum(owner, 0)]])
        rays = rays_of_pixels(self.camera, pixels_px.astype(np.float64))
        a, b, c = np.moveaxis(corners, 1, 0)
        parts = [np.einsum("nk,nk->n", rays, np.cross(*pair)) for pair in ((b, c), (c, a), (a, b))]
        weights = np.stack(parts, axis=1)
        weights /= weights.sum(axis=1, keepdims=True)
        weights[owner < 0] = np.nan
        return weights

    def surface_rig_mm(self, pixels_px: IntArray) -> FloatArray:
        """Place seen by whole pixels (N, 2) (x, y): (N, 3) mm, rig frame; NaN where no head is seen."""
        owner = self.triangle[pixels_px[:, 1], pixels_px[:, 0]]
        corners = self.vertices_rig_mm[self.triangles[np.maximum(owner, 0)]]
        return np.asarray(np.einsum("nk,nkc->nc", self.weights(pixels_px), corners))


@dataclass(frozen=True, kw_only=True, eq=False)
class FacePicture:
    """A picture as recorded, (H, W) uint8, and its truth."""

    image: NDArray[np.uint8]
    truth: FaceTruth


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
    return render_exposure([scene], camera_idx, rng=rng)


def render_exposure(
    moments: Sequence[FaceScene], camera_idx: int, *, rng: np.random.Generator
) -> FacePicture:
    """Render a picture whose light is the mean of several moments: motion during the exposure.

    Parameters
    ----------
    moments : sequence of FaceScene
        Of one rig, evenly spread over the exposure.
    camera_idx : int
    rng : numpy.random.Generator

    Returns
    -------
    FacePicture
        Its truth is that of the middle moment, except for `light`, which is that of the whole exposure.
    """
    truths = [_truth(scene, camera_idx) for scene in moments]
    truth = truths[len(truths) // 2]
    if len(truths) > 1:
        truth = replace(truth, light=np.mean([one.light for one in truths], axis=0, dtype=np.float32))
    return FacePicture(image=moments[0].sensor.exposed(truth.light, rng), truth=truth)


def _truth(scene: FaceScene, camera_idx: int) -> FaceTruth:
    camera, lens = scene.rig.cameras[camera_idx], scene.rig.lenses[camera_idx]
    view = View(camera=camera, camera_from_rig=scene.rig.camera_from_rig[camera_idx], light=scene.light)
    posed = posed_head(scene.performer, scene.expression)
    vertices = scene.rig_from_head.apply(posed.vertices_mm)
    head = shade_head(view, scene.performer, posed, rig_from_head=scene.rig_from_head, vertices_mm=vertices)
    layers = [head] if not scene.occluders else [head, shade_things(view, capsules(scene.occluders))]
    picture, sharp, depth, labels = _composed(layers, _background(scene, camera_idx), lens, scene.defocus)
    gain: Float32 = np.full((1, 1), 2.0**scene.exposure_stops, dtype=np.float32)
    if scene.vignetting_power > 0:
        gain = gain * fall_off(camera, scene.vignetting_power)
    picture *= gain
    points = _named_points(scene, view, posed, depth)
    return FaceTruth(
        points_px=points.at_px,
        points_rig_mm=points.rig_mm,
        visible=points.visible,
        triangle=np.where(labels == LABEL_OF["occluder"], np.int32(-1), head.triangle),
        depth_mm=depth,
        labels=labels,
        light=picture,
        sharp=sharp * gain,
        disc_px=_discs(lens, depth),
        triangles=head_surface().triangles,
        vertices_rig_mm=vertices,
        camera=camera,
        camera_from_rig=view.camera_from_rig,
    )


def _composed(
    layers: list[Layer], background: Float32, lens: Lens, defocus: bool
) -> tuple[Float32, Float32, Float32, NDArray[np.uint8]]:
    """Lay layers over each other, the nearest last: blurred and sharp light, depth, labels."""
    picture, sharp = background, background.copy()
    depth = np.full(picture.shape, np.inf, dtype=np.float32)
    labels = np.zeros(picture.shape, dtype=np.uint8)
    for layer in layers:
        nearer = layer.depth_mm < depth
        np.copyto(sharp, layer.light, where=nearer)
        np.copyto(labels, layer.labels, where=nearer)
        np.copyto(depth, layer.depth_mm, where=nearer)
        disc = disc_over_layer(lens, layer.depth_mm) if defocus else np.zeros((1, 1), dtype=np.float32)
        picture = laid_over(picture, layer.light, layer.cover, disc_px=disc, gaussian_px=lens.sharpest_px)
    return picture, sharp, depth, labels


def _discs(lens: Lens, depth_mm: Float32) -> Float32:
    near = np.minimum(depth_mm, np.float32(1e6))
    return blur_disc_px(lens, near.astype(np.float64)).astype(np.float32)


@dataclass(frozen=True, kw_only=True, eq=False)
class _NamedPoints:
    at_px: dict[str, FloatArray]
    rig_mm: dict[str, FloatArray]
    visible: dict[str, bool]


def _named_points(scene: FaceScene, view: View, posed: PosedHead, depths: Float32) -> _NamedPoints:
    rig = {name: scene.rig_from_head.apply(point) for name, point in posed.points_mm.items()}
    camera = {name: view.camera_from_rig.apply(point) for name, point in rig.items()}
    at = {name: project_points(view.camera, point) for name, point in camera.items()}
    visible = {name: _visible(at[name], float(camera[name][2]), depths) for name in at}
    return _NamedPoints(at_px=at, rig_mm=rig, visible=visible)


def _visible(point_px: FloatArray, depth_mm: float, depths: Float32) -> bool:
    """Whether nothing lies clearly before a point of the surface, at its pixel or one beside it."""
    height, width = depths.shape
    if not np.isfinite(point_px).all():
        return False
    x, y = (int(value) for value in np.rint(point_px))
    if not (0 <= x < width and 0 <= y < height):
        return False
    around = depths[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2]
    return depth_mm < float(around.max()) + _HIDDEN_MM


def _background(scene: FaceScene, camera_idx: int) -> Float32:
    camera = scene.rig.cameras[camera_idx]
    if scene.background_seed is None:
        return np.full(camera.image_size_px[::-1], 0.03, dtype=np.float32)
    return _room(camera.image_size_px, scene.background_seed, camera_idx)


@lru_cache(maxsize=4)
def _room(size_px: tuple[int, int], seed: int, camera_idx: int) -> Float32:
    rng = np.random.default_rng([84, seed, camera_idx])
    room = np.asarray(dim_room(rng, size_px) / np.float32(255), dtype=np.float32)
    room.setflags(write=False)
    return room
