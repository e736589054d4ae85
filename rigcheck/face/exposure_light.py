"""What a camera's code values say about light, and from which code value on they say nothing more."""

from dataclasses import dataclass

import numpy as np

from rigcheck.geometry.transfer import TRANSFERS, decoded_light
from rigcheck.model import CameraDescription
from rigcheck.model._arrays import FloatArray

__all__ = ["Ceiling", "LightCurve", "ceiling_of", "light_curve"]

# A pile-up at the top of a histogram: at least so many pixels, and so many times those just below it.
_LEAST_PILED, _PILE = 40, 4.0
# Widths of a pile-up that are tried, in 8-bit code values: as the sensor clips, and as lossy coding spreads it.
_WIDTHS = (1, 2, 4, 6)
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
    """From which code value on a pixel counts as clipped; `piled_up` when the pictures themselves show it."""

    code: int
    piled_up: bool


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
        Below the nominal white where the brightest pixels pile up: in video range, after a gain or a curve that ends
        early. Else one code value below the nominal white (below full scale where pictures go beyond it).

    Notes
    -----
    A pile-up holds at least four times as many pixels as the equally wide run of code values below it. Light that
    falls off naturally thins out towards its brightest value and has none.
    """
    full, step = len(counts) - 1, max(2 ** (curve.bit_depth - 8), 1)
    filled = np.flatnonzero(counts)
    if not len(filled):
        return Ceiling(code=int(curve.white) - step, piled_up=False)
    top = int(filled[-1])
    nominal = full if top > curve.white + 3 * step else int(curve.white)
    for width in sorted({1, *(each * step for each in _WIDTHS)}):
        piled = counts[max(top - width + 1, 0) : top + 1].sum()
        below = counts[max(top - 2 * width + 1, 0) : max(top - width + 1, 0)].sum()
        if piled >= _LEAST_PILED and piled >= _PILE * max(below, 1):
            return Ceiling(code=min(top - width + 1, nominal - (1 if top >= nominal else 0)), piled_up=True)
    return Ceiling(code=nominal - 1, piled_up=False)
