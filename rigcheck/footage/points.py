"""In and out points: which pictures of a file they leave."""

from dataclasses import dataclass

import numpy as np

from rigcheck.errors import InputError
from rigcheck.footage.pictures import PictureSource
from rigcheck.footage.request import FootagePart
from rigcheck.footage.timecode import TimecodeRate, is_timecode
from rigcheck.footage.video import VideoSource
from rigcheck.model import Finding

__all__ = ["Window", "window"]

_TYPED_S = 0.0005  # seconds are typed to the millisecond


@dataclass(frozen=True, kw_only=True)
class Window:
    """Pictures left by in and out points, both included.

    `in_grid` is the in point in frame periods from the file's first picture: where the picture at that very
    place was dropped, the first picture used lies after it.
    """

    first: int
    last: int
    in_grid: float = 0.0
    findings: tuple[Finding, ...] = ()


def window(part: FootagePart, source: VideoSource | PictureSource) -> Window:
    """Find the pictures between the in and out points of a part.

    Parameters
    ----------
    part : FootagePart
    source : VideoSource or PictureSource

    Returns
    -------
    Window

    Raises
    ------
    InputError
        When the footage has no times, a point lies outside it, or nothing is left in between.

    Notes
    -----
    A timecode is read as the file's own where it lies within the file's timecode, else as counted from the
    file's first picture; which of the two is said as a finding.
    """
    n = len(source.table)
    if part.in_point is None and part.out_point is None:
        return Window(first=0, last=n - 1)
    if isinstance(source, PictureSource) or source.table.times_s is None or source.table.rate is None:
        raise InputError(
            f"{part.text}: these pictures have no times, so in and out points cannot be found.",
            hint="leave the points out, and put the pictures to be used in a folder of their own",
        )
    grid = source.table.grid
    findings: list[Finding] = []
    start = _place(part, part.in_point, source, findings) if part.in_point else 0.0
    end = _place(part, part.out_point, source, findings) if part.out_point else float(grid[-1])
    slack = (
        0.25 if is_timecode(part.in_point or part.out_point or "") else _TYPED_S * float(source.table.rate)
    )
    used = np.flatnonzero((grid >= start - slack) & (grid <= end + slack))
    if not len(used):
        raise InputError(
            f"{part.text}: no picture lies between the in and out points.",
            hint=f"{_range_text(source)}; choose points further apart within it",
        )
    return Window(
        first=int(used[0]),
        last=int(used[-1]),
        in_grid=float(np.ceil(start - slack)),
        findings=tuple(findings),
    )


def _place(part: FootagePart, point: str, source: VideoSource, findings: list[Finding]) -> float:
    """Find a point, in frame periods from the file's first picture."""
    rate = source.table.rate
    if rate is None:
        raise ValueError("frame rate needed")
    last = float(source.table.grid[-1])
    if not is_timecode(point):
        place = float(point) * float(rate)
        if place > last + 1:
            raise _outside(part, point, source)
        return place
    place, note = _timecode_place(part, point, source, last)
    if note not in findings:
        findings.append(note)
    return place


def _timecode_place(part: FootagePart, point: str, source: VideoSource, last: float) -> tuple[float, Finding]:
    rate, own = source.table.rate, source.timecode
    if rate is None:
        raise ValueError("frame rate needed")
    try:
        if own is not None and (place := own.place(point)) <= last + 0.5:
            note = f"in and out points are read as the file's own timecode, from {source.start_timecode} on."
            return float(place), Finding(code="points_by_timecode", sentence=note)
        per_number = 1 if own is None else own.per_number
        elapsed = float(TimecodeRate.of(point, rate / per_number).number(point) * per_number)
    except ValueError as error:
        raise InputError(f"{part.text}: {error}.", hint="correct the in or out point") from error
    if elapsed > last + 1:
        raise _outside(part, point, source)
    note = "in and out points are counted from the file's first picture."
    return elapsed, Finding(code="points_by_time", sentence=note)


def _outside(part: FootagePart, point: str, source: VideoSource) -> InputError:
    return InputError(
        f"{part.text}: the point {point} lies outside the clip.",
        hint=f"{_range_text(source)}; choose a point within it",
    )


def _range_text(source: VideoSource) -> str:
    times = source.table.times_s
    length = 0.0 if times is None else float(times[-1])
    start = f", its timecode starts at {source.start_timecode}" if source.start_timecode else ""
    return f"the clip runs from 0 to {length:.3f} s{start}"
