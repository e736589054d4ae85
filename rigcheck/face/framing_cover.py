"""Anything fixed before the face, found as what does not move with it: a boom, a cable, a microphone."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.framing_points import UprightFace
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["WORK_PX", "Cover", "fixed_before_face", "work_picture"]

# Longer side of the pictures compared: edges of a cable a millimetre thick are still seen in them.
WORK_PX = 480
_FEWEST_PICTURES = 8
_MOST_PICTURES = 24
_FEWEST_POINTS = 100
_SOFT_PX = 1.2
_ROOM_PX = 4
# Share of an edge's energy over time that stands still: of something fixed more than the first, and by the second more
# than what follows the face; where the face moves, by the third less.
_STANDS, _FIXED, _MOVES = 0.8, 0.25, 0.05
_LEAST_JUDGED = 0.1
# Energy of an edge, in that of the face's smoothest twentieth, from which on it is more than noise.
_TEXTURE = 3.0
# Weaker edges than this share of the face's range of brightness are noise or shading.
_LEAST_CONTRAST = 0.02
# Of the face's width: surroundings of a place; gap that two edges of one thing may leave between them; least length.
_AROUND = 0.08
_BRIDGED = 0.08
_LEAST_LENGTH = 0.12
# Share of a thing's rim along which the face moves: where it is less, the thing is a still part of the face itself.
_MOVING_RIM = 0.65
_FEW = (
    f"it takes {_FEWEST_PICTURES} pictures of a clip in which the face moves to tell what does not move with it; "
    "stills cannot"
)
_STILL = (
    "the face hardly moves in these pictures, so what stands before it cannot be told from the face; it takes a clip "
    "in which the performer talks, or the helmet is rocked by a few millimetres"
)
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
    """Find edges within the face that stand still in the picture while the face moves on both sides of them.

    Parameters
    ----------
    faces : sequence of UprightFace
        Of one camera, in the order of time.
    pictures : sequence of (H, W) float32
        The same pictures, from `work_picture`; at most 24 of them are compared.

    Returns
    -------
    Cover
        Without a share for stills, for a face that hardly moves, and where only marked points are known.

    Notes
    -----
    What stands of an edge is the squared mean of its gradient over time in the mean squared gradient; what follows the
    face is the same after each picture is laid on the middle one by optical flow (Kroeger et al., ECCV 2016) smoothed
    over a twelfth of the face, so that a thing before the face is carried along. Edges that stand and do not follow
    are joined into things; a thing along whose rim the face does not move is a part of the face beside a moving
    one, such as a cheek beside the jaw. A hard shadow or highlight of a lamp on the helmet stands still as well and is
    found. What is as smooth as skin is not, nor what moves with the head: a mask, glasses.
    """
    if len(faces) < _FEWEST_PICTURES or len(faces) != len(pictures):
        return _not_judged(_FEW)
    scale = pictures[0].shape[1] / faces[0].size_px[0]
    points = (np.array([face.points_px for face in faces]) + 0.5) * scale - 0.5
    known = np.isfinite(points).all(axis=(0, 2))
    if known.sum() < _FEWEST_POINTS:
        return _not_judged("only marked points are known, which do not tell how the whole face moves")
    median = np.median(points[:, known], axis=0)
    inside = _hull_mask(median, pictures[0].shape)
    if inside.sum() < _FEWEST_POINTS:
        return _not_judged("the face lies outside the picture")
    width = float(np.ptp(median[:, 0]))
    start = int(np.argmin(np.abs(points[:, known] - median).mean(axis=(1, 2))))
    used = np.unique(
        np.linspace(0, len(pictures) - 1, min(len(pictures), _MOST_PICTURES)).round().astype(int)
    )
    watched = _watch([pictures[k] for k in used], pictures[start], inside, width)
    judged = float(watched.moves.sum() / max(watched.textured.sum(), 1))
    if judged < _LEAST_JUDGED:
        return _not_judged(_STILL, judged=judged)
    dark, bright = np.percentile(pictures[start][inside], (5, 95))
    strong = watched.edge > _LEAST_CONTRAST * max(float(bright - dark), 8.0)
    fixed = (watched.stands > _STANDS) & (watched.stands > watched.follows + _FIXED)
    standing = inside & fixed & strong
    things = _Things(standing=standing, watched=watched, inside=inside, width_px=width)
    return _covered(things, faces[start], scale, judged=judged, n=len(faces))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Watched:
    """What each pixel of the work picture did over time, (H, W).

    `stands` is the share of the edge's energy that stands still, `follows` the share that follows the face, `edge` the
    size of the mean gradient, `textured` where there is more than noise.
    """

    stands: FloatArray
    follows: FloatArray
    edge: FloatArray
    textured: BoolArray

    @property
    def moves(self) -> BoolArray:
        """Where the face's texture moves."""
        return np.asarray(self.textured & (self.follows > self.stands + _MOVES))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Things:
    """Edges that stand, and what is needed to join them."""

    standing: BoolArray
    watched: _Watched
    inside: BoolArray
    width_px: float


def _hull_mask(points_px: FloatArray, shape: tuple[int, ...]) -> BoolArray:
    mask = np.zeros(shape[:2], dtype=np.uint8)
    hull = cv2.convexHull(points_px.astype(np.float32)).reshape(-1, 2)
    cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 1)
    return np.asarray(mask.astype(bool))


def _watch(
    pictures: Sequence[NDArray[np.float32]],
    start: NDArray[np.float32],
    inside: BoolArray,
    width_px: float,
) -> _Watched:
    flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    first, blank = _eight_bit(start), np.zeros((*inside.shape, 2), dtype=np.float32)
    box = _box(inside)
    weight = inside[box].astype(np.float32)
    standing, following = _Energy.empty(weight.shape), _Energy.empty(weight.shape)
    reach = max(_AROUND * width_px, 1.0)
    total = _spread(weight, reach).clip(1e-3)[..., None]
    columns, rows = np.meshgrid(np.arange(inside.shape[1])[box[1]], np.arange(inside.shape[0])[box[0]])
    grid = np.stack([columns, rows], axis=2).astype(np.float32)
    for picture in pictures:
        moved = np.asarray(flow.calc(first, _eight_bit(picture), blank.copy()), dtype=np.float32)
        smooth = _spread(moved[box] * weight[..., None], reach) / total
        soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), _SOFT_PX), dtype=np.float32)
        standing = standing.plus(_slope(soft[box]), len(pictures))
        carried = cv2.remap(soft, grid + smooth, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        following = following.plus(_slope(np.asarray(carried, dtype=np.float32)), len(pictures))
    energy = _whole(standing.energy, box, inside)
    textured = inside & (energy > _TEXTURE * float(np.percentile(energy[inside], 5)))
    return _Watched(
        stands=_whole(standing.share, box, inside),
        follows=_whole(following.share, box, inside),
        edge=_whole(np.linalg.norm(standing.mean, axis=2), box, inside),
        textured=np.asarray(textured),
    )


def _box(inside: BoolArray) -> tuple[slice, slice]:
    """Rows and columns of the face, with room for what looks at neighbours."""
    found = []
    for axis in (1, 0):
        hit = np.flatnonzero(inside.any(axis=axis))
        found.append(slice(max(int(hit[0]) - _ROOM_PX, 0), int(hit[-1]) + 1 + _ROOM_PX))
    return found[0], found[1]


def _spread(weighted: NDArray[np.float32], reach: float) -> NDArray[np.float32]:
    """Sum around each place; nothing lies beyond the face."""
    blurred = cv2.GaussianBlur(weighted, (0, 0), reach, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(blurred, dtype=np.float32)


def _whole(part: FloatArray, box: tuple[slice, slice], inside: BoolArray) -> FloatArray:
    """Back in the whole picture, nothing around the face."""
    out = np.zeros(inside.shape)
    out[box] = part
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class _Energy:
    """Mean gradient (H, W, 2) and mean squared gradient (H, W) over time."""

    mean: FloatArray
    energy: FloatArray

    @classmethod
    def empty(cls, shape: tuple[int, ...]) -> "_Energy":
        return cls(mean=np.zeros((*shape, 2)), energy=np.zeros(shape))

    def plus(self, slope: FloatArray, n: int) -> "_Energy":
        """With one of n pictures added."""
        return _Energy(mean=self.mean + slope / n, energy=self.energy + _squared(slope) / n)

    @property
    def share(self) -> FloatArray:
        """Share of the energy that is the same all the time."""
        return np.asarray(_squared(self.mean) / (self.energy + 1e-9))


def _squared(vectors: FloatArray) -> FloatArray:
    """Squared length, (H, W); a sum over two of the last axis alone takes eight times as long."""
    return np.asarray(vectors[..., 0] ** 2 + vectors[..., 1] ** 2)


def _eight_bit(picture: NDArray[np.float32]) -> NDArray[np.uint8]:
    return picture.clip(0, 255).astype(np.uint8)


def _slope(soft: NDArray[np.float32]) -> FloatArray:
    """Gradient, (H, W, 2) per px."""
    both = [cv2.Sobel(soft, cv2.CV_32F, 1 - k, k, ksize=3, scale=1.0 / 8.0) for k in range(2)]
    return np.stack(both, axis=2).astype(np.float64)


def _covered(things: _Things, face: UprightFace, scale: float, *, judged: float, n: int) -> Cover:
    """Join standing edges into things, leave out specks and still parts of the face, and say what they cover."""
    radius = max(round(_BRIDGED * things.width_px / 2.0), 1)
    shape = (2 * radius + 1, 2 * radius + 1)
    disc = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, shape), dtype=np.uint8)
    room = np.pad(things.standing.astype(np.uint8), 2 * radius)
    joined = cv2.morphologyEx(room, cv2.MORPH_CLOSE, disc)[2 * radius : -2 * radius, 2 * radius : -2 * radius]
    count, labels, stats, centres = cv2.connectedComponentsWithStats(np.ascontiguousarray(joined))
    covered, where, boxes = 0, [], []
    for label in range(1, count):
        x, y, width, height = (int(value) for value in stats[label, :4])
        thing = labels == label
        if np.hypot(width, height) < _LEAST_LENGTH * things.width_px or not _rim_moves(thing, things, disc):
            continue
        covered += int((thing & things.inside).sum())
        where.append(_nearest(face, (centres[label] + 0.5) / scale - 0.5))
        boxes.append((x / scale, y / scale, (x + width) / scale, (y + height) / scale))
    return Cover(
        share=Estimate(value=covered / float(things.inside.sum()), n=n),
        judged=judged,
        where=tuple(dict.fromkeys(where)),
        boxes_px=tuple(boxes),
    )


def _rim_moves(thing: BoolArray, things: _Things, disc: NDArray[np.uint8]) -> bool:
    """Whether the face moves along most of a thing's rim."""
    wide = cv2.dilate(thing.astype(np.uint8), disc).astype(bool)
    near = cv2.dilate(thing.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    rim = wide & ~near & things.watched.textured
    if not rim.any():
        return False
    return bool(things.watched.moves[rim].mean() >= _MOVING_RIM)


def _nearest(face: UprightFace, place_px: FloatArray) -> str:
    known = {
        name: np.mean([face.point(point) for point in points], axis=0)
        for name, points in _PLACES.items()
        if face.has(*points)
    }
    return min(known, key=lambda name: float(np.linalg.norm(known[name] - place_px)), default="the face")


def _not_judged(reason: str, *, judged: float = 0.0) -> Cover:
    return Cover(share=Estimate(value=None, reason=reason), judged=judged)
