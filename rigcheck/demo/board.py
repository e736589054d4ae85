"""The board as a thing in space: its print, its true size, its shape, and the hand that holds it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rigcheck.demo.mount import Canvas, Picture32, pyramid
from rigcheck.model import BoardSpec
from rigcheck.model._arrays import FloatArray
from rigcheck.target import board_picture, picture_from_board_px

__all__ = ["BoardInSpace", "SurfaceShape", "board_in_space", "bow", "saddle"]

SurfaceShape = Callable[[FloatArray, FloatArray], FloatArray]
"""Out-of-plane displacement z (mm, away from the viewer) at board positions x, y (mm)."""

PAPER_SHARE = 0.80  # of the light is given back by white paper
_INK = 0.045


@dataclass(frozen=True, kw_only=True, eq=False)
class BoardInSpace:
    """A board that can be filmed.

    Parameters
    ----------
    spec : BoardSpec
        What the technician believes of it.
    pitch_mm : (float, float)
        True size of a square along columns and rows.
    levels : tuple of (H, W) float32
        The print and what is around it, as a share of light given back; each level half as fine as the last.
    texels_per_mm, origin_texel : (float, float)
        Of the finest level: texel (i, j)'s centre shows board position ((i, j) - origin) / texels_per_mm.
    outlines_mm : tuple of (K, 2) float64
        Closed polygons in the board's plane that hide the background; holes are not possible.
    shape : SurfaceShape or None
        None for a flat board.
    """

    spec: BoardSpec
    pitch_mm: tuple[float, float]
    levels: tuple[Picture32, ...]
    texels_per_mm: tuple[float, float]
    origin_texel: tuple[float, float]
    outlines_mm: tuple[FloatArray, ...]
    shape: SurfaceShape | None = None

    @property
    def size_mm(self) -> tuple[float, float]:
        """(width, height) of the squares' field."""
        return self.spec.squares[0] * self.pitch_mm[0], self.spec.squares[1] * self.pitch_mm[1]

    @property
    def corners_mm(self) -> FloatArray:
        """True inner corners, (N, 3) float64, mm, board frame, in id order."""
        columns, rows = self.spec.corner_grid
        row, column = np.divmod(np.arange(columns * rows), columns)
        return self.on_surface(
            np.stack([(column + 1) * self.pitch_mm[0], (row + 1) * self.pitch_mm[1]], axis=1)
        )

    def on_surface(self, flat_mm: FloatArray) -> FloatArray:
        """Give positions (..., 2) in the board's plane their height: (..., 3), mm, board frame."""
        x, y = flat_mm[..., 0], flat_mm[..., 1]
        z = np.zeros_like(x) if self.shape is None else self.shape(x, y)
        return np.stack([x, y, z], axis=-1)


def bow(size_mm: tuple[float, float], height_mm: float) -> SurfaceShape:
    """Bend a board along its longer side, z = height · (distance from the middle / half the length)².

    Parameters
    ----------
    size_mm : (float, float)
        Width and height of the squares' field.
    height_mm : float
        How far the short edges stand behind the middle line.
    """
    half_x, half_y = size_mm[0] / 2, size_mm[1] / 2
    along_y = half_y >= half_x

    def shape(x: FloatArray, y: FloatArray) -> FloatArray:
        share = (y - half_y) / half_y if along_y else (x - half_x) / half_x
        return np.asarray(height_mm * share**2)

    return shape


def saddle(size_mm: tuple[float, float], height_mm: float) -> SurfaceShape:
    """Twist a board: z = height · product of both distances from the middle, each 1 at its edge."""
    half_x, half_y = size_mm[0] / 2, size_mm[1] / 2

    def shape(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(height_mm * (x - half_x) / half_x * (y - half_y) / half_y)

    return shape


def board_in_space(
    spec: BoardSpec,
    *,
    texels_per_mm: float = 12.0,
    pitch_mm: tuple[float, float] | None = None,
    shape: SurfaceShape | None = None,
    held: bool = False,
) -> BoardInSpace:
    """Print a board and mount it on a dark plate.

    Parameters
    ----------
    spec : BoardSpec
    texels_per_mm : float
        Fineness wanted of the print; rounded so that a square has a whole number of texels.
    pitch_mm : (float, float), optional
        True size of a square; by default what `spec` says.
    shape : SurfaceShape, optional
        Out-of-plane shape; by default flat.
    held : bool
        Add a hand that holds the plate from below, its thumb over the edge of the print.
    """
    pitch = spec.pitch_mm if pitch_mm is None else pitch_mm
    print_white = board_picture(spec, px_per_mm=texels_per_mm).astype(np.float32) / np.float32(255)
    origin = picture_from_board_px(spec, np.zeros((1, 2)), px_per_mm=texels_per_mm)[0]
    fine = (texels_per_mm * spec.square_mm / pitch[0], texels_per_mm * spec.square_mm / pitch[1])
    reflectance = (_INK + (PAPER_SHARE - _INK) * print_white).astype(np.float32)
    canvas = Canvas(reflectance, origin_texel=(origin[0], origin[1]), texels_per_mm=fine, held=held)
    return BoardInSpace(
        spec=spec,
        pitch_mm=pitch,
        levels=pyramid(canvas.image),
        texels_per_mm=fine,
        origin_texel=canvas.origin_texel,
        outlines_mm=canvas.outlines_mm,
        shape=shape,
    )
