"""One face in one picture turned upright, and what can be read off it without knowing the camera."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.head_model import MESH_CHIN_SHIFT, MESH_NOSTRIL_SHIFT, MESH_PLACES
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.model import Estimate, FaceLandmarks, FrameRef
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["UprightFace", "combined", "hull_share", "upright_face"]

# The two alar bases are found by one network on one nose: too high or low together, too wide or narrow against each
# other. Of 180 rendered pictures (tests/face_study.py, cases 2000 to 2049 and 3000 to 3039), across and down.
_ALAR_CORRELATION = np.array([-0.5, 0.5])
_WHOLE_MESH = 400
_EYE_CORNERS = ("eye_outer_right", "eye_inner_right", "eye_inner_left", "eye_outer_left")


@dataclass(frozen=True, kw_only=True, eq=False)
class UprightFace:
    """Landmarks in the upright picture.

    `size_px` is (width, height), `points_px` (478, 2) and `sigma_px` (478,) as in `FaceLandmarks`; sides are the
    performer's own, so the performer's left is on the picture's right. `from_mesh` says that named points are the
    face mesh's own, none marked by a person. `score` is the mesh's raw face logit, None for marked points.
    """

    ref: FrameRef
    size_px: tuple[int, int]
    points_px: FloatArray
    sigma_px: FloatArray
    turned_deg: int = 0
    from_mesh: bool = False
    score: float | None = None

    def point(self, name: str) -> FloatArray:
        """(x, y) px of a point of `MESH_PLACES`; NaN when not known."""
        return np.asarray(self.points_px[MESH_PLACES[name]])

    def sigma(self, name: str) -> float:
        """Standard uncertainty per axis of a named point, px."""
        return float(self.sigma_px[MESH_PLACES[name]])

    def has(self, *names: str) -> bool:
        """Whether all these named points are known."""
        return bool(np.isfinite(self.points_px[[MESH_PLACES[name] for name in names]]).all())

    @property
    def centre_px(self) -> FloatArray:
        """Centre of the picture, (x, y) px: pixel (0, 0) is the centre of the top-left pixel."""
        return (np.array(self.size_px) - 1.0) / 2.0

    @property
    def is_whole_mesh(self) -> bool:
        """Whether nearly all points are known, so that their hull is the face's outline."""
        return int(np.isfinite(self.points_px[:, 0]).sum()) >= _WHOLE_MESH

    @property
    def nostril_base_px(self) -> FloatArray:
        """Midpoint of the two alar bases, (x, y) px; NaN when one is not known.

        Corrected for what the face mesh puts them too low: 1.7 % of the outer-eye distance along the face.
        """
        middle = (self.point("alar_base_right") + self.point("alar_base_left")) / 2.0
        return np.asarray(middle - self._mesh_shift(MESH_NOSTRIL_SHIFT))

    @property
    def chin_px(self) -> FloatArray:
        """Chin, (x, y) px; NaN when not known. Corrected for what the face mesh puts it too high: 2.9 %."""
        return np.asarray(self.point("chin") - self._mesh_shift(MESH_CHIN_SHIFT))

    def _mesh_shift(self, share: float) -> FloatArray:
        """A share of the outer-eye distance down the face, px; nothing for marked points."""
        if not self.from_mesh:
            return np.zeros(2)
        across = self.point("eye_outer_left") - self.point("eye_outer_right")
        return np.asarray(share * np.array([-across[1], across[0]]))

    @property
    def nostril_base_sigma_px(self) -> FloatArray:
        """Standard uncertainty of the nostril base across and down, (2,) px."""
        right, left = self.sigma("alar_base_right"), self.sigma("alar_base_left")
        shared = _ALAR_CORRELATION if self.from_mesh else np.zeros(2)
        return np.asarray(np.sqrt(right**2 + left**2 + 2.0 * shared * right * left) / 2.0)

    @property
    def eyes_px(self) -> FloatArray:
        """Middle of the eyes' four corners, (x, y) px; NaN when one is not known.

        Expressions hardly move it on the skull: a smile misled the face mesh by 2.6 mm at the nostrils and by 0.2 mm
        here.
        """
        return np.asarray(np.mean([self.point(name) for name in _EYE_CORNERS], axis=0))

    @property
    def eyes_sigma_px(self) -> float:
        """Standard uncertainty per axis of `eyes_px`, px: that of one corner, as if all four erred together."""
        return float(np.mean([self.sigma(name) for name in _EYE_CORNERS]))

    @property
    def eye_distance_px(self) -> float:
        """Distance of the outer eye corners, px; NaN when one is not known."""
        return float(np.linalg.norm(self.point("eye_outer_left") - self.point("eye_outer_right")))

    @property
    def mouth_gap(self) -> float:
        """Height of the opening between the inner lips over the outer-eye distance; NaN when not known."""
        gap = np.linalg.norm(self.point("lower_lip_inner") - self.point("upper_lip_inner"))
        return float(gap) / self.eye_distance_px

    @property
    def lid_gap(self) -> float:
        """Height of the lids' opening over the width of the eye, the wider eye; NaN when not known."""
        found = []
        for side in ("right", "left"):
            height = np.linalg.norm(self.point(f"upper_lid_{side}") - self.point(f"lower_lid_{side}"))
            width = np.linalg.norm(self.point(f"eye_outer_{side}") - self.point(f"eye_inner_{side}"))
            found.append(float(height / width) if width > 0 else float("nan"))
        return max(found)


def upright_face(face: FaceLandmarks, mount_rotation_deg: int) -> UprightFace:
    """Turn landmarks of a picture as recorded upright by undoing the camera's mounting."""
    return UprightFace(
        ref=face.ref,
        size_px=upright_size(face.image_size_px, mount_rotation_deg),
        points_px=upright_points(face.points_px, face.image_size_px, mount_rotation_deg),
        sigma_px=face.sigma_px,
        turned_deg=face.turned_deg,
        from_mesh=face.found_by == "mesh",
        score=face.score,
    )


def combined(
    values: Sequence[float], sigmas: Sequence[float], *, unit: str, reason: str = "no picture shows it"
) -> Estimate:
    """One number from several pictures of one clip.

    Parameters
    ----------
    values, sigmas : sequences of float
        A picture each; values that are not finite are left out.
    unit : str
    reason : str
        Given when no picture has a value.

    Returns
    -------
    Estimate
        The median. Its sigma: the pictures' own (median), which does not shrink with their number since a
        landmark's bias is the same in each, and the spread over the pictures over the root of their number (times
        1.25 for a median of Gaussian values).
    """
    both = np.array([values, sigmas], dtype=np.float64)
    good = np.isfinite(both).all(axis=0)
    if not good.any():
        return Estimate(value=None, unit=unit, reason=reason)
    kept, own = both[:, good]
    if len(kept) == 1:
        return Estimate(value=float(kept[0]), sigma=float(own[0]), unit=unit, n=1)
    middle = float(np.median(kept))
    spread = 1.4826 * float(np.median(np.abs(kept - middle)))
    sigma = float(np.hypot(np.median(own), 1.25 * spread / np.sqrt(len(kept))))
    return Estimate(value=middle, sigma=sigma, unit=unit, n=len(kept))


def hull_share(points_px: FloatArray, size_px: tuple[int, int]) -> float:
    """Share of a picture within the convex outline of points, the part outside the picture cut off.

    Parameters
    ----------
    points_px : (N, 2) float64, px; points that are not finite are left out
    size_px : (width, height)

    Returns
    -------
    float
        NaN when the points enclose nothing.
    """
    points = points_px[np.isfinite(points_px).all(axis=1)]
    if len(points) < 3:
        return float("nan")
    polygon = points[cv2.convexHull(points.astype(np.float32), returnPoints=False).ravel()]
    if not _area(polygon):
        return float("nan")
    width, height = size_px
    # A picture reaches half a pixel beyond the centres of its outermost pixels.
    for axis, bound, side in ((0, -0.5, 1), (0, width - 0.5, -1), (1, -0.5, 1), (1, height - 0.5, -1)):
        polygon = _cut(polygon, axis, bound, side)
        if len(polygon) < 3:
            return 0.0
    return _area(polygon) / (width * height)


def _area(polygon: FloatArray) -> float:
    x, y = polygon.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def _cut(polygon: FloatArray, axis: int, bound: float, side: int) -> FloatArray:
    """Cut a convex polygon at a line (Sutherland and Hodgman, CACM 17(1), 1974)."""
    if (side * (polygon[:, axis] - bound) >= 0).all():
        return polygon
    out: list[FloatArray] = []
    for here, there in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        inside_here, inside_there = (side * (point[axis] - bound) >= 0 for point in (here, there))
        if inside_here:
            out.append(here)
        if inside_here != inside_there:
            share = (bound - here[axis]) / (there[axis] - here[axis])
            out.append(here + share * (there - here))
    return np.array(out).reshape(-1, 2)
