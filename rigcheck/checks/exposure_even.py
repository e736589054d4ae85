"""Evenness: of one side and the other, of the two cameras, over time; and whether the transfer curve is right."""

from dataclasses import replace

from rigcheck.checks.cameras import Judged, judge_each, number_text, outcome_of, worst_camera
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.exposure_words import EYES, FILM, WRITE_CURVE, quarter_stops
from rigcheck.checks.framing_judged import size_of
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import Band, judge
from rigcheck.face.exposure_flicker import Flicker, beat_hz
from rigcheck.face.exposure_run import ExposureRun
from rigcheck.model import Estimate

__all__ = ["CHECKS"]

_MORE = (
    "To have flicker judged, film at least two seconds without cuts, as video or with the frame rate in the rig file, "
    "the performer still."
)
# Fewer turns of a slow beat than this could be a performer who moves evenly through uneven light.
_FEW_TURNS = 4.0
_UNEASY = "Flicker can harm people with photosensitive epilepsy or migraine: ask, and mind local rules."


def _sides(run: ExposureRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run,
        limits,
        "exposure.side_ratio_stops",
        lambda name: size_of(run.number(name, "side_ratio_stops")),
        digits=2,
    )
    value = run.number(judged.camera, "side_ratio_stops").value or 0.0
    bright, dark = ("left", "right") if value > 0 else ("right", "left")
    message = f"One side of the face is brighter than the other by: {judged.numbers}" + (
        "." if not value else f"; in {judged.camera} the performer's {bright} is the brighter one."
    )
    if value and not run.camera(judged.camera).curve.black_stated:
        message += " Without a black level in the rig file the true ratio is larger."
    action = (
        f"Turn down or diffuse the lamp on the performer's {bright} by about {quarter_stops(value)} (a lamp reaches "
        f"the other side too, so it may take more), or fill the {dark}; check that no lamp is off, turned or smeared. "
        f"{EYES}"
    )
    return outcome_of(judged, message, action, remedy=_remedy(judged.estimate))


def _remedy(estimate: Estimate) -> str:
    return WRITE_CURVE if "curve" in estimate.reason else FILM


def _cameras(run: ExposureRun, limits: Limits) -> Outcome:
    if len(run.cameras) < 2:
        return not_applicable("one camera only; this is a question to a pair")
    ratio, band = run.measurements["exposure.pair.ratio_stops"], limits.band("exposure.camera_ratio_stops")
    size = size_of(ratio)
    first, second = (each.name for each in run.cameras)
    brighter, darker = (second, first) if (ratio.value or 0.0) > 0 else (first, second)
    judged = Judged(
        camera=brighter,
        estimate=size,
        status=judge(size, band),
        band=band,
        numbers=number_text(size, 2),
    )
    message = f"The same skin is brighter in {brighter} than in {darker} by {judged.numbers}."
    action = (
        f"Set iris, shutter and gain of {brighter} and {darker} alike, then match them by the iris of one: "
        f"{brighter} down by about {quarter_stops(ratio.value or 0.0)} where it has blown skin, else {darker} up. "
        "Clean both lenses. Touching iris or focus can move the lens: calibrate after it."
    )
    return outcome_of(judged, message, action, remedy=_remedy(size))


def _flicker(run: ExposureRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run, limits, "exposure.flicker_stops", lambda name: run.number(name, "flicker_stops"), digits=2
    )
    flicker = run.camera(judged.camera).flicker
    if flicker is None:
        remedy = WRITE_CURVE if "curve" in judged.estimate.reason else _MORE
        return not_measured(judged.estimate, judged.band.text, action=remedy)
    if not flicker.found:
        message = (
            f"No beat stands out in the light of the skin; the strongest swing, trough to crest: {judged.numbers}."
            f"{_hidden(flicker)}"
        )
        # Light that only wanders does so with the face; where it wanders far, a beat could hide in it.
        hides = judged.status in ("fail", "inconclusive")
        judged = replace(judged, status="inconclusive" if hides else "pass")
        return outcome_of(judged, message, f"{_MORE} {_UNEASY}", remedy=_MORE)
    message = (
        f"The light beats, trough to crest: {judged.numbers}; in {judged.camera} at "
        f"{number_text(flicker.beat, 2)}. {_cause(flicker)}{_slow(flicker)}{_hidden(flicker)}"
    )
    return outcome_of(judged, message, f"{_flicker_advice(flicker)} {_UNEASY}", remedy=_MORE)


def _cause(flicker: Flicker) -> str:
    rate = flicker.frame_rate or 0.0
    if not flicker.mains:
        return (
            "That is not where mains of 50 or 60 Hz beat at this frame rate: likely a lamp's own driver that dims by "
            "pulses, out of step with the cameras."
        )
    ways = " or ".join(
        f"mains of {hz} Hz (light at {2 * hz} Hz against {rate:g} frames/s beats at {beat_hz(2.0 * hz, rate):.2f} Hz)"
        for hz in flicker.mains
    )
    text = f"Likely cause: {ways}."
    if flicker.modulation is not None and flicker.modulation.value is not None:
        swing = 100.0 * flicker.modulation.value
        text += f" At this shutter the lamp itself swings by about {swing:.0f} % about its mean."
    return text


def _flicker_advice(flicker: Flicker) -> str:
    if not flicker.mains:
        return (
            "Feed the helmet's lamps with constant current, or tie their pulses to the cameras' frames with many "
            "pulses an exposure; switch room lamps off one by one to find which it is."
        )
    times = " or ".join(f"1/{2 * hz} s or a multiple of it (mains of {hz} Hz)" for hz in flicker.mains)
    rates = " or ".join(str(2 * hz) for hz in flicker.mains)
    return (
        f"Find the lamp that runs on mains, often in the room, and switch it off or shield it; else set the shutter to "
        f"{times}, where motion blur allows, or a frame rate that divides {rates}."
    )


def _slow(flicker: Flicker) -> str:
    if flicker.turns is None:
        return ""
    sure = " To be sure film half a minute of a still face." if flicker.turns < _FEW_TURNS else ""
    return f" Seen in moments spread over the clip, in which it turned {flicker.turns:.1f} times.{sure}"


def _hidden(flicker: Flicker) -> str:
    if not flicker.hidden:
        return ""
    which = " and ".join(f"{hz} Hz" for hz in flicker.hidden)
    return (
        f" Light from mains of {which} would not show in this clip: at this frame rate it beats too slowly, or not at "
        "all."
    )


def _curve(run: ExposureRun, limits: Limits) -> Outcome:
    band = limits.band("exposure.curve_doubt")
    unknown = [each for each in run.cameras if each.curve.light is None]
    if unknown:
        looks = _looks(run.number(unknown[0].name, "noise_slope"))
        reason = f"{unknown[0].name}: {unknown[0].curve.unknown}{looks}"
        return not_measured(Estimate(value=None, reason=reason), band.text, action=WRITE_CURVE)
    found = {each.name: _slope(run, each.name) for each in run.cameras}
    bands = {name: _slope_band(run, name, band) for name in found}
    judged = worst_camera(found, bands, words=lambda each: number_text(each, 2))
    stated = run.camera(judged.camera).curve.transfer
    message = (
        f"Noise grows with the code value by the power: {judged.numbers} (0 to 0.5 in linear pictures, below 0 in "
        f"coded ones). The rig file says {stated} for {judged.camera}."
    )
    other = "coded, not linear" if stated == "linear" else "linear, not coded"
    action = (
        f"The pictures of {judged.camera} look {other}: check transfer in the rig file. Until it is right, every "
        "number in stops is wrong by about a factor of two; blown skin is judged all the same."
    )
    return outcome_of(judged, message, action, remedy="Nothing to do, unless the rig file is in doubt.")


def _slope(run: ExposureRun, camera: str) -> Estimate:
    if run.camera(camera).curve.transfer == "table":
        return Estimate(value=None, reason="the transfer curve is a table, which may be of any shape")
    return run.number(camera, "noise_slope")


def _slope_band(run: ExposureRun, camera: str, doubt: Band) -> Band:
    """Slopes that fit the stated curve: from below nothing on in linear pictures, up to a little in coded ones."""
    if run.camera(camera).curve.transfer != "linear":
        return doubt
    caution, fail = (None if each is None else -each for each in (doubt.caution, doubt.fail))
    return Band(caution=caution, fail=fail, unit=doubt.unit, worse="below")


def _looks(slope: Estimate) -> str:
    if slope.value is None or slope.sigma is None or abs(slope.value) < 2.0 * slope.sigma:
        return ""
    kind = "linear" if slope.value > 0 else "coded by a curve such as sRGB or BT.709"
    return f"; by their noise the pictures look {kind}"


CHECKS: tuple[Check[ExposureRun], ...] = (
    Check(
        code="EXP05",
        title="Side to side",
        meaning="How much brighter one side of the face is than the other, highlights aside",
        remedy="Turn down or diffuse the brighter side's lamp, or fill the other",
        limit="exposure.side_ratio_stops",
        measure=_sides,
        required=False,
    ),
    Check(
        code="EXP06",
        title="Camera to camera",
        meaning="How much brighter the same skin is in one camera than in the other",
        remedy="Set both alike, match by one iris; clean the lenses",
        limit="exposure.camera_ratio_stops",
        measure=_cameras,
        required=False,
    ),
    Check(
        code="EXP07",
        title="Flicker",
        meaning="How far the skin's light swings over time, and what it beats with",
        remedy="Find the lamp on mains or the pulsed driver; shutter or frame rate that fits",
        limit="exposure.flicker_stops",
        measure=_flicker,
        required=False,
    ),
    Check(
        code="EXP08",
        title="Transfer curve",
        meaning="Whether the noise contradicts the transfer curve that the rig file states",
        remedy="State the right curve in the rig file",
        limit="exposure.curve_doubt",
        measure=_curve,
        required=False,
    ),
)
