"""The board's own shape: solved for, reported, and judged by how far the solution had to correct for it."""

from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]

_NAMES = {
    "board.bow_mm": "middle of the long edges over the centre",
    "board.bow_short_mm": "middle of the short edges over the centre",
    "board.saddle_mm": "corners, diagonal against diagonal",
}


_STIFFEN = (
    "This calibration allows for the bend, but a plate that bends in the hand bends anew in every view: "
    "mount the print on glass, aluminium or ceramic before the next one."
)
_UNKNOWN = "The board's shape is not well known: film it tilted 30 to 45 degrees towards each of its sides."


def _flatness(run: CalibrationRun, limits: Limits) -> Outcome:
    found = run.measurements.get("board.flatness_mm")
    if found is None or found.value is None:
        reason = "the board's shape was not solved for" if found is None else found.reason
        return not_applicable(reason)
    band = limits.band("board.flatness_mm")
    seen = run.measurements
    heights = [_height(seen[name], words) for name, words in _NAMES.items() if name in seen]
    known = found.value - 2 * (found.sigma or 0.0) > (band.caution or 0.0)
    status = judge(found, band)
    return Outcome(
        status=status,
        estimate=found,
        limit=band.text,
        message=f"Height of the board away from flat: {', '.join(heights)}. The solution allows for it.",
        action="" if status == "pass" else _STIFFEN if known else _UNKNOWN,
    )


def _height(found: Estimate, words: str) -> str:
    return f"{words} {found.value or 0.0:+.3f} ± {found.sigma or 0.0:.3f} mm"


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL12",
        title="Flatness of the board",
        meaning="How far the board is from flat; no reprojection error shows it, yet it shifts the face",
        remedy="Mount the print on glass, aluminium or ceramic",
        limit="board.flatness_mm",
        measure=_flatness,
        required=False,
    ),
)
