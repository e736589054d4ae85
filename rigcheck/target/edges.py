"""How blurred the edges between a board's squares are, each with its own sigma and its place.

An edge between two neighbouring corners parts a black square from a white one. Its middle part,
away from the crossings at its ends and from the marker in the white square, is a slanted edge: its
pixels are laid over each other along it, binned across it, and the blur is read from the profile
twice, as the sigma of a Gaussian and as the frequency response of ISO 12233.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from rigcheck.geometry.sfr import BINS_PER_PX, mtf50, responses
from rigcheck.geometry.transfer import TRANSFERS, decoded_light
from rigcheck.model import BoardSpec, FrameRef, Observation
from rigcheck.target.profiles import (
    BLACK_SIDE_PX,
    WHITE_SIDE_PX,
    EdgeLines,
    Profiles,
    edge_lines,
    edge_profiles,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Samples = NDArray[np.float32]

__all__ = ["EdgeBlurs", "edge_blurs", "linear_light_table"]

MAX_CLIPPED_SHARE = 0.02
MIN_SWING = 8.0
# Kept away from the corners at both ends: this much, and this many sigmas of the blur.
END_PX, END_BLURS = 1.0, 2.0
# Blur that a profile can hold, as a share of its white side.
MAX_BLUR_SHARE = 0.6
MAX_SIGMA_SHARE = 0.3
MIN_BLUR_PX = 0.2
SIGMA_FLOOR = 0.005
# Of the bins this near to the edge so many may be empty: more say that all rows see the edge alike.
NEAR_EDGE_PX = 3.0
MAX_EMPTY_SHARE = 0.1
MAX_SHIFT_PX = 1.0
# Of the blur, where all rows see the edge alike and its place between pixels matters (0.05 px on renders).
GAP_SIGMA_PX = 0.07
# Of the window on the line spread: tapered all the way it would narrow a short one.
FLAT_SHARE = 0.7
_BLUR_RANGE_PX = (0.1, 20.0)
_STEPS = 4
_N_PARAMETERS = 4
_ROOT_HALF = np.float32(np.sqrt(0.5))
_ROOT_TWO_OVER_PI = np.float32(np.sqrt(2.0 / np.pi))


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeBlurs:
    """Blur of the edges seen in one picture; row for row.

    Parameters
    ----------
    ref : FrameRef
    board_mm : (M, 3) float64
        Middles of the edges, board frame.
    midpoints_px : (M, 2) float64
        The same in the picture as recorded.
    directions_rad : (M,) float64
        Of the edges in the picture.
    along_x : (M,) bool
        Whether an edge runs along the board's x.
    blur_px : (M,) float64
        Sigma of the Gaussian nearest to the blur across the edge, the pixel's own aperture included.
    sigma_px : (M,) float64
        Standard uncertainty of `blur_px`, from the pixels alone.
    mtf50_cy_px : (M,) float64
        By the slanted-edge method, across the edge; NaN for an edge along the pixels.
    black, white : (M,) float64
        Levels of the two sides, in the values measured on (linear light where a table was given).
    linear : bool
        Whether values were made linear in light by a table; else they were taken as linear.
    """

    ref: FrameRef
    board_mm: FloatArray
    midpoints_px: FloatArray
    directions_rad: FloatArray
    along_x: BoolArray
    blur_px: FloatArray
    sigma_px: FloatArray
    mtf50_cy_px: FloatArray
    black: FloatArray
    white: FloatArray
    linear: bool

    @property
    def n(self) -> int:
        """Number of edges."""
        return len(self.blur_px)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """Blur of each profile with its sigma; level in the middle, half the step (signed), place of the edge."""

    blur_px: FloatArray
    sigma_px: FloatArray
    level: FloatArray
    swing: FloatArray
    shift_px: FloatArray


def edge_blurs(
    image: NDArray[np.uint8],
    observation: Observation,
    spec: BoardSpec,
    *,
    linear_light: FloatArray | None = None,
) -> EdgeBlurs:
    """Measure the blur of the edges between a detected board's squares.

    Parameters
    ----------
    image : (H, W) uint8
        The picture that `observation` was made in.
    observation : Observation
    spec : BoardSpec
    linear_light : (256,) float64, optional
        Linear light of each code value, 0 to about 255; without it the values are taken as linear. See
        :func:`linear_light_table`.

    Returns
    -------
    EdgeBlurs
        Empty when no edge is long enough, unclipped and of enough contrast.

    Notes
    -----
    Edges are taken as straight between two corners, and depth and light as even along them. The blur of an
    edge along the pixels is less well determined than that of a slanted one; its sigma says so. Motion blurs
    edges that lie across it and spares those along it; :mod:`rigcheck.calibration.focus` looks for that.
    """
    ends = edge_lines(observation, spec)
    if len(ends.room_px) == 0:
        return _result(observation.ref, ends, _no_fit(), spec, np.zeros(0), linear_light is not None)
    white_px = float(np.clip(np.quantile(ends.room_px, 0.1), *WHITE_SIDE_PX))
    ends = ends.chosen(ends.room_px >= white_px - 1e-9)
    ends = ends.chosen(np.argsort(ends.upright, kind="stable"))
    profiles = edge_profiles(image, ends, white_px, guard_px=END_PX + END_BLURS * observation.blur_px)
    if linear_light is not None:
        # Noise is small beside the step, so that the table may be applied to bins as well as to pixels.
        profiles = _linearised(profiles, linear_light)
    fit = _fitted(profiles, max(observation.blur_px, 0.5))
    sound = (
        (fit.swing > MIN_SWING)
        & (profiles.clipped <= MAX_CLIPPED_SHARE)
        & (fit.blur_px > MIN_BLUR_PX)
        & (fit.blur_px < MAX_BLUR_SHARE * white_px)
        & np.isfinite(fit.sigma_px)
        & (fit.sigma_px < MAX_SIGMA_SHARE * fit.blur_px)
    )
    gaps = _gaps(profiles)
    half = np.where(gaps <= MAX_EMPTY_SHARE, _response_half(profiles, fit), np.nan)
    sigma_px = np.hypot(fit.sigma_px, GAP_SIGMA_PX * gaps)
    fit = replace(fit, sigma_px=sigma_px)
    return _result(
        observation.ref,
        ends.chosen(sound),
        _Fit(**{field.name: getattr(fit, field.name)[sound] for field in fields(fit)}),
        spec,
        half[sound],
        linear_light is not None,
    )


def linear_light_table(
    transfer: str | None, *, black_level: float | None = None, video_range: bool = False
) -> FloatArray | None:
    """Linear light of each 8-bit code value, (256,) float64, 0 to 255.

    Parameters
    ----------
    transfer : {"linear", "srgb", "bt709", "gamma_2_2", "gamma_2_4"} or None
        As in a rig file.
    black_level : float, optional
        Code value of darkness in linear pictures.
    video_range : bool
        Whether black is 16 and white 235.

    Returns
    -------
    array, or None when the curve is not known here (not given, or a table in a file).

    References
    ----------
    IEC 61966-2-1 (sRGB); ITU-R BT.709, inverted; video range as in ITU-R BT.601. Constants from memory.
    """
    code = np.arange(256.0)
    signal = np.clip((code - 16.0) / 219.0, 0.0, None) if video_range else code / 255.0
    if transfer not in TRANSFERS:
        return None
    if transfer == "linear":
        signal = signal - (black_level or 0.0) / 255.0
    return np.asarray(255.0 * decoded_light(signal, transfer))


def _linearised(profiles: Profiles, linear_light: FloatArray) -> Profiles:
    light = np.interp(profiles.value, np.arange(256.0), linear_light).astype(np.float32)
    return Profiles(at_px=profiles.at_px, value=light, count=profiles.count, clipped=profiles.clipped)


def _fitted(profiles: Profiles, blur_px: float) -> _Fit:
    """Fit level + swing erf((d - shift) / (sigma sqrt 2)) to each profile, by Gauss-Newton."""
    at, value, count = profiles.at_px, profiles.value, profiles.count
    parameters = _start(profiles, blur_px)
    for _ in range(_STEPS):
        residual, jacobian = _model(at, value, parameters)
        normal, gradient = _normal(jacobian, residual, count)
        step = np.linalg.solve(normal, gradient[..., None])[..., 0].astype(np.float32)
        step[:, 2] = np.clip(step[:, 2], -1.0, 1.0)
        sigma = parameters[:, 3]
        step[:, 3] = np.clip(step[:, 3], -0.5 * sigma, sigma)
        parameters = parameters + step
        parameters[:, 3] = np.clip(parameters[:, 3], *_BLUR_RANGE_PX)
    residual, jacobian = _model(at, value, parameters)
    normal, _ = _normal(jacobian, residual, count)
    freedom = np.maximum((count > 0).sum(axis=1) - _N_PARAMETERS, 1)
    variance = (count * residual * residual).sum(axis=1) / freedom
    sigma_px = np.sqrt(variance * np.linalg.inv(normal)[:, 3, 3])
    level, swing, shift, blur = parameters.astype(np.float64).T
    return _Fit(
        blur_px=blur,
        sigma_px=np.hypot(sigma_px, SIGMA_FLOOR * blur),
        level=level,
        swing=swing,
        shift_px=shift,
    )


def _start(profiles: Profiles, blur_px: float) -> Samples:
    """Levels from the bins farthest from the edge, which is in the middle."""
    edge = int(BINS_PER_PX * BLACK_SIDE_PX)
    white = profiles.value.shape[1] - edge
    sides = slice(0, edge // 2), slice(edge + (white + 1) // 2, None)
    black, white_level = (
        (profiles.value * profiles.count)[:, side].sum(axis=1)
        / np.maximum(profiles.count[:, side].sum(axis=1), 1.0)
        for side in sides
    )
    out = np.zeros((len(black), _N_PARAMETERS), dtype=np.float32)
    out[:, 0], out[:, 1] = 0.5 * (black + white_level), 0.5 * (white_level - black)
    out[:, 3] = blur_px
    return out


def _model(at: Samples, value: Samples, parameters: Samples) -> tuple[Samples, Samples]:
    """Residuals (M, B) and Jacobian (M, 4, B) by level, swing, shift and sigma."""
    level, swing, shift, sigma = (parameters[:, k : k + 1] for k in range(_N_PARAMETERS))
    z = (at - shift) / sigma
    rise = scipy.special.erf(z * _ROOT_HALF)
    bell = -_ROOT_TWO_OVER_PI * swing / sigma * np.exp(-0.5 * z * z)
    jacobian = np.stack([np.ones_like(at), rise, bell, bell * z], axis=1)
    return value - (level + swing * rise), jacobian


def _normal(jacobian: Samples, residual: Samples, count: Samples) -> tuple[FloatArray, FloatArray]:
    weighted = jacobian * count[:, None, :]
    normal = (weighted @ jacobian.transpose(0, 2, 1)).astype(np.float64)
    diagonal = np.einsum("nii->ni", normal)
    diagonal += 1e-6 * diagonal + 1e-9
    return normal, (weighted @ residual[..., None])[..., 0].astype(np.float64)


def _gaps(profiles: Profiles) -> FloatArray:
    """Share of empty bins near each edge: how far its rows see it alike."""
    edge, reach = int(BINS_PER_PX * BLACK_SIDE_PX), int(BINS_PER_PX * NEAR_EDGE_PX)
    near = profiles.count[:, edge - reach : edge + reach + 1]
    return np.asarray((near == 0).mean(axis=1), dtype=np.float64)


def _response_half(profiles: Profiles, fit: _Fit) -> FloatArray:
    """MTF50 of each profile by the slanted-edge method; NaN where it has none."""
    value, count = profiles.value, profiles.count
    n_bins, edge = value.shape[1], int(BINS_PER_PX * BLACK_SIDE_PX)
    # An empty bin takes the value of the last filled one before it, the first ones that of the first filled.
    filled = np.where(count > 0, np.arange(n_bins), 0)
    last = np.maximum.accumulate(filled, axis=1)
    first = np.argmax(count > 0, axis=1)
    whole = np.take_along_axis(value, np.maximum(last, first[:, None]), axis=1).astype(np.float64)
    frequency, response = responses(_symmetric(whole, edge), 1.0 / BINS_PER_PX, flat_share=FLAT_SHARE)
    half = mtf50(frequency, np.nan_to_num(response, nan=1.0))
    return np.where(np.abs(fit.shift_px) < MAX_SHIFT_PX, half, np.nan)


def _symmetric(profiles: FloatArray, edge: int) -> FloatArray:
    """Give the white side as many bins as the black one, at the level of its last."""
    missing = 2 * edge + 1 - profiles.shape[1]
    return np.concatenate([profiles, np.repeat(profiles[:, -1:], max(missing, 0), axis=1)], axis=1)


def _no_fit() -> _Fit:
    return _Fit(**{field.name: np.zeros(0) for field in fields(_Fit)})


def _result(
    ref: FrameRef, ends: EdgeLines, fit: _Fit, spec: BoardSpec, half: FloatArray, linear: bool
) -> EdgeBlurs:
    pitch = np.array(spec.pitch_mm)
    along = ends.second_px - ends.first_px
    flat = 0.5 * (ends.first + ends.second) * pitch
    return EdgeBlurs(
        ref=ref,
        board_mm=np.column_stack([flat, np.zeros(len(flat))]),
        midpoints_px=0.5 * (ends.first_px + ends.second_px),
        directions_rad=np.arctan2(along[:, 1], along[:, 0]),
        along_x=ends.along_x,
        blur_px=fit.blur_px,
        sigma_px=fit.sigma_px,
        mtf50_cy_px=half,
        black=fit.level - fit.swing,
        white=fit.level + fit.swing,
        linear=linear,
    )
