"""What a small RMS hides: bias, a stretched or wrong print, a lens model that does not fit, a moving rig."""

from dataclasses import replace

import numpy as np

from rigcheck.checks.cameras import Judged, judge_cameras, measured, number_text, on_face_mm, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.filming import camera_names, filming_advice, working_distance_mm
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import COVERAGE_FACTOR, judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]

# A ratio to noise must stand clear of 1 by so many sigmas: 0.1 % of calibrations do by chance (normal tail),
# with two cameras and many calibrations a year.
_CLEAR_SIGMAS = 3.0
_NEVER_MEASURED = "this was not measured"
_PLACES = (
    ("upper left", "top", "upper right"),
    ("left edge", "middle", "right edge"),
    ("lower left", "bottom", "lower right"),
)


def _found(run: CalibrationRun, *quantities: str) -> bool:
    """Whether any of the measurements was tried at all."""
    names = [f"{name}.{quantity}" for name in camera_names(run) for quantity in quantities]
    return any(name in run.measurements for name in (*names, *quantities))


def _bias(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _found(run, "bias_ratio"):
        return not_applicable(_NEVER_MEASURED)
    judged = judge_cameras(run, "bias_ratio", limits.band("residuals.bias_ratio"))
    noise = ", ".join(
        f"{name} {number_text(measured(run, f'{name}.local_noise_px'), 3)}" for name in camera_names(run)
    )
    message = (
        f"Share of the residuals' variance that the corners' own noise ({noise}) does not explain: "
        f"{judged.numbers}{_flat_words(run)}. RMS does not show it."
    )
    action = (
        f"Something is wrong in {judged.camera}'s picture or with the board that no averaging removes. Film "
        "again with the board held still at each place: movement with cameras out of step looks like this. "
        "Lay a straight edge on the board: above 0.05 mm of bow use a plate of glass or aluminium that the "
        "hand cannot bend. If it is flat, try another lens model, and switch off stabilisation, autofocus and "
        "lens correction in the camera."
    )
    return outcome_of(judged, message, action)


def _flat_words(run: CalibrationRun) -> str:
    flat = [
        f"{name} {number_text(estimate, 2)}"
        for name in camera_names(run)
        if (estimate := run.measurements.get(f"{name}.bias_ratio_flat")) is not None
    ]
    return f" (had the board been taken as flat: {', '.join(flat)})" if flat else ""


def _aspect(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _found(run, "pixel_aspect_error"):
        return not_applicable(_NEVER_MEASURED)
    band = limits.band("pixels.aspect_error")
    judged = judge_cameras(run, "pixel_aspect_error", band, digits=5)
    ratios = ", ".join(
        f"{name} {number_text(measured(run, f'{name}.focal_ratio'), 5)}" for name in camera_names(run)
    )
    message = f"Focal length across over focal length down, 1 for square pixels: {ratios}."
    value, sigma = judged.estimate.value or 0.0, judged.estimate.sigma or 0.0
    if value - COVERAGE_FACTOR * sigma > limits["pixels.not_square.caution"].value:
        action = "That is more than a print is ever stretched: see CAL53, which names what can be wrong."
    elif value - COVERAGE_FACTOR * sigma > (band.caution or 0.0):
        action = (
            f"Suspect the print, not the lens: {_stretch_in_words(run, judged.camera)}. Measure it with "
            "calipers across and down, write both lengths under 'measured:' in the board file and run "
            "calibrate again; print without 'fit to page'. If the print measures right, the footage was "
            "squeezed: give it as recorded, with square pixels."
        )
    else:
        action = f"These views do not tell the two apart well enough. {filming_advice(run, limits)}"
    return outcome_of(judged, message, action)


def _stretch_in_words(run: CalibrationRun, camera: str) -> str:
    """Say which way the print is longer than described, seen along the board where poses tell."""
    ratio = measured(run, f"{camera}.focal_ratio").value or 1.0
    share = f"{100 * abs(ratio - 1.0):.2f} %"
    turns = [view.camera1_from_board.rotation for view in run.views]
    stereo = run.calibration.stereo
    if stereo is not None and camera == camera_names(run)[1]:
        turns = [stereo.camera2_from_camera1.rotation @ turn for turn in turns]
    along = float(np.mean([turn[0, 0] ** 2 - turn[1, 0] ** 2 for turn in turns])) if turns else 0.0
    upright = along > 0.0
    longer = ("across", "down") if (ratio > 1.0) == upright else ("down", "across")
    return (
        f"it is as if it were {share} longer {longer[0]} than {longer[1]}, as the board file counts"
        if abs(along) > 0.5
        else f"it is as if it were {share} longer one way than the other"
    )


def _pattern(run: CalibrationRun, limits: Limits) -> Outcome:
    if not _found(run, "pattern_px"):
        return not_applicable(_NEVER_MEASURED)
    judged = judge_cameras(run, "pattern_px", limits.band("residuals.pattern_px"), digits=3)
    clear = [name for name in camera_names(run) if _beyond_noise(measured(run, f"{name}.pattern_ratio"))]
    if judged.status == "caution" and judged.camera not in clear:
        # The other camera's pattern may be the smaller and yet the one that is no chance.
        others = [
            name for name in clear if judge(measured(run, f"{name}.pattern_px"), judged.band) == "caution"
        ]
        judged = _speaking_for(run, judged, others[0]) if others else replace(judged, status="pass")
    ratios = ", ".join(
        f"{name} {number_text(measured(run, f'{name}.pattern_ratio'), 2)}" for name in camera_names(run)
    )
    message = (
        f"Mean residuals over the parts of the picture, beyond noise: {judged.numbers}; against what noise "
        f"alone gives: {ratios} (1 is noise)."
    )
    if judged.status == "caution":
        message += f" {_worst_place(run, judged.camera)}"
    action = (
        f"The lens model does not fit {judged.camera}'s lens there, the same way in every view. Leave the "
        "choice of the lens model to calibrate (no --lens), film the board right into that part of the "
        "picture, and check that nothing stands before the lens and no lens correction is on."
    )
    return outcome_of(judged, message, action)


def _speaking_for(run: CalibrationRun, judged: Judged, camera: str) -> Judged:
    return replace(judged, camera=camera, estimate=measured(run, f"{camera}.pattern_px"))


def _beyond_noise(ratio: Estimate) -> bool:
    """Whether a ratio to noise stands clear of 1; without a ratio nothing speaks against it."""
    return ratio.value is None or ratio.value - _CLEAR_SIGMAS * (ratio.sigma or 0.0) > 1.0


def _worst_place(run: CalibrationRun, camera: str) -> str:
    length, x, y = (measured(run, f"{camera}.pattern_worst_{key}") for key in ("px", "x_px", "y_px"))
    if length.value is None or x.value is None or y.value is None:
        return ""
    entry = next(entry for entry in run.calibration.cameras if entry.camera.name == camera)
    width, height = entry.camera.image_size_px
    place = _PLACES[min(int(3 * (y.value + 0.5) / height), 2)][min(int(3 * (x.value + 0.5) / width), 2)]
    return (
        f"Largest at the {place} of {camera}'s picture as recorded (x {x.value:.0f}, y {y.value:.0f} px): "
        f"{number_text(length, 3)}, {on_face_mm(run, camera, length.value):.3f} mm across on the face."
    )


def _known_length(run: CalibrationRun, limits: Limits) -> Outcome:
    error = run.measurements.get("board.length_error")
    if error is None:
        return not_applicable(_NEVER_MEASURED)
    if error.value is None:
        return not_applicable(
            "no known length was given; measure the print from the first inner corner to the last and write "
            "it as held_out_length_mm into the board file"
        )
    band = limits.band("known_length.error")
    estimate = replace(error, value=abs(error.value))
    status, sigma = judge(estimate, band), error.sigma or 0.0
    agrees = abs(error.value) <= COVERAGE_FACTOR * sigma
    if status in ("caution", "inconclusive") and agrees and sigma <= (band.caution or 0.0):
        status = "pass"  # ISO/IEC 17043: |E_n| <= 1, a difference within both expanded uncertainties
    message = (
        f"The board's diagonal, first to last inner corner: {_lengths_words(run)}. Lengths come out "
        f"{100 * abs(error.value):.3f} ± {100 * sigma:.3f} % {'long' if error.value > 0 else 'short'}, "
        f"{abs(error.value) * working_distance_mm(run):.3f} mm of the distance of the face. No residual "
        f"shows this. {_square_words(run, error.value)}"
    )
    action = (
        "Measure the print again with calipers: squares across and down over at least 100 mm, and the "
        "diagonal. Correct 'square_mm' or 'measured:' in the board file and run calibrate again; footage "
        "need not be filmed again."
    )
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _lengths_words(run: CalibrationRun) -> str:
    """The known length as told in each way that there is."""
    return ", ".join(
        f"{words} {number_text(found, 3)}"
        for words, key in (
            ("measured", "known_length_mm"),
            ("from the board's squares", "length_from_pitch_mm"),
            ("as both cameras see it", "length_seen_mm"),
        )
        if (found := run.measurements.get(f"board.{key}")) is not None and found.value is not None
    )


def _square_words(run: CalibrationRun, error: float) -> str:
    """The size of the squares that the known length asks for."""
    across, down = run.calibration.board.pitch_mm
    return (
        f"The known length asks for squares of {0.5 * (across + down) / (1.0 + error):.2f} mm, the board file "
        f"gives {0.5 * (across + down):.2f}."
    )


def _drift(run: CalibrationRun, limits: Limits) -> Outcome:
    drift = run.measurements.get("clip.drift_depth_mm")
    if drift is None:
        return not_applicable(_NEVER_MEASURED)
    band = limits.band("clip.drift_depth_mm")
    if drift.value is None:
        return not_measured(drift, band.text, action="Nothing to do; one clip of video would tell.")
    status = judge(drift, band)
    if status == "caution" and not _beyond_noise(measured(run, "clip.drift_ratio")):
        status = "pass"
    parts = [
        f"{_drift_word(name)} {number_text(found, 4)}"
        for name, found in run.measurements.items()
        if "_drift_" in name and found.value is not None and not name.startswith("clip.")
    ]
    duration = number_text(measured(run, "clip.duration_s"), 0)
    message = (
        f"From first to last view ({duration}) the rig changed, beyond noise, by {number_text(drift, 3)} in "
        f"depth on the face; the change is {number_text(measured(run, 'clip.drift_ratio'), 2)} times what "
        f"noise alone would show. Changed by: {', '.join(parts)}."
    )
    action = (
        "The rig was not the same at the end of the clip as at its start. Let the cameras warm up for 15 to "
        "30 minutes, check that lenses and clamps are tight and that no hand rests on the boom, then film "
        "again. If other checks find the board or the lens model wrong, mend that first: it can look so."
    )
    return Outcome(
        status=status,
        estimate=drift,
        limit=band.text,
        message=message,
        action="" if status == "pass" else action,
    )


def _drift_word(name: str) -> str:
    """What changed, from a measurement's name such as ``upper.focal_drift_px`` or ``stereo.twist_drift_deg``."""
    owner, _, rest = name.rpartition(".")
    quantity = rest.partition("_drift_")[0].replace("_", " ")
    word = "focal length" if quantity == "focal" else quantity
    return word if owner == "stereo" else f"{owner}'s {word}"


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL20",
        title="Noise and bias",
        meaning="Share of the residuals that the corners' own noise does not explain; RMS cannot see it",
        remedy="Flat, stiff board; then another lens model; no in-camera correction",
        limit="residuals.bias_ratio",
        measure=_bias,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL21",
        title="Square pixels",
        meaning="Whether both focal lengths agree; a print stretched one way makes them differ",
        remedy="Measure the print across and down and write both into the board file",
        limit="pixels.aspect_error",
        measure=_aspect,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL22",
        title="Pattern of residuals",
        meaning="Whether residuals point the same way in every view somewhere in the picture, and where",
        remedy="Let the lens model be chosen; film into that part of the picture",
        limit="residuals.pattern_px",
        measure=_pattern,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL23",
        title="Known length",
        meaning="Whether a length measured on the board, and not used for the scale, comes out right",
        remedy="Measure the print again; correct the board file; no new footage needed",
        limit="known_length.error",
        measure=_known_length,
        requires=("CAL02",),
        required=False,
    ),
    Check(
        code="CAL24",
        title="Change while filming",
        meaning="Whether the rig drifted from the first view to the last: warming up, or something loose",
        remedy="Warm up 15 to 30 minutes; tighten lenses and clamps; film again",
        limit="clip.drift_depth_mm",
        measure=_drift,
        requires=("CAL02",),
        required=False,
    ),
)
