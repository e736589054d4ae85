"""Focus in depth, for which both cameras must be calibrated: eyes, cheeks and chin against the plane of focus."""

from collections.abc import Callable

from rigcheck.checks.cameras import judge_each, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.focus_words import VOIDS, by_size, refocus, undecided
from rigcheck.checks.limits import Limits
from rigcheck.face.focus_run import FocusRun

__all__ = ["CHECKS"]

_NO_RIG = "no calibration of both cameras was given"
_BETTER = (
    "Write focal_length_mm and f_number of both cameras in the rig file, and film the whole face lit so that its skin "
    "shows detail."
)
_SMALL = "small aperture"
_SMALL_APERTURE = (
    "Nothing to turn for this: with so small an aperture the plane of focus shows in nobody's skin, and matters less. "
    "Judge by the fine detail (FOC01, FOC02)."
)


def _better(reason: str) -> str:
    return _SMALL_APERTURE if _SMALL in reason else _BETTER


def _part(part: str, word: str, quantity: str) -> Callable[[FocusRun, Limits], Outcome]:
    def measure(run: FocusRun, limits: Limits) -> Outcome:
        if not run.calibrated:
            return not_applicable(_NO_RIG)
        judged = judge_each(run, limits, quantity, lambda name: run.number(name, f"{part}_disc_px"))
        untold = [
            camera.name for camera in run.cameras if run.number(camera.name, f"{part}_disc_px").value is None
        ]
        if judged.estimate.value is None and _SMALL in judged.estimate.reason:
            # No better measurement could decide it: there is nothing to do before the next take.
            return not_measured(judged.estimate, judged.band.text, action=_SMALL_APERTURE)
        if judged.estimate.value is None or (untold and judged.status == "pass"):
            return (
                undecided(judged, _better(judged.estimate.reason))
                if judged.estimate.value is None
                else _half(judged.camera, untold, run)
            )
        sentences = " ".join(_where(run, camera.name, part, word) for camera in run.cameras)
        action = refocus(run, judged.camera)
        if part == "chin":
            action = (
                f"The receding chin leaves {judged.camera}'s focus: close the iris by a stop (twice the light, "
                f"diffused: lamps near the eyes), or set focus between eyes and chin. {action}"
            )
        return outcome_of(judged, f"Blur disc at the {word}: {judged.numbers}. {sentences}", action)

    return measure


def _half(camera: str, untold: list[str], run: FocusRun) -> Outcome:
    lost = run.number(untold[0], "plane_depth_mm")
    return Outcome(
        status="inconclusive",
        estimate=lost,
        limit="",
        message=f"{camera} is in focus; {untold[0]} cannot be told: {lost.reason}.",
        action=_better(lost.reason),
    )


def _where(run: FocusRun, camera: str, part: str, word: str) -> str:
    """Which side of it the plane lies, the usable depth, and what lens data say beside it."""
    off, plane = run.number(camera, f"plane_from_{part}_mm"), run.number(camera, "plane_depth_mm")
    if off.value is None:
        return f"{camera}: {plane.reason or off.reason}."
    side = "behind" if off.value > 0 else "before"
    near, far = (_end(run, camera, name) for name in ("near_mm", "far_mm"))
    text = (
        f"{camera}: the plane of focus is at {number_text(plane, 0)}, {abs(off.value):.0f} mm {side} the {word}; "
        f"usable from {near} to {far} mm"
    )
    lens = [_end(run, camera, name) for name in ("lens_near_mm", "lens_far_mm")]
    if run.number(camera, "lens_near_mm").value is None:
        return text + "."
    return text + f" (lens data say {lens[0]} to {lens[1]})."


def _end(run: FocusRun, camera: str, name: str) -> str:
    value = run.number(camera, name).value
    return "any distance" if value is None else f"{value:.0f}"


def _lens(run: FocusRun, limits: Limits) -> Outcome:
    if not run.calibrated:
        return not_applicable(_NO_RIG)
    judged = judge_each(
        run,
        limits,
        "focus.plane_from_lens_mm",
        lambda name: by_size(run.number(name, "plane_from_lens_mm")),
        digits=0,
    )
    message = f"Plane of focus against focused_at_mm of the rig file: {judged.numbers}."
    action = (
        f"{judged.camera}: the ring was turned since its mark was read, or the mark counts from elsewhere. If it was "
        f"turned since the calibration, calibrate again. {VOIDS}"
    )
    return outcome_of(
        judged, message, action, remedy="Write focused_at_mm in the rig file to have it compared."
    )


CHECKS: tuple[Check[FocusRun], ...] = (
    Check(
        code="FOC05",
        title="Eyes in focus",
        meaning="Blur disc at the eyes, from the plane of focus that the skin shows (needs a calibration)",
        remedy="Turn focus the way and as far as said; calibrate again",
        limit="focus.disc_px",
        measure=_part("eye", "eyes", "focus.disc_px"),
        required=False,
    ),
    Check(
        code="FOC06",
        title="Cheeks in focus",
        meaning="The same at cheeks and nasolabial folds",
        remedy="Turn focus the way and as far as said; calibrate again",
        limit="focus.disc_px",
        measure=_part("cheek", "cheeks", "focus.disc_px"),
        required=False,
    ),
    Check(
        code="FOC07",
        title="Chin in focus",
        meaning="The same at the chin, where it is now: it recedes further when the jaw opens",
        remedy="Smaller aperture with more, diffused light; focus between eyes and chin",
        limit="focus.chin_disc_px",
        measure=_part("chin", "chin", "focus.chin_disc_px"),
        required=False,
    ),
    Check(
        code="FOC08",
        title="Focus against lens data",
        meaning="The plane that the skin shows against the distance that the rig file states",
        remedy="Read the ring again; if it was turned, calibrate again",
        limit="focus.plane_from_lens_mm",
        measure=_lens,
        required=False,
    ),
)
