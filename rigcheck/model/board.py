"""What a calibration board is: its squares, its markers, its print as measured."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rigcheck.model._arrays import FloatArray

__all__ = ["BoardMeasurement", "BoardSpec"]


@dataclass(frozen=True, kw_only=True)
class BoardMeasurement:
    """The print as measured with calipers: two lengths, each across many squares.

    `u_mm` is the standard uncertainty of each length (GUM, k = 1).
    """

    across_mm: float
    across_squares: int
    down_mm: float
    down_squares: int
    u_mm: float


@dataclass(frozen=True, kw_only=True)
class BoardSpec:
    """A board as described by its file.

    `squares` counts squares, (columns, rows), not inner corners. Corner ids run
    row by row: id = row * (columns - 1) + column. The board frame has x along the
    columns, y along the rows (down), z away from the viewer, its origin at the outer
    corner of the top-left square.

    `held_out_length_mm` is the distance from the first inner corner (top left, id 0) to the last
    (bottom right), measured with calipers on the print. It never sets the scale, which comes from
    `measured` or `square_mm`: it is there to be compared with.
    """

    name: str
    kind: Literal["charuco", "checkerboard"]
    squares: tuple[int, int]
    square_mm: float
    marker_mm: float | None = None
    dictionary: str | None = None
    layout: Literal["current", "before_4_6"] = "current"
    measured: BoardMeasurement | None = None
    held_out_length_mm: float | None = None

    @property
    def corner_grid(self) -> tuple[int, int]:
        """Inner corners, (columns, rows)."""
        return self.squares[0] - 1, self.squares[1] - 1

    @property
    def pitch_mm(self) -> tuple[float, float]:
        """Square size along (columns, rows), mm: as measured where it was, else as described."""
        if self.measured is None:
            return self.square_mm, self.square_mm
        across = self.measured.across_mm / self.measured.across_squares
        return across, self.measured.down_mm / self.measured.down_squares

    @property
    def scale_sigma(self) -> float | None:
        """Relative standard uncertainty of the scale; None when the print was not measured.

        Both lengths come from the same calipers, so their errors are taken as fully
        correlated: the mean of the two relative uncertainties.
        """
        if self.measured is None:
            return None
        u = self.measured.u_mm
        return 0.5 * (u / self.measured.across_mm + u / self.measured.down_mm)

    @property
    def corners_mm(self) -> FloatArray:
        """Inner corners, (N, 3) float64, mm, board frame, in id order."""
        columns, rows = self.corner_grid
        pitch_x, pitch_y = self.pitch_mm
        grid = np.zeros((rows, columns, 3))
        grid[..., 0] = pitch_x * np.arange(1, columns + 1)[None, :]
        grid[..., 1] = pitch_y * np.arange(1, rows + 1)[:, None]
        return grid.reshape(-1, 3)
