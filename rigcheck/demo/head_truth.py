"""What is really in a rendered picture of a face."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.camera import project_points, rays_of_pixels
from rigcheck.demo.head_mesh import PARTS, head_surface
from rigcheck.demo.head_shade import PlacedHead, View
from rigcheck.demo.optics import Lens, blur_disc_px
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["FaceTruth", "NamedPoints", "named_points"]

Float32 = NDArray[np.float32]

_HIDDEN_MM = 1.5  # a named point lies on the surface: something this much nearer hides it


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceTruth:
    """What is really in the picture. Positions in px as recorded, lengths in mm.

    Parameters
    ----------
    points_px : dict of name to (2,)
        Named points of the face (`FACE_POINTS`, sellion and zygia, and of the incisors' edges
        `upper_incisors_middle`, `upper_incisor_left`, ..., `lower_incisor_right`); NaN behind the lens's field.
    points_rig_mm : dict of name to (3,), rig frame
    visible : dict of name to bool
        In the picture and hidden by nothing.
    gaze_rig, eye_pivots_rig_mm : dict of "left", "right" to (3,), rig frame
        Unit direction in which each eye looks, and the point about which it turns.
    lip_gaps_mm : (7,) float64
        Between the lips, from the middle to three quarters of the way to the left corner; negative where they
        overlap (sealed).
    teeth_gap_mm : float
        Height between the edges of upper and lower incisors at the middle; negative where they overlap.
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
    highlight, fallen : (H, W) float32
        Without defocus, at this exposure: the part of `sharp` that mirrors the lamps, and what a white matt
        surface there would send (the lamps' evenness, whatever the skin).
    light_rgb : (H, W, 3) float32 or None
        `light` of red, green and blue, for a sensor of colours; `light` is then their luminance.
    lens : Lens
        It gives `disc_px` (H, W) float32, the diameter of the blur disc at each pixel's depth.
    triangles, vertices_rig_mm : (T, 3) int, (V, 3) float64
        The surface, so that a pixel's place can be projected into the other camera.
    camera, camera_from_rig : CameraModel, RigidTransform
    """

    points_px: dict[str, FloatArray]
    points_rig_mm: dict[str, FloatArray]
    visible: dict[str, bool]
    gaze_rig: dict[str, FloatArray]
    eye_pivots_rig_mm: dict[str, FloatArray]
    lip_gaps_mm: FloatArray
    teeth_gap_mm: float
    triangle: NDArray[np.int32]
    depth_mm: Float32
    labels: NDArray[np.uint8]
    light: Float32
    sharp: Float32
    highlight: Float32
    fallen: Float32
    light_rgb: Float32 | None
    lens: Lens
    triangles: IntArray
    vertices_rig_mm: FloatArray
    camera: CameraModel
    camera_from_rig: RigidTransform

    def __post_init__(self) -> None:
        """Pictures of one truth may be shared: nobody writes into them."""
        rgb = () if self.light_rgb is None else (self.light_rgb,)
        pictures = (self.light, self.sharp, self.highlight, self.fallen, self.depth_mm, self.labels)
        for picture in (*pictures, self.triangle, *rgb):
            picture.setflags(write=False)

    @cached_property
    def disc_px(self) -> Float32:
        """Diameter of the blur disc at each pixel's depth, (H, W) float32."""
        near = np.minimum(self.depth_mm, np.float32(1e6))
        return blur_disc_px(self.lens, near.astype(np.float64)).astype(np.float32)

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
class NamedPoints:
    """Where each named point is, px as recorded and mm in the rig, and whether it is seen."""

    at_px: dict[str, FloatArray]
    rig_mm: dict[str, FloatArray]
    visible: dict[str, bool]


def named_points(placed: PlacedHead, view: View, depths: Float32, triangle: NDArray[np.int32]) -> NamedPoints:
    """Project the named points of a placed head; `depths` and `triangle` (H, W) say what hides them.

    A row of teeth lies close before the other: a point of an incisor is seen only where its own row is.
    """
    rig = {name: placed.rig_from_head.apply(point) for name, point in placed.posed.points_mm.items()}
    camera = {name: view.camera_from_rig.apply(point) for name, point in rig.items()}
    at = {name: project_points(view.camera, point) for name, point in camera.items()}
    visible = {name: _visible(at[name], float(camera[name][2]), depths) for name in at}
    for name, row in ((name, name.split("_")[0]) for name in at if "incisor" in name):
        visible[name] &= bool((_parts_around(at[name], triangle) == PARTS.index(f"{row}_teeth")).any())
    return NamedPoints(at_px=at, rig_mm=rig, visible=visible)


def _window(point_px: FloatArray, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns of the pixel at a point and those beside it; empty outside the picture."""
    height, width = shape
    if not np.isfinite(point_px).all():
        return slice(0, 0), slice(0, 0)
    x, y = (int(value) for value in np.rint(point_px))
    if not (0 <= x < width and 0 <= y < height):
        return slice(0, 0), slice(0, 0)
    return slice(max(y - 1, 0), y + 2), slice(max(x - 1, 0), x + 2)


def _parts_around(point_px: FloatArray, triangle: NDArray[np.int32]) -> IntArray:
    """Parts of the head (index into `PARTS`) seen at a point and beside it."""
    around = triangle[_window(point_px, triangle.shape)]
    own = around[(around >= 0) & (around < len(head_surface().part))]
    return np.asarray(head_surface().part[own])


def _visible(point_px: FloatArray, depth_mm: float, depths: Float32) -> bool:
    """Whether nothing lies clearly before a point of the surface, at its pixel or one beside it."""
    around = depths[_window(point_px, depths.shape)]
    if around.size == 0:
        return False
    return depth_mm < float(around.max()) + _HIDDEN_MM
