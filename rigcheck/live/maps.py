"""Focus and light laid over the page's picture: transparent PNG, hatched so that it can be read without colour."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.checks import Limits
from rigcheck.face.exposure_highlights import outlines_px
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.focus_moment import FocusMoment
from rigcheck.face.focus_run import FocusRun
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2
from rigcheck.report.exposure_pictures import dark_skin
from rigcheck.report.focus_pictures import SPACING, region_states

__all__ = ["focus_map", "light_map"]

_WHITE, _BLACK = (255, 255, 255, 235), (0, 0, 0, 170)
# Hatching of the report's maps stands on 460 px; here the face may be larger.
_STRETCH = 2.0
_DOT_PX, _DARK_PX, _DASH_PX = 7, 9, 12


class _Sheet:
    """A transparent picture of the size of the page's, drawn on with points of the picture as recorded."""

    def __init__(self, recorded_px: tuple[int, int], turn_deg: int, height_px: int) -> None:
        width, height = upright_size(recorded_px, turn_deg)
        self._scale = height_px / height
        self._recorded_px, self._turn_deg = recorded_px, turn_deg
        size = (height_px, max(round(width * self._scale), 1))
        self.rgba: NDArray[np.uint8] = np.zeros((*size, 4), dtype=np.uint8)
        self._down, self._across = np.mgrid[: size[0], : size[1]]

    def png(self) -> bytes:
        return cv2.imencode(".png", self.rgba, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()

    def lines(self, polygons: Sequence[FloatArray], step_px: float) -> None:
        """Hatch with slanting lines this far apart, and outline."""
        inside = self._inside(polygons)
        place = (self._down + 0.6 * self._across) % (_STRETCH * step_px)
        self._paint(inside & (place < 3.0), inside & (place < 1.5))
        self._outline(polygons)

    def dashes(self, polygons: Sequence[FloatArray]) -> None:
        """Outline with dashes, without hatching."""
        kept = (self._down + self._across) % (2 * _DASH_PX) < _DASH_PX
        self._outline(polygons, kept)

    def dots(self, polygons: Sequence[FloatArray]) -> None:
        """Fill with dots, and outline."""
        inside = self._inside(polygons)
        off = np.hypot(self._down % _DOT_PX - _DOT_PX // 2, self._across % _DOT_PX - _DOT_PX // 2)
        self._paint(inside & (off < 2.6), inside & (off < 1.5))
        self._outline(polygons)

    def levels(self, polygons: Sequence[FloatArray]) -> None:
        """Fill with level lines."""
        inside = self._inside(polygons)
        place = self._down % _DARK_PX
        self._paint(inside & (place < 3), inside & (place == 1))

    def _paint(self, under: BoolArray, over: BoolArray) -> None:
        self.rgba[under] = _BLACK
        self.rgba[over] = _WHITE

    def _pixels(self, polygons: Sequence[FloatArray]) -> list[NDArray[np.int32]]:
        out = []
        for polygon in polygons:
            upright = upright_points(polygon, self._recorded_px, self._turn_deg)
            out.append(np.rint((upright + 0.5) * self._scale - 0.5).astype(np.int32))
        return out

    def _inside(self, polygons: Sequence[FloatArray]) -> BoolArray:
        mask = np.zeros(self.rgba.shape[:2], dtype=np.uint8)
        cv2.fillPoly(mask, self._pixels(polygons), 1)
        return np.asarray(mask > 0)

    def _outline(self, polygons: Sequence[FloatArray], kept: BoolArray | None = None) -> None:
        under, over = (np.zeros(self.rgba.shape[:2], dtype=np.uint8) for _ in range(2))
        cv2.polylines(under, self._pixels(polygons), isClosed=True, color=1, thickness=5)
        cv2.polylines(over, self._pixels(polygons), isClosed=True, color=1, thickness=2)
        shown = np.ones(under.shape, dtype=np.bool_) if kept is None else kept
        self._paint((under > 0) & shown, (over > 0) & shown)


def focus_map(
    run: FocusRun, limits: Limits, moment: FocusMoment, *, camera: str, turn_deg: int, height_px: int
) -> bytes:
    """Hatch each region: dense lines where it is sharp, wide where soft, widest where very soft; dashed: not told.

    Parameters
    ----------
    run : FocusRun
        The steady numbers, which say how sharp each region is.
    limits : Limits
    moment : FocusMoment
        The newest, which says where they are.
    camera : str
    turn_deg : int
        Clockwise, to stand upright.
    height_px : int
        Of the page's upright picture.

    Returns
    -------
    bytes
        PNG with transparency.
    """
    sheet = _Sheet(moment.size_px, turn_deg, height_px)
    states = region_states(run, limits, camera)
    for name, outlines in moment.outlines.items():
        step = SPACING.get(states[name])
        if step is None:
            sheet.dashes(outlines)
        else:
            sheet.lines(outlines, step)
    return sheet.png()


def light_map(
    moment: ExposureMoment,
    curve: LightCurve,
    recorded: NDArray[np.uint8],
    *,
    caution_stops: float,
    turn_deg: int,
    height_px: int,
) -> bytes:
    """Dots over blown skin, level lines over skin so dark that its noise is past the limit.

    Parameters
    ----------
    moment : ExposureMoment
    curve : LightCurve
    recorded : (H, W) uint8
        The moment's picture as recorded, grey.
    caution_stops : float
        From which noise on skin is dark.
    turn_deg, height_px
        As of `focus_map`.
    """
    sheet = _Sheet(moment.size_px, turn_deg, height_px)
    layout = moment.layout
    if layout is None:
        return sheet.png()
    dark = dark_skin(curve, moment, recorded, caution_stops)
    if dark is not None and dark.any():
        sheet.levels(_polygons(outlines_px(dark, layout)))
    for highlight in moment.highlights.on_skin:
        sheet.dots(_polygons(highlight.outlines_px(layout)))
    return sheet.png()


def _polygons(outlines: FloatArray) -> list[FloatArray]:
    """Outlines parted by rows of NaN, one by one."""
    gaps = np.flatnonzero(np.isnan(outlines[:, 0]))
    pieces = np.split(outlines, gaps)
    kept = [piece[~np.isnan(piece[:, 0])] for piece in pieces]
    return [piece for piece in kept if len(piece) >= 3]
