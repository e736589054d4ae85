"""The board poses to film next, as small line drawings of each camera's picture with words beside them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from rigcheck.geometry.projection import intrinsics_vector, project
from rigcheck.model import CalibrationRun, CameraModel, CheckResult, RigidTransform, WantedView
from rigcheck.model._arrays import FloatArray
from rigcheck.report.figures import ACCENT, GREYS, INK, figure_of, picture_axes, strokes, to_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["WantedDrawing", "WantedPart", "wanted_parts"]

_WIDTH_IN = 1.7
_PIECES = 6
# Harm on the face, spread of tilts, coverage of the picture: what more views would mend.
_ASKING = frozenset({"CAL01", "CAL06", "CAL07"})


@dataclass(frozen=True, kw_only=True)
class WantedDrawing:
    """One camera's picture with the board where it is wanted."""

    camera: str
    svg: Markup


@dataclass(frozen=True, kw_only=True)
class WantedPart:
    """One wanted view on the page: a drawing a camera, the words, the gain in mm."""

    words: str
    before: str
    after: str
    drawings: tuple[WantedDrawing, ...]


def wanted_parts(checks: Sequence[CheckResult], run: CalibrationRun) -> tuple[WantedPart, ...]:
    """Draw the views to film next.

    Parameters
    ----------
    checks : sequence of CheckResult
    run : CalibrationRun

    Returns
    -------
    tuple of WantedPart
        Empty when there are none, and when no check asks for more views: neither harm on the face, tilts nor
        coverage is short of passing, and no check's action names the first of them.
    """
    if not any(_asks(check, run.wanted_views) for check in checks):
        return ()
    return tuple(_part(run, number, one) for number, one in enumerate(run.wanted_views, start=1))


def _asks(check: CheckResult, wanted: Sequence[WantedView]) -> bool:
    if not wanted or check.status == "pass":
        return False
    return (check.code in _ASKING and check.status != "skipped") or wanted[0].words in check.action


def _part(run: CalibrationRun, number: int, wanted: WantedView) -> WantedPart:
    drawings = []
    for index, calibrated in enumerate(run.calibration.cameras):
        pose = wanted.camera1_from_board
        stereo = run.calibration.stereo
        if index == 1 and stereo is not None:
            pose = RigidTransform(
                rotation=stereo.camera2_from_camera1.rotation @ pose.rotation,
                translation_mm=stereo.camera2_from_camera1.apply(pose.translation_mm),
            )
        svg = _drawing(run, calibrated.camera, pose, wanted.outlines_px[index], salt=f"next{number}-{index}")
        drawings.append(WantedDrawing(camera=calibrated.camera.name, svg=svg))
    return WantedPart(
        words=wanted.words[:1].upper() + wanted.words[1:],
        before=f"{wanted.depth_before_mm:.3f}",
        after=f"{wanted.depth_after_mm:.3f} mm",
        drawings=tuple(drawings),
    )


def _drawing(
    run: CalibrationRun, camera: CameraModel, pose: RigidTransform, outline_px: FloatArray, *, salt: str
) -> Markup:
    from matplotlib.patches import PathPatch, Polygon

    board = run.calibration.board
    (columns, rows), pitch = board.squares, np.array(board.pitch_mm)
    width, height = camera.image_size_px

    def at(squares: FloatArray) -> FloatArray:
        """Pixels of places on the board, given in squares from its top left corner."""
        flat = np.column_stack([squares * pitch, np.zeros(len(squares))])
        return project(pose.apply(flat), intrinsics_vector(camera), camera.model)

    with figure_of(_WIDTH_IN, _WIDTH_IN * height / width, salt=salt) as figure:
        axes = picture_axes(figure, camera.image_size_px)
        axes.add_patch(Polygon(outline_px, facecolor=GREYS[1], edgecolor="none"))
        starts, ends = _grid(columns, rows)
        axes.add_patch(PathPatch(strokes(at(starts), at(ends)), edgecolor=GREYS[3], linewidth=0.5))
        axes.add_patch(Polygon(outline_px, facecolor="none", edgecolor=INK, linewidth=0.9))
        top = outline_px[: len(outline_px) // 4 + 1]
        axes.plot(*top.T, color=ACCENT, linewidth=2.6, solid_capstyle="butt")
        middle = np.array([0.5 * columns, 0.5 * rows])
        arrow = at(middle + rows * np.array([[0.0, 0.14], [0.0, -0.22]]))
        axes.add_patch(
            PathPatch(strokes(arrow[:1], arrow[1:], head=0.3), edgecolor=ACCENT, linewidth=1.6, fill=False)
        )
        _mark_near(axes, pose, middle, at)
        return to_svg(figure)


def _grid(columns: int, rows: int) -> tuple[FloatArray, FloatArray]:
    """Short pieces of the lines between the squares, so that they bend as the lens bends them."""
    starts, ends = [], []
    for count, length, swap in ((columns, rows, False), (rows, columns, True)):
        stations = np.linspace(0.0, length, _PIECES + 1)
        for line in range(1, count):
            along = np.column_stack([np.full(len(stations), float(line)), stations])
            along = along[:, ::-1] if swap else along
            starts.append(along[:-1])
            ends.append(along[1:])
    return np.concatenate(starts), np.concatenate(ends)


def _mark_near(
    axes: "Axes", pose: RigidTransform, middle: FloatArray, at: Callable[[FloatArray], FloatArray]
) -> None:
    """Write "near" where a tilted board is nearest, just inside its edge."""
    deeper = pose.rotation[2, :2]
    steep = float(np.hypot(*deeper))
    if steep < np.sin(np.radians(8.0)):
        return
    direction = -deeper / steep
    reach = 0.74 * float(np.min(middle / np.maximum(np.abs(direction), 1e-9)))
    x, y = at(np.array([middle + reach * direction]))[0]
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    x = min(max(x, left + 0.14 * (right - left)), right - 0.14 * (right - left))
    y = min(max(y, top + 0.06 * (bottom - top)), bottom - 0.06 * (bottom - top))
    axes.text(
        x, y, "near", ha="center", va="center", color=INK, fontsize=8.0,
        bbox={"facecolor": GREYS[0], "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
