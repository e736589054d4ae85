"""Which of our formats a file is in, so that the wrong one is named instead of picked apart."""

from typing import Final

from rigcheck.errors import SchemaError
from rigcheck.records.document import Document, described

__all__ = [
    "CALIBRATION_FORMAT",
    "DAY_FORMAT",
    "DAY_STATE_FORMAT",
    "MANIFEST_FORMAT",
    "PERFORMER_FORMAT",
    "PICKS_FORMAT",
    "POINTS_FORMAT",
    "RESULT_FORMAT",
    "VERSION",
    "require_kind",
]

CALIBRATION_FORMAT: Final = "rigcheck-calibration"
RESULT_FORMAT: Final = "rigcheck-result"
POINTS_FORMAT: Final = "rigcheck-points"
PERFORMER_FORMAT: Final = "rigcheck-performer"
MANIFEST_FORMAT: Final = "rigcheck-handover"
PICKS_FORMAT: Final = "rigcheck-picks"
DAY_FORMAT: Final = "rigcheck-day"
DAY_STATE_FORMAT: Final = "rigcheck-day-state"
VERSION: Final = 1

_NAMES = {
    "board": "a board file",
    "rig": "a rig file",
    "calibration": "a calibration",
    "result": "a result",
    "points": "a file of marked points",
    "performer": "a performer record",
    "manifest": "the manifest of a handover",
    "picks": "a list of picks",
    "day": "a day file",
    "day-state": "the state of a day",
}


def require_kind(document: Document, kind: str) -> None:
    """Refuse a file of another of our formats, or of a newer version.

    Parameters
    ----------
    document : Document
    kind : str
        "board", "rig", "calibration", "result", "points", "performer", "manifest", "picks", "day" or "day-state".

    Raises
    ------
    SchemaError
        When the content shows another format, or `version` is above the one known here.
    """
    found = _kind_of(document)
    if found is not None and found != kind:
        raise SchemaError(
            f"{document.origin}: {_NAMES[found]} found, {_NAMES[kind]} needed.",
            hint=f"give the path of {_NAMES[kind]} here; the files may be swapped.",
        )
    version = document.value.get("version", VERSION)
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        raise document.error(
            ("version",),
            f"{described(version)} found, at most {VERSION} needed",
            hint="a newer rigcheck wrote this file: update this one, or make the file again here.",
        )


def _kind_of(document: Document) -> str | None:
    """Name the format by what only it has; None when it cannot be told."""
    by_format = {
        CALIBRATION_FORMAT: "calibration",
        RESULT_FORMAT: "result",
        POINTS_FORMAT: "points",
        PERFORMER_FORMAT: "performer",
        MANIFEST_FORMAT: "manifest",
        PICKS_FORMAT: "picks",
        DAY_FORMAT: "day",
        DAY_STATE_FORMAT: "day-state",
    }
    declared = document.value.get("format")
    if isinstance(declared, str) and declared in by_format:
        return by_format[declared]
    keys = document.value.keys()
    if "steps" in keys:
        return "day"
    if "code_name" in keys:
        return "performer"
    if "squares" in keys or "square_mm" in keys:
        return "board"
    if "checks" in keys or "verdict" in keys:
        return "result"
    if "covariance" in keys or "provenance" in keys:
        return "calibration"
    return "rig" if "cameras" in keys else None
