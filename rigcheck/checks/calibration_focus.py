"""Focus: whether the face lies in it, as deep as it is, and whether the lens is sharp all over."""

from dataclasses import replace

from rigcheck.calibration.focus import FIELD_PLACES, USABLE_DISC_PX
from rigcheck.checks.cameras import Judged, judge_cameras, measured, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.filming import camera_names, working_distance_mm
from rigcheck.checks.limits import Limits
from rigcheck.geometry.face_volume import FACE_BOX_MM
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]

_NEVER_MEASURED = "the sharpness of the board's edges was not measured"
_VOIDS = (
    "Refocusing voids this calibration: lock and mark the ring, let the rig warm up, and calibrate again."
)


def _tried(run: CalibrationRun, quantity: str) -> bool:
    return any(f"{name}.{quantity}" in run.measurements for name in camera_names(run))


def _by_size(run: CalibrationRun, quantity: str) -> CalibrationRun:
    """Return the run with a quantity's signs taken off, so that both ways count alike."""
    changed = dict(run.measurements)
    for name in camera_names(run):
        estimate = run.measurements.get(f"{name}.{quantity}")
        if estimate is not None and estimate.value is not None:
            changed[f"{name}.{quantity}"] = replace(estimate, value=abs(estimate.value))
    return replace(run, measurements=changed)


def _value(run: CalibrationRun, camera: str, quantity: str) -> float:
    return measured(run, f"{camera}.{quantity}").value or 0.0


def _words(run: CalibrationRun, quantity: str, digits: int = 0) -> str:
    return ", ".join(
        f"{name} {number_text(measured(run, f'{name}.{quantity}'), digits)}" for name in camera_names(run)
    )


def _unmeasured(judged: Judged, run: CalibrationRun) -> Outcome:
    """Skip, and say how to film so that the number can be had."""
    face = working_distance_mm(run)
    return not_measured(
        judged.estimate,
        judged.band.text,
        action=(
            "To have it judged, write working_distance_mm in the rig file and film the board held still, square "
            f"to the camera, at five distances from {0.75 * face:.0f} to {1.25 * face:.0f} mm."
        ),
    )


def _plane(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _tried(run, "focus_from_face_mm"):
        return not_applicable(_NEVER_MEASURED)
    band = limits.band("focus.from_face_mm")
    judged = judge_cameras(_by_size(run, "focus_from_face_mm"), "focus_from_face_mm", band, digits=0)
    if judged.status == "skipped":
        return _unmeasured(judged, run)
    message = (
        f"Plane of focus, along each camera's axis from its lens: {_words(run, 'focus_depth_mm')}; the middle "
        f"of the face is at {_words(run, 'face_depth_mm')}. From lens data: {_words(run, 'lens_focus_depth_mm')}."
    )
    return outcome_of(judged, message, _refocus(run, judged.camera))


def _refocus(run: CalibrationRun, camera: str) -> str:
    off = _value(run, camera, "focus_from_face_mm")
    plane, face = _value(run, camera, "focus_depth_mm"), _value(run, camera, "face_depth_mm")
    way = "nearer, away from the infinity mark," if off > 0 else "farther, towards the infinity mark,"
    return (
        f"Turn {camera}'s focus so that its plane moves {abs(off):.0f} mm {way} from {plane:.0f} to {face:.0f} mm: "
        f"hold the board at {face:.0f} mm and turn until its edges are crispest. {_VOIDS}"
    )


def _covered(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _tried(run, "face_depth_covered"):
        return not_applicable(_NEVER_MEASURED)
    band = limits.band("focus.face_covered")
    judged = judge_cameras(run, "face_depth_covered", band, digits=0, percent=True)
    if judged.status == "skipped":
        return _unmeasured(judged, run)
    ranges = "; ".join(
        f"{name} {_range(run, name, 'usable')} measured, {_range(run, name, 'lens_usable')} from lens data"
        for name in camera_names(run)
    )
    message = (
        f"Share of the face's {FACE_BOX_MM[2]:.0f} mm of depth in which the blur disc stays within "
        f"{USABLE_DISC_PX:.0f} px: {judged.numbers}. Usable depth: {ranges}."
    )
    return outcome_of(judged, message, _deeper(run, judged.camera, limits))


def _range(run: CalibrationRun, camera: str, kind: str) -> str:
    near, far = (measured(run, f"{camera}.{kind}_{end}_mm") for end in ("near", "far"))
    if near.value is None:
        return "not known"
    return (
        f"{near.value:.0f} mm and beyond" if far.value is None else f"{near.value:.0f} to {far.value:.0f} mm"
    )


def _deeper(run: CalibrationRun, camera: str, limits: Limits) -> str:
    caution = limits.band("focus.from_face_mm").caution
    if caution is not None and abs(_value(run, camera, "focus_from_face_mm")) > caution:
        return f"First bring the plane of focus to the face. {_refocus(run, camera)}"
    return (
        f"Close {camera}'s iris: each stop makes the usable depth 1.4 times as deep and needs twice the light "
        "(diffuse it: lamps near the eyes). Lock the iris and calibrate again."
    )


def _sharpness(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _tried(run, "mtf50_cy_px"):
        return not_applicable(_NEVER_MEASURED)
    judged = judge_cameras(run, "mtf50_cy_px", limits.band("sharpness.mtf50_cy_px"), digits=3)
    message = (
        f"Detail at which half the contrast is left, at best focus (slanted edges): {judged.numbers}. The pixels "
        "can carry 0.5 cycles per pixel."
    )
    action = (
        f"Even in focus {judged.camera} is soft: clean its lens and window, check that the lens is screwed home "
        "and suits the sensor, and that no sharpening, scaling or strong compression is on in the camera. "
        "If the board was never near the plane of focus, film it there."
    )
    return outcome_of(judged, message, action)


def _evenness(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _tried(run, "mtf50_evenness"):
        return not_applicable(_NEVER_MEASURED)
    judged = judge_cameras(run, "mtf50_evenness", limits.band("sharpness.evenness"), digits=0, percent=True)
    soft = _softest(run, judged.camera)
    message = (
        f"Sharpness of the softest of nine parts of the picture over the sharpest: {judged.numbers}; softest in "
        f"{judged.camera}: {soft}."
    )
    action = (
        f"{judged.camera} is soft in the {soft} of its picture (as recorded): wipe the lens there, check that "
        "it sits square before the sensor, and swap it if the softness stays. A changed lens needs a new "
        "calibration."
    )
    return outcome_of(judged, message, action)


def _softest(run: CalibrationRun, camera: str) -> str:
    known = {
        place: found.value
        for place in FIELD_PLACES
        if (found := measured(run, f"{camera}.mtf50_{place}_cy_px")).value is not None
    }
    return min(known, key=lambda place: known[place] or 0.0).replace("_", " ") if known else "outer part"


def _lens_data(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _tried(run, "focus_from_lens_data_mm"):
        return not_applicable(_NEVER_MEASURED)
    found = [measured(run, f"{name}.focus_from_lens_data_mm") for name in camera_names(run)]
    if all(each.value is None for each in found):
        return not_applicable(found[0].reason)
    band = limits.band("focus.from_lens_data_mm")
    judged = judge_cameras(
        _by_size(run, "focus_from_lens_data_mm"), "focus_from_lens_data_mm", band, digits=0
    )
    message = (
        f"Plane of focus measured less that of the rig file: {_words(run, 'focus_from_lens_data_mm')}. The rig "
        "file's counts from the lens's mark, the measured one from its projection centre."
    )
    off: Estimate = measured(run, f"{judged.camera}.focus_from_lens_data_mm")
    side = "farther" if (off.value or 0.0) > 0 else "nearer"
    action = (
        f"{judged.camera} is focused {side} than focused_at_mm in the rig file says: look whether its ring was "
        "turned or knocked, else correct focal_length_mm, f_number, focused_at_mm or pixel_pitch_um there."
    )
    return outcome_of(judged, message, action)


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL40",
        title="Plane of focus",
        meaning="How far the plane of focus, told by the board's own edges, is from the middle of the face",
        remedy="Turn the focus by what the report says, lock it, calibrate again",
        limit="focus.from_face_mm",
        measure=_plane,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL41",
        title="Usable depth over the face",
        meaning="Share of the face's depth in which the blur disc stays within 2 px",
        remedy="Bring the plane of focus to the face, or close the iris and add light",
        limit="focus.face_covered",
        measure=_covered,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL42",
        title="Sharpness in focus",
        meaning="Detail that lens and pixels keep at best focus, by slanted edges",
        remedy="Clean the lens; switch off scaling and sharpening",
        limit="sharpness.mtf50_cy_px",
        measure=_sharpness,
        required=False,
    ),
    Check(
        code="CAL43",
        title="Evenness of sharpness",
        meaning="Whether some part of the picture is much softer than the rest",
        remedy="Clean the lens there, seat it square, or swap it",
        limit="sharpness.evenness",
        measure=_evenness,
        required=False,
    ),
    Check(
        code="CAL44",
        title="Focus against lens data",
        meaning="Whether the lens is focused where the rig file says",
        remedy="Look whether the ring was turned; correct the rig file",
        limit="focus.from_lens_data_mm",
        measure=_lens_data,
        requires=("CAL02",),
        required=False,
    ),
)
