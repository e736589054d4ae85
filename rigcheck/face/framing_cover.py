"""Anything fixed before the face, found as what does not move with it: a boom, a cable, a microphone."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, QhullError

from rigcheck.face.framing_points import UprightFace
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["WORK_PX", "Cover", "fixed_before_face", "work_picture"]

# Longer side of the pictures compared: edges of a cable a millimetre thick are still seen in them.
WORK_PX = 480
_FEWEST_PICTURES = 8
_FEWEST_POINTS = 100
_SOFT_PX = 1.2
# Movement of the face, px of the work picture, from which on a standing edge cannot be the face's.
_LEAST_MOVE_PX = 2.0
_LEAST_JUDGED = 0.25
# Share of an edge's energy that stands still; and by how much more than moves with the face.
_STANDS = 0.7
_MORE_THAN_FACE = 0.2
# Weaker edges than this share of the face's range of brightness are noise or shading.
_LEAST_CONTRAST = 0.02
# Of the face's width: gap that two edges of one thing may leave between them, least length of a thing.
_BRIDGED = 0.06
_LEAST_LENGTH = 0.10
_FEW = (
    f"it takes {_FEWEST_PICTURES} pictures of a clip in which the face moves to tell what does not move with it; "
    "stills cannot"
)
_STILL = "the face hardly moves in these pictures, so what stands before it cannot be told from the face"
_PLACES = {
    "the right eye": ("eye_outer_right", "eye_inner_right"),
    "the left eye": ("eye_outer_left", "eye_inner_left"),
    "the nose": ("nose_tip", "subnasale"),
    "the mouth": ("upper_lip_inner", "lower_lip_inner"),
    "the chin": ("chin",),
    "the right cheek": ("eye_outer_right", "mouth_corner_right", "mouth_corner_right"),
    "the left cheek": ("eye_outer_left", "mouth_corner_left", "mouth_corner_left"),
    "the forehead": ("forehead",),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Cover:
    """What stands before the face in one camera.

    `share` is the part of the face it covers, `judged` the part of the face that moved enough to tell. `where` names
    what it lies nearest to, `boxes_px` are (x0, y0, x1, y1) in the upright picture.
    """

    share: Estimate
    judged: float
    where: tuple[str, ...] = ()
    boxes_px: tuple[tuple[float, float, float, float], ...] = ()


def work_picture(upright: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Make an upright grey picture small for comparing; keeps the whole clip in memory cheaply."""
    scale = min(WORK_PX / max(upright.shape), 1.0)
    size = (max(round(upright.shape[1] * scale), 1), max(round(upright.shape[0] * scale), 1))
    return np.asarray(cv2.resize(upright, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def fixed_before_face(faces: Sequence[UprightFace], pictures: Sequence[NDArray[np.float32]]) -> Cover:
    """Find edges within the face that stand still in the picture while the face moves.

    Parameters
    ----------
    faces : sequence of UprightFace
        Of one camera, in the order of time.
    pictures : sequence of (H, W) float32
        The same pictures, from `work_picture`.

    Returns
    -------
    Cover
        Without a share for stills, for a face that hardly moves, and where only marked points are known.

    Notes
    -----
    An edge's energy is the mean squared gradient over time at a place. What stands is the squared mean gradient
    there; what moves with the face is the same after each picture is laid on the median one by the landmarks.
    A hard shadow or highlight of a lamp on the helmet stands still as well and is found; what is as
    smooth as skin, or moves with the head (a mask, glasses), is not.
    """
    if len(faces) < _FEWEST_PICTURES or len(faces) != len(pictures):
        return _not_judged(_FEW)
    scale = pictures[0].shape[1] / faces[0].size_px[0]
    points = (np.array([face.points_px for face in faces]) + 0.5) * scale - 0.5
    known = np.isfinite(points).all(axis=(0, 2))
    if known.sum() < _FEWEST_POINTS:
        return _not_judged("only marked points are known, which do not tell how the whole face moves")
    try:
        field = _Field.over(points[:, known], (pictures[0].shape[1], pictures[0].shape[0]))
    except QhullError:
        return _not_judged("the face's points enclose nothing")
    if field is None:
        return _not_judged("the face lies outside the picture")
    moved = field.moved_px >= _LEAST_MOVE_PX
    judged = float(moved.mean())
    if judged < _LEAST_JUDGED:
        return _not_judged(_STILL, judged=judged)
    standing = np.zeros(pictures[0].shape, dtype=np.uint8)
    standing[field.rows, field.columns] = _standing(field, pictures) & moved
    return _things(standing, field, faces, scale, judged=judged)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Field:
    """Pixels of the face in the work picture, and where each went in every picture.

    `rows`, `columns` (P,) are the pixels within the median face; `shifts_px` (K, P, 2) their movement against it.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    shifts_px: FloatArray
    width_px: float

    @property
    def moved_px(self) -> FloatArray:
        """Spread of each pixel's movement over time: root mean square about its mean, both axes, (P,)."""
        off = self.shifts_px - self.shifts_px.mean(axis=0)
        return np.asarray(np.sqrt((off**2).sum(axis=2).mean(axis=0)))

    @classmethod
    def over(cls, points_px: FloatArray, size_px: tuple[int, int]) -> "_Field | None":
        """Spread the movement of points (K, N, 2) over the pixels between them."""
        middle = np.median(points_px, axis=0)
        mesh = Delaunay(middle)
        x, y = np.meshgrid(np.arange(size_px[0]), np.arange(size_px[1]))
        pixels = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
        triangle = mesh.find_simplex(pixels)
        inside = triangle >= 0
        if not inside.any():
            return None
        pixels, triangle = pixels[inside], triangle[inside]
        affine = mesh.transform[triangle]
        part = np.einsum("nij,nj->ni", affine[:, :2], pixels - affine[:, 2])
        weights = np.column_stack([part, 1.0 - part.sum(axis=1)])
        shifts = points_px - middle
        corners = mesh.simplices[triangle]
        spread = np.einsum("knci,nc->kni", shifts[:, corners], weights)
        return cls(
            rows=pixels[:, 1].astype(np.int64),
            columns=pixels[:, 0].astype(np.int64),
            shifts_px=spread,
            width_px=float(np.ptp(middle[:, 0])),
        )


def _standing(field: _Field, pictures: Sequence[NDArray[np.float32]]) -> BoolArray:
    """Which of the field's pixels carry an edge that stands, (P,)."""
    here, on_face = np.zeros((2, len(field.rows), 2))
    energy, energy_on_face = np.zeros((2, len(field.rows)))
    for picture, shift in zip(pictures, field.shifts_px, strict=True):
        soft = cv2.GaussianBlur(picture, (0, 0), _SOFT_PX)
        slopes = [cv2.Sobel(soft, cv2.CV_32F, 1 - k, k, ksize=3, scale=1.0 / 8.0) for k in range(2)]
        gradient = np.stack([slope[field.rows, field.columns] for slope in slopes], axis=1)
        map_x = (field.columns + shift[:, 0]).astype(np.float32)[None]
        map_y = (field.rows + shift[:, 1]).astype(np.float32)[None]
        followed = np.stack(
            [
                np.asarray(
                    cv2.remap(slope, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                ).ravel()
                for slope in slopes
            ],
            axis=1,
        )
        here += gradient
        on_face += followed
        energy += (gradient**2).sum(axis=1)
        energy_on_face += (followed**2).sum(axis=1)
    n = len(pictures)
    tiny = 1e-9
    mean = here / n
    stands = (mean**2).sum(axis=1) / (energy / n + tiny)
    follows = ((on_face / n) ** 2).sum(axis=1) / (energy_on_face / n + tiny)
    values = pictures[n // 2][field.rows, field.columns]
    dark, bright = np.percentile(values, (5, 95))
    strong = np.linalg.norm(mean, axis=1) > _LEAST_CONTRAST * max(float(bright - dark), 8.0)
    return np.asarray((stands > _STANDS) & (stands > follows + _MORE_THAN_FACE) & strong)


def _things(
    standing: NDArray[np.uint8],
    field: _Field,
    faces: Sequence[UprightFace],
    scale: float,
    *,
    judged: float,
) -> Cover:
    """Join standing edges into things, leave out specks, and say what they cover."""
    radius = max(round(_BRIDGED * field.width_px / 2.0), 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    room = np.pad(standing, 2 * radius)
    joined = cv2.morphologyEx(room, cv2.MORPH_CLOSE, disc)[2 * radius : -2 * radius, 2 * radius : -2 * radius]
    count, labels, stats, centres = cv2.connectedComponentsWithStats(np.ascontiguousarray(joined))
    on_face = labels[field.rows, field.columns]
    covered, where, boxes = 0, [], []
    for label in range(1, count):
        x, y, width, height = (int(value) for value in stats[label, :4])
        if np.hypot(width, height) < _LEAST_LENGTH * field.width_px:
            continue
        covered += int((on_face == label).sum())
        where.append(_nearest(faces[len(faces) // 2], (centres[label] + 0.5) / scale - 0.5))
        boxes.append((x / scale, y / scale, (x + width) / scale, (y + height) / scale))
    return Cover(
        share=Estimate(value=covered / len(field.rows), n=len(faces)),
        judged=judged,
        where=tuple(dict.fromkeys(where)),
        boxes_px=tuple(boxes),
    )


def _nearest(face: UprightFace, place_px: FloatArray) -> str:
    known = {
        name: np.mean([face.point(point) for point in points], axis=0)
        for name, points in _PLACES.items()
        if face.has(*points)
    }
    return min(known, key=lambda name: float(np.linalg.norm(known[name] - place_px)), default="the face")


def _not_judged(reason: str, *, judged: float = 0.0) -> Cover:
    return Cover(share=Estimate(value=None, reason=reason), judged=judged)
