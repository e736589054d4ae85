"""Views: whether the board was tilted enough, and seen everywhere."""

from rigcheck.checks.cameras import judge_cameras, outcome_of
from rigcheck.checks.core import Check, Outcome
from rigcheck.checks.filming import camera_names, gaps_in_words, in_words
from rigcheck.checks.limits import Limits
from rigcheck.model import CalibrationRun

__all__ = ["CHECKS"]


def _tilt(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "tilt_spread_deg", limits.band("tilt.spread_deg"), digits=1)
    message = (
        f"The board's tilts spread, in the direction with the least, by: {judged.numbers}. Views of a board "
        "held flat-on add nothing about the focal length, however many there are."
    )
    action = (
        "Film six more seconds with the board tilted 30 to 45 degrees towards each of its four sides in "
        "turn, pausing at each; give the new clip beside this one, joined by a comma."
    )
    return outcome_of(judged, message, action)


def _coverage(run: CalibrationRun, limits: Limits) -> Outcome:
    judged = judge_cameras(run, "coverage", limits.band("coverage.share"), digits=0, percent=True)
    gaps = [found for name in camera_names(run) if (found := gaps_in_words(run, name))]
    message = (
        f"Share of the picture in which corners were seen: {judged.numbers}. Distortion elsewhere is a guess."
    )
    where = in_words(gaps) if gaps else f"the parts of {judged.camera}'s picture that the report shows empty"
    action = f"Film six more seconds with the board in {where} (pictures as recorded), pausing at each place."
    return outcome_of(judged, message, action)


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL06",
        title="Spread of tilts",
        meaning="Whether the board was tilted enough, both ways, to tell focal length from distance",
        remedy="Tilt the board 30 to 45 degrees towards each of its sides",
        limit="tilt.spread_deg",
        measure=_tilt,
        requires=("CAL02",),
    ),
    Check(
        code="CAL07",
        title="Coverage of the picture",
        meaning="Where in the picture the lens was seen at all",
        remedy="Bring the board to the empty places",
        limit="coverage.share",
        measure=_coverage,
        required=False,
    ),
)
