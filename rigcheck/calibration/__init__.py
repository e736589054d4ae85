"""From corners seen to a calibration: start, lens model, joint solution, uncertainty, meaning on the face."""

from rigcheck.calibration.run import calibration_run
from rigcheck.calibration.solve import MIN_VIEWS, Solution, solve
from rigcheck.calibration.start import LENSES, Lens
from rigcheck.geometry.board_views import MIN_CORNERS, CameraSetup, View

__all__ = [
    "LENSES",
    "MIN_CORNERS",
    "MIN_VIEWS",
    "CameraSetup",
    "Lens",
    "Solution",
    "View",
    "calibration_run",
    "solve",
]
