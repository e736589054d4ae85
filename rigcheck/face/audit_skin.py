"""Contrast of the same skin in both cameras' pictures, where it was matched: a film on one lens takes it away there."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.audit_look import CELLS
from rigcheck.model import Estimate, ImageArray, PatchMatches
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2, shrunk

# Longer side of the shrunken picture, and there the two bands of detail (sigmas of two Gaussians, px; 0 for none): skin
# and brows, a few pixels to a few tens as recorded. Noise is finer. Energy and brightness are taken over a wider one.
_SIDE_PX = 320
_BANDS, _AROUND = ((0.0, 1.8), (0.9, 3.6)), 5.0
_FEWEST, _FEWEST_A_MOMENT, _FEWEST_A_CELL = 200, 30, 6
_PER_CELL = 3  # places along a cell's side
_BLOWN = 245.0
_FEW = "too little skin was matched between the cameras"
# Places of a moment hang together by the width that the contrast is taken over.
_MEDIAN, _ALONE = 1.25, 9.0

__all__ = ["SkinSeen", "skin_seen"]

Pair = tuple[ImageArray, ImageArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class SkinSeen:
    """The skin's contrast in a take.

    Parameters
    ----------
    numbers : dict of str to Estimate
        ``lens.<camera>.skin_contrast``: logarithm of it in this camera's pictures, the median over the matches;
        ``lens.<camera>.apart``: by how much it is more (less: negative) than the other camera's of the same skin.
    cells : dict of camera to (R, C) float64
        The latter cell by cell of the picture as recorded, less the median over the face; NaN where little is matched.
    """

    numbers: dict[str, Estimate] = field(default_factory=dict)
    cells: dict[str, FloatArray] = field(default_factory=dict)


def skin_seen(
    cameras: tuple[str, str],
    pictures: Sequence[Pair],
    masks: Sequence[BoolArray],
    matches: Sequence[PatchMatches],
) -> SkinSeen:
    """Compare the contrast of matched skin between both cameras over a take.

    Parameters
    ----------
    cameras : names of both
    pictures : sequence of two (H, W) uint8
        Of each matched moment, as recorded.
    masks : sequence of (H, W) bool
        Skin in the first of the two.
    matches : sequence of PatchMatches, of the same moments

    Returns
    -------
    SkinSeen
        Without values for fewer than 200 places, three along a cell of the picture, between the matches.

    Notes
    -----
    Contrast is detail over brightness, so that exposure and light from one side cancel. Two bands are looked at and
    the one that differs less counts, nothing where they differ to different sides: a film takes both away, a soft
    focus the finer one, a highlight adds to one. Not seen: what both lenses have alike on the same skin; dirt before
    hair, eyes, mouth and background; dirt that only darkens.
    """
    places, logs = _gathered(pictures, masks, matches)
    if len(places[0]) < _FEWEST:
        missing = Estimate(value=None, n=len(places[0]), reason=_FEW)
        names = ("skin_contrast", "apart")
        return SkinSeen(numbers={f"lens.{camera}.{name}": missing for camera in cameras for name in names})
    difference = logs[0] - logs[1]  # (bands, N)
    whole = np.median(difference, axis=1)
    apart = _least(whole)
    spread = 1.4826 * float(np.median(np.abs(difference[1] - whole[1])))
    numbers, cells = {}, {}
    local = _least(difference - whole[:, None])
    for k, (camera, sign) in enumerate(zip(cameras, (1.0, -1.0), strict=True)):
        n = len(places[k])
        own = logs[k][1]
        own_spread = 1.4826 * float(np.median(np.abs(own - np.median(own))))
        numbers[f"lens.{camera}.skin_contrast"] = Estimate(
            value=float(np.median(own)), sigma=_MEDIAN * own_spread / np.sqrt(n / _ALONE), n=n
        )
        numbers[f"lens.{camera}.apart"] = Estimate(
            value=float(sign * apart), sigma=_MEDIAN * spread / np.sqrt(n / _ALONE), n=n
        )
        shape = pictures[0][k].shape
        cells[camera] = _cells(places[k], sign * local, (shape[0], shape[1]))
    return SkinSeen(numbers=numbers, cells=cells)


def _gathered(
    pictures: Sequence[Pair], masks: Sequence[BoolArray], matches: Sequence[PatchMatches]
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Places (N, 2) px in both pictures and logarithms of the contrast there, (bands, N)."""
    places: tuple[list[FloatArray], list[FloatArray]] = ([np.zeros((0, 2))], [np.zeros((0, 2))])
    logs: tuple[list[FloatArray], ...] = tuple([np.zeros((len(_BANDS), 0))] for _ in range(2))
    for pair, mask, found in zip(pictures, masks, matches, strict=True):
        at = _same_skin(mask, found)
        both = [_contrast_at(picture, each) for picture, each in zip(pair, at, strict=True)]
        good = np.isfinite(both[0]).all(axis=0) & np.isfinite(both[1]).all(axis=0)
        for k in (0, 1):
            places[k].append(at[k][good])
            logs[k].append(both[k][:, good])
    first, second = (np.concatenate(each) for each in places)
    return (first, second), (np.concatenate(logs[0], axis=1), np.concatenate(logs[1], axis=1))


def _same_skin(mask: BoolArray, found: PatchMatches) -> tuple[FloatArray, FloatArray]:
    """Places of a grid over the skin in picture 1, (N, 2) px, and where picture 2 shows them, between the matches.

    Each goes where the local map of the match nearest to it sends it. Not the matches themselves: under thick dirt
    there are none.
    """
    if found.n < _FEWEST_A_MOMENT:
        return np.zeros((0, 2)), np.zeros((0, 2))
    step = max(mask.shape) / (CELLS * _PER_CELL)
    rows, columns = (np.arange(step / 2, side, step).astype(int) for side in mask.shape)
    y, x = np.nonzero(mask[np.ix_(rows, columns)])
    first = np.stack([columns[x], rows[y]], axis=1).astype(np.float64)
    first = first[_within(found.points1_px, first)]
    away = sum(np.subtract.outer(first[:, k], found.points1_px[:, k]) ** 2 for k in (0, 1))
    nearest = np.asarray(away).argmin(axis=1)
    off = first - found.points1_px[nearest]
    return first, found.points2_px[nearest] + np.einsum("nij,nj->ni", found.slope[nearest], off)


def _within(outermost: FloatArray, places: FloatArray) -> BoolArray:
    """Which places (N, 2) the convex outline of points encloses; none where they lie in one row."""
    outline = cv2.convexHull(outermost.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    side = np.roll(outline, -1, axis=0) - outline
    away = places[:, None] - outline
    turn = side[:, 0] * away[..., 1] - side[:, 1] * away[..., 0]
    return np.asarray((turn > 0).all(axis=1) | (turn < 0).all(axis=1))


def _contrast_at(picture: ImageArray, at_px: FloatArray) -> FloatArray:
    """Logarithm of detail over brightness around places, (bands, N); NaN where it is blown or flat."""
    scale = min(_SIDE_PX / max(picture.shape), 1.0)
    size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
    small = shrunk(np.asarray(picture, dtype=np.uint8), size).astype(np.float32)
    around = _read(cv2.GaussianBlur(small, (0, 0), _AROUND), at_px, scale)
    out = []
    for fine, coarse in _BANDS:
        kept = cv2.GaussianBlur(small, (0, 0), fine) if fine else small
        detail = kept - cv2.GaussianBlur(small, (0, 0), coarse)
        out.append(_read(cv2.GaussianBlur(detail * detail, (0, 0), _AROUND), at_px, scale))
    energy = np.stack(out)
    lit = (around > 1.0) & (around < _BLOWN) & (energy > 0.0)
    return np.log(np.where(lit, np.sqrt(np.maximum(energy, 1e-12)) / np.maximum(around, 1.0), np.nan))


def _read(picture: NDArray[Any], at_px: FloatArray, scale: float) -> FloatArray:
    """Values of a shrunken picture at places of the whole one, (N,)."""
    if not len(at_px):
        return np.zeros(0)
    place = ((at_px + 0.5) * scale - 0.5).astype(np.float32)
    read = cv2.remap(picture, place[:, :1], place[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read, dtype=np.float64).ravel()


def _least(bands: FloatArray) -> FloatArray:
    """Of two bands (2, …) the smaller; nothing where they have two signs."""
    same = np.sign(bands[0]) == np.sign(bands[1])
    return np.where(same, np.sign(bands[0]) * np.abs(bands).min(axis=0), 0.0)


def _cells(places_px: FloatArray, values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Median of the values in each cell of the picture, (R, C); NaN for cells with few."""
    cell = max(shape) / CELLS
    rows, columns = round(shape[0] / cell), round(shape[1] / cell)
    row = np.clip((places_px[:, 1] + 0.5) * rows / shape[0], 0, rows - 1).astype(int)
    column = np.clip((places_px[:, 0] + 0.5) * columns / shape[1], 0, columns - 1).astype(int)
    out = np.full((rows, columns), np.nan)
    for place in np.unique(row * columns + column).tolist():
        inside = values[row * columns + column == place]
        if len(inside) >= _FEWEST_A_CELL:
            out[place // columns, place % columns] = np.median(inside)
    return out
