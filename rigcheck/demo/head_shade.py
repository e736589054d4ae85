"""A head, or things before it, met by a camera's rays and lit: sharp, without noise."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from rigcheck.demo.head_light import FaceLight, Lit, lit_surface
from rigcheck.demo.head_material import Paint
from rigcheck.demo.head_mesh import LABEL_OF, head_surface
from rigcheck.demo.head_paint import canvas, paint_patch
from rigcheck.demo.head_performer import Performer, PosedHead
from rigcheck.demo.head_raster import Patch, Seen, see_triangles, taken
from rigcheck.demo.head_things import Things, glasses_frame
from rigcheck.demo.optics import Lens
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = [
    "Layer",
    "PlacedHead",
    "View",
    "finer_camera",
    "finer_lens",
    "meet_head",
    "placed_head",
    "shade_head",
    "shade_things",
    "whole_pixels",
]

Float32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """One camera in the rig, and the light on the rig."""

    camera: CameraModel
    camera_from_rig: RigidTransform
    light: FaceLight

    def rig_directions(self, camera_mm: Float32) -> tuple[Float32, Float32]:
        """Places (3, m) in the camera frame: the same in the rig frame, and unit directions to the camera there."""
        turn = self.camera_from_rig.rotation.T.astype(np.float32)
        away = turn @ camera_mm
        points = away - (turn @ self.camera_from_rig.translation_mm.astype(np.float32))[:, None]
        return points, away / -np.sqrt((away * away).sum(axis=0))


@dataclass(frozen=True, kw_only=True, eq=False)
class Layer:
    """Something rendered sharp, (H, W) each.

    `light`, `highlight` and `fallen` (see `Lit`; zero where the layer is not), `cover` 0 to 1, `depth_mm`
    (infinite where it is not), `labels`, `triangle` (-1 where it is not); `partly` when pixels may be covered in
    part.
    """

    light: Float32
    highlight: Float32
    fallen: Float32
    cover: Float32
    depth_mm: Float32
    labels: NDArray[np.uint8]
    triangle: NDArray[np.int32]
    partly: bool = False

    @classmethod
    def empty(cls, triangle: NDArray[np.int32]) -> "Layer":
        """Nothing yet, for a picture of this size."""
        return cls(
            light=np.zeros(triangle.shape, dtype=np.float32),
            highlight=np.zeros(triangle.shape, dtype=np.float32),
            fallen=np.zeros(triangle.shape, dtype=np.float32),
            cover=np.zeros(triangle.shape, dtype=np.float32),
            depth_mm=np.full(triangle.shape, np.inf, dtype=np.float32),
            labels=np.zeros(triangle.shape, dtype=np.uint8),
            triangle=triangle,
        )

    def averaged(self, several: int) -> "Layer":
        """One pixel for each `several` × `several`: light averaged, everything else that of the middle ray."""
        if several == 1:
            return self
        middle = slice(several // 2, None, several)
        return Layer(
            light=whole_pixels(self.light, several),
            highlight=whole_pixels(self.highlight, several),
            fallen=whole_pixels(self.fallen, several),
            cover=whole_pixels(self.cover, several),
            depth_mm=np.ascontiguousarray(self.depth_mm[middle, middle]),
            labels=np.ascontiguousarray(self.labels[middle, middle]),
            triangle=np.ascontiguousarray(self.triangle[middle, middle]),
            partly=True,
        )

    def in_channel(self, hue_of_label: Float32) -> Float32:
        """Light of one colour channel: the matt part takes the material's hue, the highlight the lamps' own."""
        return np.asarray(
            (self.light - self.highlight) * hue_of_label[self.labels] + self.highlight, dtype=np.float32
        )

    def enter(self, pixels: IntArray, depth_mm: Float32, lit: Lit, labels: NDArray[np.uint8]) -> None:
        """Fill in flat pixels, in place: for the renderer only."""
        self.light.reshape(-1)[pixels] = lit.light
        self.highlight.reshape(-1)[pixels] = lit.highlight
        self.fallen.reshape(-1)[pixels] = lit.fallen
        self.cover.reshape(-1)[pixels] = 1.0
        self.depth_mm.reshape(-1)[pixels] = depth_mm
        self.labels.reshape(-1)[pixels] = labels


def finer_camera(camera: CameraModel, several: int) -> CameraModel:
    """The same lens before a sensor of smaller pixels, `several` (odd) a side; middles of middle ones coincide."""
    width, height = camera.image_size_px
    (focal_x, focal_y), (x, y) = camera.focal_px, camera.principal_point_px
    off = (several - 1) / 2
    return replace(
        camera,
        image_size_px=(width * several, height * several),
        focal_px=(focal_x * several, focal_y * several),
        principal_point_px=(x * several + off, y * several + off),
    )


def finer_lens(lens: Lens, several: int) -> Lens:
    """The same lens before a sensor of smaller pixels."""
    return replace(lens, pixel_pitch_um=lens.pixel_pitch_um / several, sharpest_px=lens.sharpest_px * several)


def whole_pixels(picture: Float32, several: int) -> Float32:
    """Mean of each `several` × `several` rays."""
    if several == 1:
        return picture
    size = (picture.shape[1] // several, picture.shape[0] // several)
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.float32, copy=False)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlacedHead:
    """A posed head in the rig: what both cameras of a moment share.

    `vertices_mm` (V', 3) and unit `normals` (V', 3) in the rig frame; `ways` (6, T) unit directions, rig frame, in
    which the texture runs across and down each triangle.
    """

    posed: PosedHead
    rig_from_head: RigidTransform
    vertices_mm: FloatArray
    normals: FloatArray
    ways: Float32


def placed_head(posed: PosedHead, rig_from_head: RigidTransform) -> PlacedHead:
    """Put a posed head in the rig."""
    vertices = rig_from_head.apply(posed.vertices_mm)
    return PlacedHead(
        posed=posed,
        rig_from_head=rig_from_head,
        vertices_mm=vertices,
        normals=_vertex_normals(vertices),
        ways=_texture_ways(vertices),
    )


def meet_head(view: View, placed: PlacedHead, *, glasses: bool) -> Seen:
    """Find what each pixel sees of the head; the triangles of a pair of glasses follow its own."""
    triangles, vertices = head_surface().triangles, placed.vertices_mm
    if glasses:
        frame = glasses_frame(placed.posed)
        triangles = np.concatenate([triangles, frame.triangles + len(vertices)])
        vertices = np.concatenate([vertices, placed.rig_from_head.apply(frame.vertices_mm)])
    return see_triangles(view.camera, view.camera_from_rig.apply(vertices), triangles)


def shade_head(view: View, performer: Performer, placed: PlacedHead, seen: Seen) -> Layer:
    """Render the head, sharp; `seen` is what :func:`meet_head` found.

    Parameters
    ----------
    view : View
    performer : Performer
    placed : PlacedHead
    seen : Seen
    """
    table, ways = _corner_table(performer, placed), placed.ways
    layer = Layer.empty(seen.triangle)
    focal = np.float32(view.camera.focal_px[0])
    for some, patch in seen.patches():
        met = patch.spread_all(table)
        normal = met[3:]
        points, to_eye = view.rig_directions(patch.camera_mm)
        cosine = np.abs((normal * to_eye).sum(axis=0))
        pixel_mm = patch.depth_mm / focal * np.sqrt(2 / (1 + cosine * cosine))  # so that its mean width stays
        paint = paint_patch(patch, met[:3], pixel_mm, performer=performer, posed=placed.posed)
        normal = _tilted(normal, [taken(way, patch.triangle) for way in ways], paint.slope)
        lit = lit_surface(points, normal, to_eye, paint=paint, light=view.light)
        layer.enter(seen.pixels[some], patch.depth_mm, lit, paint.label)
    return layer


def _corner_table(performer: Performer, placed: PlacedHead) -> Float32:
    """Texture across and down, open sky, normal (3) at the triangles' corners: (6, 3, T)."""
    triangles, normals = head_surface().triangles, placed.normals
    if performer.glasses:
        frame = glasses_frame(placed.posed)
        triangles = np.concatenate([triangles, frame.triangles + len(normals)])
        normals = np.concatenate([normals, frame.normals @ placed.rig_from_head.rotation.T])
    table = np.ones((6, 3, len(triangles)), dtype=np.float32)
    surface = canvas().table
    table[:3, :, : surface.shape[2]] = surface
    table[3:] = normals.astype(np.float32).T[:, triangles.T]
    return table


def shade_things(view: View, things: Things) -> Layer:
    """Render things fixed to the rig, sharp."""
    seen = see_triangles(view.camera, view.camera_from_rig.apply(things.vertices_mm), things.triangles)
    values = np.concatenate([things.normals, things.luminance[:, None]], axis=1).astype(np.float32)
    corners = values[things.triangles]
    layer = Layer.empty(seen.triangle)
    for some, patch in seen.patches():
        met = patch.spread(corners)
        points, to_eye = view.rig_directions(patch.camera_mm)
        paint = _plain(patch, met[3])
        normal = _tilted(met[:3], (), paint.slope)
        lit = lit_surface(points, normal, to_eye, paint=paint, light=view.light)
        layer.enter(seen.pixels[some], patch.depth_mm, lit, paint.label)
    return layer


def _plain(patch: Patch, luminance: Float32) -> Paint:
    count = len(patch.triangle)
    return Paint(
        luminance=luminance,
        slope=np.zeros((2, count), dtype=np.float32),
        shine=np.ones(count, dtype=np.float32),
        gloss=np.zeros(count, dtype=np.float32),
        sky=np.ones(count, dtype=np.float32),
        label=np.full(count, LABEL_OF["occluder"], dtype=np.uint8),
    )


def _tilted(normal: Float32, ways: Sequence[Float32], slope: Float32) -> Float32:
    """Unit normals (3, m), tilted by the relief's slope along two directions in the surface: six (m,), or none."""
    if ways:
        normal = np.stack([normal[k] - slope[0] * ways[k] - slope[1] * ways[3 + k] for k in range(3)])
    return np.asarray(normal / np.sqrt((normal * normal).sum(axis=0)), dtype=np.float32)


def _texture_ways(vertices_mm: FloatArray) -> Float32:
    """Unit directions in which the texture runs across and down, of each triangle: (6, T)."""
    first, second, side = _texture_edges()
    a, b, c = (vertices_mm[corner] for corner in head_surface().triangles.T)
    one, two = (b - a) * side, (c - a) * side
    ways = []
    for way in (one * second[:, 1:] - two * first[:, 1:], two * first[:, :1] - one * second[:, :1]):
        length = np.sqrt(np.einsum("tk,tk->t", way, way))
        ways.append(way / np.maximum(length, 1e-12)[:, None])
    return np.ascontiguousarray(np.concatenate(ways, axis=1).T, dtype=np.float32)


@lru_cache(maxsize=1)
def _texture_edges() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Two edges of each triangle in the texture (across, down), and the sign of its area (T, 1)."""
    texture = head_surface().texture[..., ::-1]
    first, second = texture[:, 1] - texture[:, 0], texture[:, 2] - texture[:, 0]
    area = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    return first, second, np.sign(area)[:, None]


def _vertex_normals(vertices_mm: FloatArray) -> FloatArray:
    """Outward unit normals (V', 3), weighted by the area of the triangles around each vertex."""
    triangles = head_surface().triangles
    a, b, c = (vertices_mm[triangles[:, k]] for k in range(3))
    normal = _around() @ np.cross(b - a, c - a)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12))


@lru_cache(maxsize=1)
def _around() -> csr_array:
    """Which triangles meet at each vertex: (V', T) of ones."""
    triangles = head_surface().triangles
    where = (triangles.ravel(), np.repeat(np.arange(len(triangles)), 3))
    shape = (head_surface().refine.shape[0], len(triangles))
    return csr_array((np.ones(triangles.size), where), shape=shape)
