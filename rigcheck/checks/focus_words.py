"""What the focus checks share: cameras, parts and regions in words, and how to turn focus."""

from dataclasses import replace

from rigcheck.checks.cameras import Judged
from rigcheck.checks.core import Outcome
from rigcheck.face.focus_run import FocusRun
from rigcheck.model import Estimate

__all__ = ["FILM", "REGION_WORDS", "VOIDS", "by_size", "refocus", "undecided"]

VOIDS = (
    "Refocusing voids the calibration: lock and mark the ring, let the rig warm up, and calibrate again before the "
    "take."
)
FILM = "Give footage at full size in which the whole face is seen, held still, and lit so that skin shows its detail."
REGION_WORDS = {
    "eyes": "eyes",
    "cheeks": "cheeks and nasolabial folds",
    "lips": "lips",
    "nose_tip": "tip of the nose",
    "sides": "sides of the face",
}


def by_size(estimate: Estimate) -> Estimate:
    """The number without its sign."""
    return estimate if estimate.value is None else replace(estimate, value=abs(estimate.value))


def undecided(judged: Judged, action: str) -> Outcome:
    """What could not be told is inconclusive, with its reason."""
    return Outcome(
        status="inconclusive",
        estimate=judged.estimate,
        limit=judged.band.text,
        message=f"Cannot be told: {judged.estimate.reason}.",
        action=action,
    )


def refocus(run: FocusRun, camera: str) -> str:
    """Which way and how far to turn focus so that its plane lies midway between eyes and cheeks."""
    plane = run.number(camera, "plane_depth_mm").value
    parts = [run.number(camera, f"{part}_depth_mm").value for part in ("eye", "cheek")]
    known = [each for each in parts if each is not None]
    if plane is None or not known:
        return f"Focus {camera} on the face again, on skin beside the nose. {VOIDS}"
    wanted = sum(known) / len(known)
    way = "farther, towards the infinity mark" if wanted > plane else "nearer, away from the infinity mark"
    return (
        f"Turn {camera}'s focus {abs(wanted - plane):.0f} mm {way}: from {plane:.0f} to {wanted:.0f} mm along the "
        f"camera's axis (a target held there must be crispest). {VOIDS}"
    )
