"""Each camera's frame drawn upright: centre lines, thirds, measured points as crosses, margins with numbers."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.fitting_run import FittingRun
from rigcheck.face.framing import CameraFraming
from rigcheck.model import FACE_POINTS, Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2
from rigcheck.report.view_pictures import jpeg_data_uri

__all__ = ["FrameFigure", "Line", "Mark", "Number", "frame_figures"]

_WIDEST_PX = 640
_CROSS = 0.011
# A face darker than this code value is shown as a linear picture is coded for the eye.
_DARK_FACE, _GAMMA = 70.0, 2.2
_MINUS = "\u2212"
_NAMES = {name: name.replace("_", " ") for name in FACE_POINTS}


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A small cross as SVG path data, and the point's name."""

    path: str
    name: str


@dataclass(frozen=True, kw_only=True)
class Line:
    """A measured distance as SVG path data; `dashed` where it is predicted."""

    path: str
    dashed: bool = False


@dataclass(frozen=True, kw_only=True)
class Number:
    """Text at a place of the drawing."""

    x: float
    y: float
    text: str
    anchor: str = "start"


@dataclass(frozen=True, kw_only=True)
class FrameFigure:
    """One camera's frame, ready for the page; paths are in its own pixels.

    `data_uri` is empty where no picture may be shown; `lifted` says that a dark one is shown brighter than recorded.
    """

    camera: str
    label: str
    data_uri: str
    width: int
    height: int
    centre: str
    thirds: str
    marks: tuple[Mark, ...]
    base: str
    lines: tuple[Line, ...]
    numbers: tuple[Number, ...]
    boxes: tuple[tuple[float, float, float, float], ...]
    description: str
    lifted: bool = False


def frame_figures(run: FittingRun) -> tuple[FrameFigure, ...]:
    """Draw the frame of every camera.

    Parameters
    ----------
    run : FittingRun
        Cameras without a picture are drawn on an even grey.
    """
    return tuple(_figure(run, framing) for framing in run.cameras)


def _figure(run: FittingRun, framing: CameraFraming) -> FrameFigure:
    picture = run.pictures.get(framing.name)
    full_width, full_height = framing.size_px
    scale = min(_WIDEST_PX / max(framing.size_px), 1.0)
    width, height = max(round(full_width * scale), 1), max(round(full_height * scale), 1)
    numbers = {
        name.removeprefix(f"framing.{framing.name}."): estimate
        for name, estimate in run.measurements.items()
        if name.startswith(f"framing.{framing.name}.")
    }
    place = _Place(scale=scale, width=width, height=height)
    lines, texts = _margins(framing, numbers, place)
    known = {name: framing.face.point(name) for name in FACE_POINTS if framing.face.has(name)}
    lifted = picture is not None and _is_dark(picture, framing.face.points_px)
    return FrameFigure(
        camera=framing.name,
        label=framing.face.ref.label,
        data_uri="" if picture is None else jpeg_data_uri(_small(picture, (width, height), lifted=lifted)),
        lifted=lifted,
        width=width,
        height=height,
        centre=f"M{width / 2:.1f} 0V{height}M0 {height / 2:.1f}H{width}",
        thirds="".join(f"M{width * k / 3:.1f} 0V{height}M0 {height * k / 3:.1f}H{width}" for k in (1, 2)),
        marks=tuple(Mark(path=place.cross(point), name=_NAMES[name]) for name, point in known.items()),
        base=_base(framing, place),
        lines=lines,
        numbers=texts,
        boxes=tuple(_box(box, scale) for box in run.covers[framing.name].boxes_px),
        description=_description(framing.name, numbers),
    )


@dataclass(frozen=True, kw_only=True)
class _Place:
    """From pixels of the upright picture to the drawing's."""

    scale: float
    width: int
    height: int

    def at(self, point_px: FloatArray) -> FloatArray:
        """A point in the drawing: pixel centres lie half a pixel in."""
        return np.asarray((point_px + 0.5) * self.scale)

    def cross(self, point_px: FloatArray, times: float = 1.0) -> str:
        """Path of a cross."""
        x, y = self.at(point_px)
        arm = times * _CROSS * max(self.width, self.height)
        return f"M{x - arm:.1f} {y:.1f}h{2 * arm:.1f}M{x:.1f} {y - arm:.1f}v{2 * arm:.1f}"


def _is_dark(picture: NDArray[np.uint8], points_px: FloatArray) -> bool:
    """Whether the median grey within the measured points is dark, as of linear pictures."""
    known = points_px[np.isfinite(points_px).all(axis=1)]
    if not len(known):
        return False
    (x0, y0), (x1, y1) = np.maximum(known.min(axis=0), 0).astype(int), known.max(axis=0).astype(int) + 1
    face = picture[y0:y1, x0:x1]
    return bool(face.size) and float(np.median(face)) < _DARK_FACE


def _small(picture: NDArray[np.uint8], size: tuple[int, int], *, lifted: bool) -> NDArray[np.uint8]:
    small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if not lifted:
        return small
    tones = np.rint(255.0 * (np.arange(256) / 255.0) ** (1.0 / _GAMMA)).astype(np.uint8)
    return np.asarray(tones[small])


def _base(framing: CameraFraming, place: _Place) -> str:
    """The nostril base as a larger cross, joined to the picture's centre."""
    point = framing.face.nostril_base_px
    if not np.isfinite(point).all():
        return ""
    x, y = place.at(point)
    return f"{place.cross(point, 2.2)}M{x:.1f} {y:.1f}L{place.width / 2:.1f} {place.height / 2:.1f}"


def _margins(
    framing: CameraFraming, numbers: Mapping[str, Estimate], place: _Place
) -> tuple[tuple[Line, ...], tuple[Number, ...]]:
    lines: list[Line] = []
    texts: list[Number] = []
    chin = framing.face.chin_px
    if np.isfinite(chin).all():
        x, y = place.at(chin)
        lines.append(Line(path=f"M{x:.1f} {y:.1f}V{place.height}"))
        texts.append(
            Number(
                x=x + 5,
                y=float(np.clip(y - 4, 12, place.height - 22)),
                text=f"chin {_px(numbers, 'chin_margin_px')}",
            )
        )
        lines += _open_jaw(x, numbers, place, texts, predicted=framing.jaw_from == "predicted")
    for name, text, anchor, x in (
        ("side_margin_right_px", "right", "start", 4.0),
        ("side_margin_left_px", "left", "end", place.width - 4.0),
    ):
        value = numbers[name].value
        if value is None:
            continue
        reach = float(np.clip(value * place.scale, 0, place.width))
        y = 0.56 * place.height
        start = 0.0 if anchor == "start" else place.width - reach
        lines.append(Line(path=f"M{start:.1f} {y:.1f}h{reach:.1f}"))
        texts.append(Number(x=x, y=y - 5, text=f"{text} {_px(numbers, name)}", anchor=anchor))
    above = numbers["forehead_margin_px"].value
    if above is not None:
        reach = float(np.clip(above * place.scale, 0, place.height))
        x = 0.5 * place.width
        lines.append(Line(path=f"M{x:.1f} 0v{reach:.1f}"))
        texts.append(Number(x=x + 5, y=14, text=f"forehead {_px(numbers, 'forehead_margin_px')}"))
    return tuple(lines), tuple(texts)


def _open_jaw(
    x: float, numbers: Mapping[str, Estimate], place: _Place, texts: list[Number], *, predicted: bool
) -> list[Line]:
    """Where the chin of the open jaw is, or will be, with the width of two sigmas; beyond the edge it is said."""
    margin = numbers["jaw_open_margin_px"]
    if margin.value is None:
        return []
    y = place.height - margin.value * place.scale
    shown = float(np.clip(y, 4, place.height - 4))
    reach = 2.0 * (margin.sigma or 0.0) * place.scale
    top, bottom = (float(np.clip(each, 0, place.height)) for each in (y - reach, y + reach))
    arm = 0.12 * place.width
    word = "open jaw, predicted" if predicted else "open jaw, seen"
    texts.append(
        Number(x=4.0, y=min(shown - 5, place.height - 6), text=f"{word} {_px(numbers, 'jaw_open_margin_px')}")
    )
    return [
        Line(path=f"M{x - arm:.1f} {shown:.1f}h{2 * arm:.1f}", dashed=predicted),
        Line(path=f"M{x - arm / 2:.1f} {top:.1f}V{bottom:.1f}", dashed=predicted),
    ]


def _px(numbers: Mapping[str, Estimate], name: str) -> str:
    found = numbers[name]
    if found.value is None:
        return "not known"
    sigma = "" if not found.sigma else f" ± {found.sigma:.0f}"
    return f"{found.value:.0f}{sigma} px".replace("-", _MINUS)


def _box(box: tuple[float, float, float, float], scale: float) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = (value * scale for value in box)
    return round(x0, 1), round(y0, 1), round(x1 - x0, 1), round(y1 - y0, 1)


def _description(camera: str, numbers: Mapping[str, Estimate]) -> str:
    across, down = (_px(numbers, f"nostril_offset_{axis}_px") for axis in "xy")
    return (
        f"Upright frame of camera {camera} with centre lines and thirds. Nostril base {across} to the right "
        f"of and {down} below the centre; below the chin {_px(numbers, 'chin_margin_px')}, with the jaw open "
        f"{_px(numbers, 'jaw_open_margin_px')}."
    )
