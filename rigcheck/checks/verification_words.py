"""What changed, in words: each cause with its size, and what pictures of a board cannot tell."""

import numpy as np

from rigcheck.drift.causes import Explanation
from rigcheck.drift.verification import Verification
from rigcheck.geometry.rotation import pair_axes
from rigcheck.model._arrays import FloatArray

__all__ = [
    "ONE_CAMERA_BLIND",
    "PAIR_BLIND",
    "cause_text",
    "causes_text",
    "likely_text",
    "share_words",
    "signed",
]

PAIR_BLIND = (
    "A board tells only how the cameras stand to each other. That one of them turned means that a turn about its own "
    "lens explains what is seen; a turn and a shift of the other would do so too. What moves both alike (a bent "
    "boom, a shifted helmet) is not seen at all: look at the face in the frame for that."
)
ONE_CAMERA_BLIND = (
    "One camera and a board tell of the lens and the sensor only: a camera that moved or turned as a whole is not "
    "seen."
)


def likely_text(run: Verification) -> str:
    """The best explanation as a sentence."""
    text = cause_text(run, run.best)
    return text[:1].upper() + text[1:] + "."


def causes_text(run: Verification) -> str:
    """The best explanation and those that do about as well."""
    if run.best.cause.kind == "nothing":
        return "No single cause explains today's views better than no change at all."
    text = f"Most likely: {cause_text(run, run.best)}."
    others = [cause_text(run, one) for one in run.alternatives]
    if others:
        text += f" About as well explained by: {'; '.join(others)}."
    return text


def cause_text(run: Verification, one: Explanation) -> str:
    """One cause with its size."""
    cause, fit = one.cause, one.fit
    names = [entry.camera.name for entry in run.calibration.cameras]
    name = "" if cause.camera is None else names[cause.camera]
    sigma = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    own, own_sigma = fit.amounts, sigma
    beside = ""
    if cause.with_pose and cause.kind in ("focal", "lens"):
        own, own_sigma = own[6:], sigma[6:]
        beside = ", and the cameras moved against each other"
    match cause.kind:
        case "nothing":
            return "nothing changed"
        case "focal":
            return f"the focal length of {name} changed by {_percent(own[0], own_sigma[0])}{beside}"
        case "centre":
            return f"the principal point of {name} moved by {_shift(own)}"
        case "lens":
            return (
                f"the lens of {name} moved (focal length {_percent(own[0], own_sigma[0])}, principal point "
                f"{_shift(own[1:])}){beside}"
            )
        case "turn":
            return f"{name} turned in its mount by {_turned(run, own)}"
        case "scale":
            stereo = run.calibration.stereo
            baseline = (
                0.0 if stereo is None else float(np.linalg.norm(stereo.camera2_from_camera1.translation_mm))
            )
            return (
                f"the baseline alone changed by {signed(baseline * own[0], 3)} ± {baseline * own_sigma[0]:.3f} mm, as "
                f"warmth does it, or this is another print whose squares are {signed(-100 * own[0], 3)} % off those "
                "of the one calibrated with"
            )
        case "pose":
            return "the cameras moved against each other"
        case "exchange":
            return f"{' and '.join(names)} changed places: each shows the other's lens and sensor"
        case "several":
            return "more than one thing changed: the cameras' pose and both lenses"


def signed(value: float, digits: int) -> str:
    """A number with its sign, none before zero."""
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def share_words(p_value: float) -> str:
    """How rarely an untouched rig shows as much."""
    if p_value < 1e-6:
        return "fewer than one in a million cases"
    return f"{100 * p_value:.2g} % of cases"


def _percent(share: float, sigma: float) -> str:
    return f"{signed(100 * share, 3)} ± {100 * sigma:.3f} %"


def _shift(amounts: FloatArray) -> str:
    return f"({signed(float(amounts[0]), 2)}, {signed(float(amounts[1]), 2)}) px"


def _turned(run: Verification, turn_rad: FloatArray) -> str:
    """A left turn of the second camera against the first, by what it does."""
    stereo = run.calibration.stereo
    if stereo is None:
        return f"{np.degrees(np.linalg.norm(turn_rad)):.3f}°"
    pose = stereo.camera2_from_camera1
    parts = -np.degrees(pair_axes(pose.rotation, pose.translation_mm).matrix @ turn_rad)
    named = zip(("convergence", "across", "twist"), parts, strict=True)
    return ", ".join(f"{word} {signed(float(value), 3)}°" for word, value in named)
