"""The report of the frames picked, as one self-contained HTML page."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.checks.core import written
from rigcheck.checks.picks_words import why_none
from rigcheck.face.picks_rows import rows_sentence
from rigcheck.face.picks_run import PicksRun
from rigcheck.model import FrameRef, Report
from rigcheck.model.picking import Pick, PoseChoice, RejectedMoment
from rigcheck.report.numbers import format_number
from rigcheck.report.page import page_environment, report_parts
from rigcheck.report.picks_course import course_figure
from rigcheck.report.view_pictures import jpeg_data_uri

__all__ = ["ShownPick", "picks_page"]

_TITLES = {"neutral": "Neutral", "bite": "Bite", "side": "Side view"}
_MOST_REJECTED = 12


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownPick:
    """A pick or an alternate as page and sheet show it: small upright grey pictures by camera."""

    pick: Pick
    rank: int
    alternate: bool
    pictures: Mapping[str, NDArray[np.uint8]]

    @property
    def pose(self) -> str:
        """Of the pick."""
        return self.pick.pose


_Pictures = Mapping[tuple[str, bool, int], Mapping[str, NDArray[np.uint8]]]


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One moment of the ranked table."""

    label: str
    alternate: bool
    frames: str
    timecode: str
    score: str
    reasons: tuple[str, ...]
    pictures: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class _Pose:
    """One pose on the page."""

    title: str
    rows: tuple[_Row, ...]
    why_none: str
    rejected: tuple[tuple[str, str], ...]
    n_rejected: int
    commonest: str


def picks_page(report: Report, run: PicksRun, shown: Sequence[ShownPick] = ()) -> str:
    """Write the page.

    Parameters
    ----------
    report : Report
    run : PicksRun
    shown : sequence of ShownPick
        Pictures of picks and alternates; none when the page may not show the performer.

    Returns
    -------
    str
        No script, no address outside the page; everything from outside is escaped.
    """
    pictures = {(one.pose, one.alternate, one.rank): one.pictures for one in shown}
    more = {"bite": tuple(rows_sentence(camera, rows) for camera, rows in run.rows.items())}
    poses = tuple(_pose(choice, pictures, more.get(choice.pose, ())) for choice in run.outcome.choices)
    template = page_environment().get_template("picks.html.j2")
    return template.render(
        report_parts(report)
        | {
            "run": run,
            "poses": poses,
            "course": course_figure(run.course, _marks(run), salt="course"),
            "shown": bool(shown),
        }
    )


def _pose(choice: PoseChoice, pictures: _Pictures, more: Sequence[str]) -> _Pose:
    """One pose; `more` is said of the first pick."""
    rows: list[_Row] = []
    for alternate, moments in ((False, choice.picks), (True, choice.alternates)):
        for rank, pick in enumerate(moments, start=1):
            row = _row(pick, rank, alternate, pictures.get((choice.pose, alternate, rank), {}))
            rows.append(row if rows else replace(row, reasons=(*more, *row.reasons)))
    counts = Counter(fault.code for moment in choice.rejected for fault in moment.faults)
    rejected = [
        (
            _where(moment),
            written("; ".join(f.sentence for f in moment.faults)),
        )
        for moment in sorted(choice.rejected, key=lambda each: each.reading.frame_idx)
    ]
    step = max(-(-len(rejected) // _MOST_REJECTED), 1)
    return _Pose(
        title=_TITLES[choice.pose],
        rows=tuple(rows),
        why_none=why_none(choice.missing),
        rejected=tuple(rejected[::step]),
        n_rejected=len(rejected),
        commonest=", ".join(f"{why_none([code])} ({count})" for code, count in counts.most_common(4)),
    )


def _row(pick: Pick, rank: int, alternate: bool, pictures: Mapping[str, NDArray[np.uint8]]) -> _Row:
    frames = ", ".join(f"{ref.camera} {ref.frame_idx}" for ref in pick.reading.refs)
    return _Row(
        label=f"Alternate {rank}" if alternate else f"Pick {rank}",
        alternate=alternate,
        frames=frames,
        timecode=pick.timecode or "",
        score=format_number(pick.score, 2),
        reasons=tuple(
            written(reason.sentence) for reason in sorted(pick.reasons, key=lambda each: each.score)
        ),
        pictures=tuple((camera, jpeg_data_uri(picture)) for camera, picture in pictures.items()),
    )


def _where(moment: RejectedMoment) -> str:
    if moment.span is None:
        return _frame(moment.reading.ref)
    return f"{_frame(moment.span[0])} to {_frame(moment.span[1])}, seen in passing"


def _frame(ref: FrameRef) -> str:
    return f"{ref.frame_idx} ({ref.timecode})" if ref.timecode else str(ref.frame_idx)


def _marks(run: PicksRun) -> list[tuple[float, str]]:
    letters = {"neutral": "N", "bite": "B", "side": "S"}
    return [
        (pick.reading.time_s, f"{letters[choice.pose]}{rank}")
        for choice in run.outcome.choices
        for rank, pick in enumerate(choice.picks, start=1)
        if pick.reading.time_s is not None
    ]
