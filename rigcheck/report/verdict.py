"""The verdict in words, and what to do first."""

from collections.abc import Mapping
from dataclasses import dataclass

from rigcheck.model import CheckResult, Estimate, FaceVolume, Report

__all__ = [
    "MARKS",
    "STATUS_WORDS",
    "ActionItem",
    "RelianceNote",
    "actions_first",
    "count_sentence",
    "reliance",
    "verdict_sentence",
]

STATUS_WORDS = {
    "pass": "Pass",
    "caution": "Caution",
    "fail": "Fail",
    "inconclusive": "Not decided",
    "skipped": "Skipped",
}
_NOTHING = "Nothing to "
# Drawn beside the word, never instead of it.
MARKS = {"pass": "✓", "caution": "!", "fail": "✗", "inconclusive": "?", "skipped": "–"}

_SENTENCES = {
    "audit": {
        "pass": "The rig held all day.",
        "caution": "The takes can be used, with something to look at.",
        "fail": "Some takes suffer: see which, and which calibration they should use.",
        "inconclusive": "It is not decided whether every take can be used as it is.",
    },
    "calibrate": {
        "pass": "This calibration can be used.",
        "caution": "This calibration can be used, with care.",
        "fail": "Do not use this calibration.",
        "inconclusive": "It is not decided whether this calibration can be used.",
    },
    "compare": {
        "pass": "It does not matter on the face which of the two is used.",
        "caution": "The two differ; it shows a little on the face, or only in the numbers.",
        "fail": "Do not mix the two: the difference shows on the face.",
        "inconclusive": "It is not decided whether the difference shows on the face.",
    },
    "day": {
        "pass": "Every step of the day passed.",
        "caution": "No step of the day failed; some ask for care.",
        "fail": "A step of the day failed.",
        "inconclusive": "Not every step of the day could be measured and decided.",
    },
    "fitting": {
        "pass": "The fitting is right.",
        "caution": "The fitting can be used, with something to better.",
        "fail": "The fitting is not right yet.",
        "inconclusive": "It is not decided whether the fitting is right.",
    },
    "picks": {
        "pass": "The clip holds what the digital face needs.",
        "caution": "The clip can be used, with something to better.",
        "fail": "The clip does not hold what the digital face needs.",
        "inconclusive": "It is not decided whether the clip holds what the digital face needs.",
    },
    "history": {
        "pass": "Nothing in these results asks for anything.",
        "caution": "Something in these results asks for a look.",
        "fail": "A rig's newest result failed, or a change since its calibration shows on the face.",
        "inconclusive": "It is not decided whether a change since the calibration shows on the face.",
    },
    "verify": {
        "pass": "The stored calibration still holds.",
        "caution": "The stored calibration can still be used, with care.",
        "fail": "The stored calibration no longer holds.",
        "inconclusive": "It is not decided whether the stored calibration still holds.",
    },
}
_ANY_COMMAND = {
    "pass": "Every check that could be made passed.",
    "caution": "No check failed; some ask for care.",
    "fail": "A check failed.",
    "inconclusive": "A check that is needed could not be decided.",
}


@dataclass(frozen=True, kw_only=True)
class ActionItem:
    """Something to do, the checks that ask for it, and what they found."""

    action: str
    status: str
    checks: tuple[CheckResult, ...]


@dataclass(frozen=True, kw_only=True)
class RelianceNote:
    """What may be relied on, as a number and the words around it."""

    number: str
    text: str


def verdict_sentence(report: Report) -> str:
    """Return the verdict as one sentence, worded for the report's command where it has its own words."""
    return _SENTENCES.get(report.command, _ANY_COMMAND)[report.verdict]


def count_sentence(checks: tuple[CheckResult, ...]) -> str:
    """Say how many checks ended how, such as ``11 checks: 1 failed, 10 passed``."""
    words = {
        "fail": "failed",
        "inconclusive": "not decided",
        "caution": "with caution",
        "pass": "passed",
        "skipped": "skipped",
    }
    if not checks:
        return "No check was run."
    counts = {status: sum(check.status == status for check in checks) for status in words}
    parts = [f"{n} {words[status]}" for status, n in counts.items() if n]
    return f"{len(checks)} {'check' if len(checks) == 1 else 'checks'}: {', '.join(parts)}."


def actions_first(checks: tuple[CheckResult, ...]) -> tuple[ActionItem, ...]:
    """Collect what to do, most harmful first.

    Notes
    -----
    Order: failed, then required and not decided, then with caution, then the rest that
    were not decided or skipped; within each the order of `checks`. What was skipped and is not required
    asks for nothing. An action that several
    checks ask for is listed once, at its most harmful place; so is one that a worse check asks for with more words.
    Passed checks ask for nothing, nor does an action that begins with "Nothing to".
    """
    grouped: dict[str, list[CheckResult]] = {}
    for check in sorted(checks, key=_harm):
        asks = check.status != "skipped" or check.required
        if check.status != "pass" and asks and check.action and not check.action.startswith(_NOTHING):
            place = next((listed for listed in grouped if listed.startswith(check.action)), check.action)
            grouped.setdefault(place, []).append(check)
    return tuple(
        ActionItem(action=action, status=members[0].status, checks=tuple(members))
        for action, members in grouped.items()
    )


def reliance(volume: FaceVolume | None, measurements: Mapping[str, Estimate]) -> tuple[RelianceNote, ...]:
    """Say what the calibration alone leaves uncertain on the face.

    Parameters
    ----------
    volume : FaceVolume or None
        None for one camera: then what is measured under a name ending in ``.harm_depth_mm`` speaks.
    measurements : mapping
        The report's measurements.
    """
    if volume is None:
        text = "in depth at the working distance, from the focal length's uncertainty alone"
        return tuple(
            RelianceNote(number=f"{one.value:.3f} mm", text=text)
            for name, one in measurements.items()
            if name.endswith(".harm_depth_mm") and one.value is not None
        )
    where = f"over the face volume, {volume.working_distance_mm:.0f} mm from the cameras"
    return (
        RelianceNote(number=f"{volume.depth_mm:.3f} mm", text=f"in depth: standard uncertainty, RMS {where}"),
        RelianceNote(number=f"{volume.lateral_mm:.3f} mm", text="sideways: the same, square to the view"),
    )


def _harm(check: CheckResult) -> int:
    if check.status == "inconclusive":
        return 1 if check.required else 3
    return {"fail": 0, "caution": 2, "skipped": 4, "pass": 5}[check.status]
