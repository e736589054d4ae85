"""Spatial frequency response of a slanted edge, after ISO 12233.

The rows of a picture of one edge see it at ever new places between the pixels: laid over each
other along the edge they sample its profile four times a pixel. The profile's slope is the line
spread, whose Fourier transform is the response.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rigcheck.errors import EstimationError

FloatArray = NDArray[np.float64]
Taper = Literal["tukey", "hamming"]

__all__ = ["BINS_PER_PX", "EdgeSfr", "Taper", "edge_sfr", "mtf50", "responses"]

BINS_PER_PX = 4
MIN_LENGTH_PX = 20
MIN_WIDTH_PX = 12
# Between the edge and the nearer side of the picture.
MIN_REACH_PX = 3
# Step over noise below which the edge's place in a row is a guess.
MIN_STEP_OVER_NOISE = 6.0
MIN_STEP = 4.0
# Largest share of the profile's bins that no pixel may fall into.
MAX_EMPTY_SHARE = 0.1
MAX_SLOPE = 0.9
_ORDERS = (1, 3, 5)


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeSfr:
    """Response of one edge.

    Parameters
    ----------
    frequency_cy_px : (K,) float64
        Across the edge, cycles per pixel, from 0.
    response : (K,) float64
        1 at frequency 0.
    mtf50_cy_px : float
        Where the response first falls to one half.
    angle_deg : float
        Between the edge and the nearer picture axis, 0 to 45.
    near_horizontal : bool
        Whether that axis is the horizontal one.
    step : float
        Difference of the two sides, code values.
    """

    frequency_cy_px: FloatArray
    response: FloatArray
    mtf50_cy_px: float
    angle_deg: float
    near_horizontal: bool
    step: float


def edge_sfr(values: ArrayLike, *, order: int = 1, taper: Taper = "tukey") -> EdgeSfr:
    """Spatial frequency response of the one edge in a picture.

    Parameters
    ----------
    values : (H, W) float
        Linear in light; one edge that runs from side to side, near vertical or near horizontal.
    order : int
        Of the polynomial that the edge is taken to follow: 1 (a line), 3 or 5 (a lens bends lines).
    taper : "tukey" or "hamming"
        Window on the line spread (Tukey with both halves tapered is the Hann window).

    Returns
    -------
    EdgeSfr

    Raises
    ------
    EstimationError
        An edge that is too short, too faint, along the pixels, or at a slope that leaves gaps.

    Notes
    -----
    Steps: place of the edge in each row as the centroid of the windowed slope, twice, the second time with
    the window on the fitted edge; fit; rows cut to whole turns of the phase between edge and pixels; profile
    in quarters of a pixel; slope by [-1/2, 0, 1/2]; window; modulus of the transform, over its value at 0
    and over the response of the slope filter. Values that are not linear in light give a wrong response
    without a warning. The quarter-pixel bins lower the response at 0.25 cycles per pixel by 0.6 %, which is
    not corrected.

    References
    ----------
    ISO 12233:2014, 6.2 and annex D (steps, as its users describe them); the correction of the slope filter
    is derived: x / sin x with x = 2 pi k / N in bins.
    """
    if order not in _ORDERS:
        raise ValueError(f"order: {order} found, one of {_ORDERS} needed")
    picture, turned = _upright(np.asarray(values, dtype=np.float64))
    step = _checked_step(picture)
    edge = _edge_columns(picture, order)
    slope = float(np.polyfit(np.arange(len(edge)), edge, 1)[0])
    rows = _whole_turns(len(edge), slope)
    profile = _profile(picture[:rows], edge[:rows])
    cosine = float(np.cos(np.arctan(slope)))
    frequency, response = responses(profile[None], cosine / BINS_PER_PX, taper=taper)
    half = float(mtf50(frequency, response)[0])
    if not np.isfinite(half):
        raise EstimationError(
            "edge: the response stays above one half up to the finest detail that pixels can carry.",
            hint="check that the picture is not sharpened, and that it holds an edge and not a pattern.",
        )
    return EdgeSfr(
        frequency_cy_px=frequency,
        response=response[0],
        mtf50_cy_px=half,
        angle_deg=float(np.degrees(np.arctan(abs(slope)))),
        near_horizontal=turned,
        step=step,
    )


def responses(
    profiles: FloatArray, bin_px: float | FloatArray, *, taper: Taper = "tukey", flat_share: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Responses of edge profiles that are sampled evenly.

    Parameters
    ----------
    profiles : (N, B) float64
        Values across each edge, which lies near the middle.
    bin_px : float or (N,) float64
        Distance between samples across the edge, px.
    taper : "tukey" or "hamming"
    flat_share : float
        Share of the window, from its middle, that is left at 1: for profiles so short that a window tapered
        all the way would narrow the line spread itself.

    Returns
    -------
    frequency_cy_px : (K,) or (N, K) float64
        Up to half the sampling frequency.
    response : (N, K) float64
        1 at frequency 0.
    """
    slope = np.zeros_like(profiles)
    slope[:, 1:-1] = 0.5 * (profiles[:, 2:] - profiles[:, :-2])
    at = np.arange(profiles.shape[1])
    weight = slope * _window(at, np.full((len(slope), 1), 0.5 * (len(at) - 1)), 0.5 * len(at), taper)
    # As many steps as whole bins: the window is moved to the slope, not the slope to a window.
    centre = (weight * at).sum(axis=1) / np.where(weight.sum(axis=1) == 0.0, 1.0, weight.sum(axis=1))
    centre = np.clip(centre, 0.25 * len(at), 0.75 * len(at))
    reach = np.maximum(centre + 1.0, len(at) - centre)
    spread = slope * _window(at, centre[:, None], reach[:, None], taper, flat_share)
    modulus = np.abs(np.fft.rfft(spread, axis=1))
    keep = profiles.shape[1] // 4 + 1
    angle = 2.0 * np.pi * np.arange(keep) / profiles.shape[1]
    correction = 1.0 / np.sinc(angle / np.pi)
    total = np.where(modulus[:, :1] > 0.0, modulus[:, :1], np.nan)
    cycles = np.arange(keep) / profiles.shape[1]
    frequency = cycles / np.asarray(bin_px, dtype=np.float64)[..., None]
    return frequency, modulus[:, :keep] / total * correction


def mtf50(frequency_cy_px: FloatArray, response: FloatArray) -> FloatArray:
    """Where responses (N, K) first fall to one half, by a line between samples; NaN where they do not."""
    frequency = np.broadcast_to(frequency_cy_px, response.shape)
    below = response < 0.5
    first = np.argmax(below, axis=1)
    row = np.arange(len(response))
    before = np.maximum(first - 1, 0)
    high, low = response[row, before], response[row, first]
    drop = np.where(high > low, high - low, 1.0)
    start, end = frequency[row, before], frequency[row, first]
    found = start + (high - 0.5) / drop * (end - start)
    return np.where(below.any(axis=1) & (first > 0), found, np.nan)


def _window(
    at: NDArray[np.int64],
    centre: FloatArray,
    reach: float | FloatArray,
    taper: Taper,
    flat_share: float = 0.0,
) -> FloatArray:
    """Window over samples (N, B), 0 (Hamming: 0.08) at `reach` from its centre and beyond."""
    share = np.clip(np.abs(at - centre) / reach, 0.0, 1.0)
    edge = 0.5 if taper == "tukey" else 0.54
    inside = share < 1.0
    turn = np.clip((share - flat_share) / (1.0 - flat_share), 0.0, 1.0)
    return np.asarray(inside * (edge + (1.0 - edge) * np.cos(np.pi * turn)))


def _upright(picture: FloatArray) -> tuple[FloatArray, bool]:
    """Turn a picture so that its edge is near vertical; whether it was turned."""
    if picture.ndim != 2 or min(picture.shape) < 3:
        raise ValueError(f"values: shape {picture.shape} found, (H, W) needed")
    if not np.isfinite(picture).all():
        raise ValueError("values: contains values that are not finite")
    # Differences of means over the whole side: noise does not decide.
    third_w, third_h = max(picture.shape[1] // 4, 1), max(picture.shape[0] // 4, 1)
    across = abs(picture[:, :third_w].mean() - picture[:, -third_w:].mean())
    down = abs(picture[:third_h].mean() - picture[-third_h:].mean())
    turned = bool(down > across)
    picture = picture.T if turned else picture
    if picture.shape[0] < MIN_LENGTH_PX or picture.shape[1] < MIN_WIDTH_PX:
        raise EstimationError(
            f"edge: {picture.shape[0]} px along and {picture.shape[1]} px across it found, "
            f"{MIN_LENGTH_PX} and {MIN_WIDTH_PX} needed.",
            hint="cut a larger piece around the edge, or bring the target nearer.",
        )
    return picture, turned


def _checked_step(picture: FloatArray) -> float:
    quarter = max(picture.shape[1] // 6, 2)
    first, second = picture[:, :quarter], picture[:, -quarter:]
    step = abs(float(first.mean() - second.mean()))
    # Differences along the edge hold noise and, where the edge slants, next to nothing else.
    noise = float(np.median(np.abs(np.diff(picture, axis=0)))) * 1.4826 / np.sqrt(2.0)
    needed = max(MIN_STEP, MIN_STEP_OVER_NOISE * noise)
    if step < needed:
        raise EstimationError(
            f"edge: a step of {step:.1f} code values found, {needed:.1f} needed "
            f"({MIN_STEP_OVER_NOISE:.0f} times the noise, {MIN_STEP:.0f} at the least).",
            hint="light the target more, and use an edge between black and white.",
        )
    return step


def _edge_columns(picture: FloatArray, order: int) -> FloatArray:
    """Column of the edge in each row, (H,), from a polynomial through the rows' centroids."""
    rows = np.arange(picture.shape[0])
    at = np.arange(picture.shape[1])
    slope = np.zeros_like(picture)
    slope[:, 1:-1] = 0.5 * (picture[:, 2:] - picture[:, :-2])
    slope *= np.sign(slope.sum())
    fitted = np.full(len(rows), 0.5 * (picture.shape[1] - 1))
    for degree in (1, order, order):
        if min(float(fitted.min()) + 1.0, picture.shape[1] - float(fitted.max())) < MIN_REACH_PX:
            raise _leaves_the_picture()
        reach = np.maximum(fitted + 1.0, picture.shape[1] - fitted)
        weight = slope * _window(at, fitted[:, None], reach[:, None], "tukey")
        total = weight.sum(axis=1)
        if (total <= 0.1 * np.median(total)).any():
            raise _leaves_the_picture()
        centroid = (weight * at).sum(axis=1) / total
        # Scaled rows keep a fifth-order fit well conditioned.
        scaled = 2.0 * rows / max(len(rows) - 1, 1) - 1.0
        fitted = np.polynomial.polynomial.polyval(
            scaled, np.polynomial.polynomial.polyfit(scaled, centroid, degree)
        )
    return np.asarray(fitted)


def _leaves_the_picture() -> EstimationError:
    return EstimationError(
        "edge: it was not found in every row; one edge from side to side needed.",
        hint="cut a piece that holds one edge alone, in its middle.",
    )


def _whole_turns(rows: int, slope: float) -> int:
    """Rows that make whole turns of the phase between edge and pixels."""
    turns = int(rows * abs(slope))
    if turns < 1:
        raise EstimationError(
            f"edge: it moves by {rows * abs(slope):.2f} px over its {rows} px, 1 px needed.",
            hint="turn the target by about 5 degrees against the picture, or cut a longer piece.",
        )
    if abs(slope) > MAX_SLOPE:
        raise _too_steep(slope)
    return min(round(turns / abs(slope)), rows)


def _too_steep(slope: float) -> EstimationError:
    return EstimationError(
        f"edge: {np.degrees(np.arctan(abs(slope))):.1f} degrees off the picture's axis found, a slope at "
        "which its rows meet it at too few different places.",
        hint="turn the target to about 5 degrees against the picture.",
    )


def _profile(picture: FloatArray, edge: FloatArray) -> FloatArray:
    """Mean over the rows in bins of a quarter of a pixel, the edge in the middle."""
    half = BINS_PER_PX * (picture.shape[1] // 2)
    at = np.arange(picture.shape[1])[None, :] - edge[:, None]
    number = np.floor(BINS_PER_PX * at + 0.5).astype(np.int64) + half
    inside = (number >= 0) & (number <= 2 * half)
    count = np.bincount(number[inside], minlength=2 * half + 1)
    total = np.bincount(number[inside], weights=picture[inside], minlength=2 * half + 1)
    near = count[half - BINS_PER_PX * MIN_REACH_PX : half + BINS_PER_PX * MIN_REACH_PX]
    if (near == 0).mean() > MAX_EMPTY_SHARE:
        raise _too_steep(float(np.polyfit(np.arange(len(edge)), edge, 1)[0]))
    filled = np.flatnonzero(count)
    return np.asarray(np.interp(np.arange(len(count)), filled, total[filled] / count[filled]))
