"""What a camera's code values say about light, and from which code value on they say nothing more."""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rigcheck.geometry.transfer import TRANSFERS, decoded_light
from rigcheck.model import CameraDescription
from rigcheck.model._arrays import FloatArray

__all__ = ["Ceiling", "LightCurve", "ceiling_of", "light_curve"]

# A pile-up, in 8-bit code values: at least so many pixels within one code value of its peak, so many times those of
# its ground (the code values from the first to the second below it), and few that far above it.
_LEAST_PILED, _PILE, _GROUND, _BEYOND, _FEW_BEYOND = 40, 2.5, (7, 20), 7, 0.15
# Down from the peak, code values with so many times the ground hold more clipped pixels than others.
_MOSTLY_CLIPPED = 2.0
_CODES = 256
_VIDEO_BLACK, _VIDEO_WHITE = 16.0, 235.0


@dataclass(frozen=True, kw_only=True, eq=False)
class LightCurve:
    """Light of each code value.

    `light` is (2**bit_depth,), full scale 1 at the nominal white, None where the curve is not known. `black` is the
    code value of darkness (None: not stated, taken as the curve's zero) and `white` the nominal brightest one.
    `unknown` says in plain words why `light` is None.
    """

    light: FloatArray | None
    bit_depth: int
    black: float
    white: float
    black_stated: bool = True
    unknown: str = ""
    transfer: str | None = None

    def at(self, code: float) -> float:
        """Light of a code value, between table entries too; NaN when the curve is not known."""
        if self.light is None:
            return float("nan")
        return float(np.interp(code, np.arange(len(self.light)), self.light))

    def slope(self, code: float) -> float:
        """Light per code value around a code value."""
        return (self.at(code + 1.0) - self.at(max(code - 1.0, 0.0))) / (2.0 if code >= 1.0 else 1.0 + code)


@dataclass(frozen=True, kw_only=True)
class Ceiling:
    """From which code value on a pixel counts as clipped.

    `piled_up` when the pictures themselves show it; `spread` is by how many code values coding has spread the pile
    downwards.
    """

    code: int
    piled_up: bool
    spread: int = 0


def light_curve(
    described: CameraDescription | None,
    *,
    bit_depth: int = 8,
    full_range: bool = False,
    table: FloatArray | None = None,
) -> LightCurve:
    """Curve of one camera's pictures.

    Parameters
    ----------
    described : CameraDescription or None
        The rig file's entry; None without a rig file.
    bit_depth : int
        Of the pictures; a black level counts in their code values.
    full_range : bool
        True for RGB pictures that were converted to full range on reading, whatever the file's own range.
    table : (2**bit_depth,) float64, optional
        Measured light of each code value, full scale 1, for a curve given as a table.

    Returns
    -------
    LightCurve
        Without `light` when no curve is stated, and for a table that was not handed over.

    Raises
    ------
    ValueError
        For a table of another length, or one that falls.

    Notes
    -----
    Raw machine-vision pictures are linear; nothing is assumed where the rig file is silent, since linear pictures taken
    for coded ones misjudge stops by a factor of more than two.
    """
    codes, step = np.arange(2.0**bit_depth), 2.0 ** (bit_depth - 8)
    full = float(codes[-1])
    video = described is not None and described.value_range == "video" and not full_range
    black, white = (_VIDEO_BLACK * step, _VIDEO_WHITE * step) if video else (0.0, full)
    transfer = None if described is None else described.transfer
    if transfer is not None and transfer.startswith("table:"):
        if table is None:
            why = "the rig file names a table as transfer curve, which was not read"
            return LightCurve(light=None, bit_depth=bit_depth, black=black, white=white, unknown=why)
        light = _checked(table, len(codes))
        dark = float(np.flatnonzero(light <= light[0])[-1])
        return LightCurve(light=light, bit_depth=bit_depth, black=dark, white=white, transfer="table")
    if transfer not in TRANSFERS:
        why = (
            "the rig file states no transfer curve"
            if described
            else "there is no rig file to state a transfer curve"
        )
        return LightCurve(light=None, bit_depth=bit_depth, black=black, white=white, unknown=why)
    stated = None if described is None else described.black_level
    if transfer == "linear" and stated is not None:
        black = float(stated)
    light = decoded_light((codes - black) / max(white - black, 1.0), transfer)
    return LightCurve(
        light=light,
        bit_depth=bit_depth,
        black=black,
        white=white,
        black_stated=transfer != "linear" or stated is not None,
        transfer=transfer,
    )


def _checked(table: FloatArray, length: int) -> FloatArray:
    light = np.asarray(table, dtype=np.float64)
    if light.shape != (length,) or not np.isfinite(light).all():
        raise ValueError(f"table: shape {light.shape} found, {length} finite numbers needed")
    if (np.diff(light) < 0).any() or not light[-1] > light[0]:
        raise ValueError("table: light falls as the code value rises")
    return light


def ceiling_of(counts: FloatArray, curve: LightCurve) -> Ceiling:
    """Find where pictures clip, from a histogram that holds their brightest parts.

    Parameters
    ----------
    counts : (2**bit_depth,)
        Pixels of each code value, eyes included: catch-lights show the ceiling early.
    curve : LightCurve

    Returns
    -------
    Ceiling
        Where the brightest pixels pile up: at white, or below it after a gain, or a curve that ends early; lossy coding
        spreads the pile to both sides, so that it may begin some code values below. Else one code value below the
        nominal white (below full scale where pictures go beyond it).

    Notes
    -----
    Light that falls off naturally thins out towards its brightest value and has no pile. Something bright, even and
    wholly without shading would be taken for one. Deeper pictures are looked at in steps of 8-bit code values.
    """
    step = max(2 ** (curve.bit_depth - 8), 1)
    coarse = counts.reshape(_CODES, step).sum(axis=1)
    white = int(curve.white) // step
    peak = _peak(coarse)
    if peak is not None:
        start, ground = peak, float(_grounds(coarse)[peak])
        while start > 1 and coarse[start - 1] >= _MOSTLY_CLIPPED * ground:
            start -= 1
        top = (_CODES - 1 if peak > white else white) * step + step - 1
        # The code value below the highest counts as clipped unless it is seen to hold light of its own.
        least = top if counts[top - 1] > 0 else top - 1
        return Ceiling(code=min(start * step, least), piled_up=True, spread=(peak - start) * step)
    nominal = len(counts) - 1 if coarse[white + 4 :].sum() >= _LEAST_PILED else int(curve.white)
    return Ceiling(code=nominal - 1, piled_up=False)


def _peak(coarse: FloatArray) -> int | None:
    """Code value of the pile at the top of a histogram of 256; None without one."""
    piled = np.convolve(coarse, np.ones(3), mode="same")
    width = np.convolve(np.ones(_CODES), np.ones(3), mode="same")
    beyond = np.append(np.cumsum(coarse[::-1])[::-1], np.zeros(_BEYOND))[_BEYOND:]
    tops = (
        (coarse >= sliding_window_view(np.pad(coarse, 3), 7).max(axis=1))
        & (piled >= _LEAST_PILED)
        & (piled >= _PILE * width * _grounds(coarse))
        & (beyond <= np.maximum(_FEW_BEYOND * piled, 2.0))
        & (np.arange(_CODES) > _GROUND[1])
    )
    return int(np.flatnonzero(tops)[-1]) if tops.any() else None


def _grounds(coarse: FloatArray) -> FloatArray:
    """Pixels a code value a little below each, where nothing is clipped if that is a peak; never less than one."""
    near, far = _GROUND
    windows = sliding_window_view(np.pad(coarse, (far, 0)), far - near + 1)[:_CODES]
    return np.asarray(np.maximum(np.median(windows, axis=1), 1.0))
