"""Detail of skin and hair as tiles that repeat, in several finenesses, laid on the face by its texture coordinates.

The tiles are the same for everybody; a performer's seed lays them in another place. They are fixed to the
surface, so both cameras see the same pores in the same place.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.opencv import cv2

__all__ = [
    "HAIR_TEXEL_MM",
    "MIDDLE_MM",
    "SKIN_TEXEL_MM",
    "TEXTURE_MM",
    "Placing",
    "Tile",
    "broad_tile",
    "hair_tile",
    "read_tile",
    "skin_tile",
]

Float32 = NDArray[np.float32]

_SIDE = 1024
TEXTURE_MM = 1000.0  # of one unit of texture coordinates, about the same all over the face
MIDDLE_MM = 482.9  # texture position across, of the middle of the face
_LEVELS = 5
_WIDE = 1024  # columns into which a list of places is folded: the reader wants a picture
SKIN_TEXEL_MM = 0.07
HAIR_TEXEL_MM = 0.05
# Two levels are blended so that detail of this many cycles a pixel comes out as from the Gaussian between them.
_EXACT_AT = 0.25
_DECAY = -2 * np.pi**2 * _EXACT_AT**2


@dataclass(frozen=True, kw_only=True, eq=False)
class Tile:
    """A square that repeats: `levels` (L (side + 1), side + 1, C), one below the other, each twice as smooth."""

    levels: Float32
    texel_mm: float


@dataclass(frozen=True, kw_only=True)
class Placing:
    """How a tile lies on the face: shifted in mm, turned in degrees, magnified."""

    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    magnified: float = 1.0


def _noise(rng: np.random.Generator, smallest: float, largest: float, side: int = _SIDE) -> Float32:
    """Noise that repeats, unit variance, wavelengths between two numbers of texels, equal power per octave."""
    spectrum = np.fft.rfft2(rng.standard_normal((side, side)))
    rows, columns = np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :]
    frequency = np.hypot(rows, columns)
    with np.errstate(divide="ignore"):
        shape = np.where((frequency >= 1 / largest) & (frequency <= 1 / smallest), 1 / frequency, 0.0)
    field = np.fft.irfft2(spectrum * np.where(np.isfinite(shape), shape, 0.0), s=(side, side))
    return np.asarray(field / field.std(), dtype=np.float32)


def _levels(finest: Float32) -> Float32:
    """Smooth twice as wide from level to level; a row and a column repeat, for reading between texels."""
    levels = []
    for level in range(_LEVELS):
        sigma = float(np.sqrt(_variance(np.array(level, dtype=np.float32))))
        if level:
            wrapped = cv2.copyMakeBorder(finest, 64, 64, 64, 64, cv2.BORDER_WRAP)
            smooth = cv2.GaussianBlur(wrapped, (0, 0), sigma)[64:-64, 64:-64]
        else:
            smooth = finest
        levels.append(np.pad(smooth, ((0, 1), (0, 1), (0, 0)), mode="wrap"))
    stacked = np.concatenate(levels).astype(np.float32)
    stacked.setflags(write=False)
    return stacked


def _variance(level: Float32) -> Float32:
    """Of the Gaussian that a level is smoothed by, texel²."""
    return np.asarray((np.float32(4) ** level - 1) / 4, dtype=np.float32)


@lru_cache(maxsize=1)
def skin_tile() -> Tile:
    """Make the skin's detail, 72 mm square: pores and furrows, mottling, freckles.

    Channels: relative change of reflectance (unit standard deviation), slope of the surface along and across
    (rise over run at unit relief), freckles 0–1.
    """
    rng = np.random.default_rng([81, 1])
    furrows = -np.abs(_noise(rng, 5.0, 16.0)) - 0.6 * np.abs(_noise(rng, 9.0, 30.0))
    pores = np.maximum(_noise(rng, 9.0, 22.0) - 1.7, 0.0)
    height = furrows - 1.6 * pores
    height -= height.mean()
    height /= height.std()
    colour = 0.55 * _noise(rng, 3.0, 12.0) + 0.55 * _noise(rng, 12.0, 60.0) + 0.5 * _noise(rng, 60.0, 400.0)
    colour += 0.35 * height - 0.8 * pores
    colour = (colour - colour.mean()) / colour.std()
    slope_x = (np.roll(height, -1, axis=1) - np.roll(height, 1, axis=1)) / 2
    slope_y = (np.roll(height, -1, axis=0) - np.roll(height, 1, axis=0)) / 2
    spots = np.clip(1.6 * (_noise(rng, 10.0, 40.0) - 1.1), 0.0, 1.0)
    return Tile(levels=_levels(np.stack([colour, slope_x, slope_y, spots], axis=-1)), texel_mm=SKIN_TEXEL_MM)


@lru_cache(maxsize=1)
def broad_tile() -> Tile:
    """The change of reflectance of :func:`skin_tile` alone, without smoother levels: to be read magnified."""
    finest = skin_tile().levels[: _SIDE + 1, :, :1]
    return Tile(levels=np.ascontiguousarray(finest), texel_mm=SKIN_TEXEL_MM)


@lru_cache(maxsize=1)
def hair_tile() -> Tile:
    """Make hairs, 51 mm square, 0–1: long ones along the first axis, and short stubble. Two channels."""
    rng = np.random.default_rng([81, 2])
    strokes = np.zeros((_SIDE, _SIDE), dtype=np.float32)
    dots = np.zeros((_SIDE, _SIDE), dtype=np.float32)
    for _ in range(2600):
        start = rng.uniform(0, _SIDE, 2)
        angle, length = rng.normal(0.0, 0.32), rng.uniform(70, 150)
        bend = start + 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
        angle += rng.normal(0.25, 0.2)
        end = bend + 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
        _line(strokes, np.stack([start, bend, end]), 1)
    for _ in range(5200):
        start = rng.uniform(0, _SIDE, 2)
        angle = rng.uniform(0, np.pi)
        step = rng.uniform(2, 9) * np.array([np.cos(angle), np.sin(angle)])
        _line(dots, np.stack([start, start + step]), 3)
    both = np.stack([cv2.GaussianBlur(strokes, (0, 0), 0.7), cv2.GaussianBlur(dots, (0, 0), 0.9)], axis=-1)
    return Tile(levels=_levels(np.clip(both, 0, 1)), texel_mm=HAIR_TEXEL_MM)


def _line(picture: Float32, points: NDArray[np.float64], thickness: int) -> None:
    """Draw a stroke that goes on at the other side where it leaves the tile."""
    low, high = points.min(axis=0), points.max(axis=0)
    for shift_x in (0, _SIDE, -_SIDE):
        for shift_y in (0, _SIDE, -_SIDE):
            shift = np.array([shift_x, shift_y])
            if ((high + shift < -8) | (low + shift > _SIDE + 8)).any():
                continue
            fixed = np.rint((points + shift) * 16).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(picture, [fixed], False, 1.0, thickness, cv2.LINE_8, 4)


def read_tile(
    tile: Tile, x_mm: Float32, y_mm: Float32, texels_a_pixel: Float32 | None, *, placing: Placing
) -> Float32:
    """Read a tile at places (m,), smoothed as far as a pixel there is wide: (C, m) float32.

    Parameters
    ----------
    tile : Tile
    x_mm, y_mm : (m,) float32, mm along the texture
    texels_a_pixel : (m,) float32 or None
        Unmagnified texels that a pixel spans: the detail is smoothed by a Gaussian of half of it, between two levels by
        blending. None reads the finest.
    placing : Placing
    """
    turn = np.deg2rad(placing.turn_deg)
    scale = 1.0 / (tile.texel_mm * placing.magnified)
    cos, sin = np.float32(np.cos(turn) * scale), np.float32(np.sin(turn) * scale)
    x = x_mm * cos - y_mm * sin + np.float32(placing.shift_mm[0] * scale)
    y = x_mm * sin + y_mm * cos + np.float32(placing.shift_mm[1] * scale)
    x -= np.float32(_SIDE) * np.floor(x * np.float32(1 / _SIDE))
    y -= np.float32(_SIDE) * np.floor(y * np.float32(1 / _SIDE))
    if texels_a_pixel is None:
        return _read(tile, x, y)
    width = np.maximum(texels_a_pixel, np.float32(0.82))
    # Reading between texels smooths too, by a variance of 1/6 texel²: taken off what the levels are to do.
    variance = width * width / np.float32(4) - np.float32(1 / 6)
    level = np.minimum(np.log2(4 * variance + 1) / 2, np.float32(_LEVELS - 1.001))
    lower = np.floor(level)
    decay, below = np.float32(_DECAY) / (width * width), _variance(lower)
    lost, most = (np.expm1(decay * (each - below)) for each in (variance, _variance(lower + 1)))
    share = np.clip(lost / most, 0, 1)
    y += lower * np.float32(_SIDE + 1)
    low = _read(tile, x, y)
    high = _read(tile, x, y + np.float32(_SIDE + 1))
    high -= low
    high *= share
    high += low
    return high


def _read(tile: Tile, x: Float32, y: Float32) -> Float32:
    """Read the stacked levels at texel positions (m,): (C, m)."""
    count = len(x)
    rows = -(-count // _WIDE)
    maps = np.zeros((2, rows * _WIDE), dtype=np.float32)
    maps[0, :count], maps[1, :count] = x, y
    across, down = maps.reshape(2, rows, _WIDE)
    read = cv2.remap(tile.levels, across, down, cv2.INTER_LINEAR)
    return np.ascontiguousarray(read.reshape(rows * _WIDE, -1)[:count].T, dtype=np.float32)
