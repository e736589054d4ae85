"""Both ends of the exposure: what is blown, what drowns in noise, and which of them to give way to."""

from dataclasses import replace

import numpy as np

from rigcheck.checks.cameras import Judged, judge_each, number_text, outcome_of
from rigcheck.checks.core import Check, Outcome, not_applicable, not_measured
from rigcheck.checks.exposure_words import (
    EYES,
    FILM,
    WRITE_CURVE,
    lamp_of,
    places_text,
    quarter_stops,
    share_text,
)
from rigcheck.checks.framing_judged import size_of
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.face.exposure_moment import CHANNELS
from rigcheck.face.exposure_run import ExposureRun
from rigcheck.model import Estimate

__all__ = ["CHECKS"]

# Skin this far below white or further, and its brightest part that far above it: shine, not too much light.
_SHINE_BELOW, _SHINE_ABOVE = -1.2, 1.5
# Less noise than this, in code values, is not a sensor's at full depth.
_LITTLE_DN = 0.6
_FAIR = (
    "Shine throws the lamp back whatever the skin's own brightness, so on dark skin, exposed as it needs, it stands "
    "higher above the skin and clips sooner than on light skin: powder and softer lamps mend it, a darker picture of "
    "the whole face does not."
)


def _reason_remedy(estimate: Estimate) -> str:
    return WRITE_CURVE if "curve" in estimate.reason else FILM


def _shines(run: ExposureRun, camera: str) -> bool:
    level, shine = run.number(camera, "skin_stops").value, run.number(camera, "shine_stops").value
    return level is not None and shine is not None and level <= _SHINE_BELOW and shine >= _SHINE_ABOVE


def _blown(run: ExposureRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run,
        limits,
        "exposure.blown_share",
        lambda name: run.number(name, "blown_share"),
        words=share_text,
    )
    camera = run.camera(judged.camera)
    count, worst = (run.number(camera.name, name) for name in ("blown_count", "blown_worst_share"))
    glints = sum(run.number(camera.name, name).value or 0 for name in ("catch_light_count", "mouth_count"))
    message = f"Blown skin: {judged.numbers}."
    if camera.blown_places:
        message += (
            f" In {camera.name} {count.value or 0:.0f} areas in a usual moment, up to {share_text(worst)} of the skin: "
            f"{places_text(camera.blown_places)}."
        )
    if glints:
        message += f" Catch-lights in the eyes and glints on teeth ({glints:.0f}) do not count."
    if camera.piled_up and (run.number(camera.name, "ceiling_code").value or 0.0) < camera.curve.white - 2.0:
        message += f" The pictures stop at code value {run.number(camera.name, 'ceiling_code').value:.0f}."
    if _shines(run, camera.name) and judged.status != "pass":
        message += f" {_FAIR}"
    return outcome_of(judged, message, _blown_advice(run, judged), remedy=FILM)


def _blown_advice(run: ExposureRun, judged: Judged) -> str:
    camera = run.camera(judged.camera)
    place = camera.blown_places[0][0] if camera.blown_places else "the face"
    room = run.number(camera.name, "room_stops").value
    by = "step by step until the share falls" if room is None else f"by about {quarter_stops(room)}"
    if _shines(run, camera.name):
        return (
            f"Matte powder on {place} (a puff of the performer's own), and a larger, softer source for "
            f"{lamp_of(place)}; only then turn down {by}. {EYES}"
        )
    return (
        f"Turn down or diffuse {lamp_of(place)} {by}, or close the iris or shorten the shutter of {camera.name} by as "
        f"much; matte powder on {place} where it shines. Blown skin cannot be brought back, dark skin can be lifted: "
        f"rather a little dark. {EYES}"
    )


def _noise(run: ExposureRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run,
        limits,
        "exposure.shadow_noise_stops",
        lambda name: run.number(name, "shadow_noise_stops"),
        digits=2,
    )
    camera = run.camera(judged.camera)
    message = (
        f"In the darkest needed place a pixel strays by: {judged.numbers}"
        + (f"; in {camera.name} that is {camera.darkest}" if camera.darkest else "")
        + f" ({number_text(run.number(camera.name, 'shadow_noise_dn'), 1)}). Noise is judged, not "
        "brightness: no skin is too dark or too light by itself."
    )
    if (run.number(camera.name, "shadow_noise_dn").value or 1.0) < _LITTLE_DN:
        message += " So little noise is rounding's or coding's, which smooths skin with it: see whether pores are left."
    if not camera.curve.black_stated:
        message += (
            " The rig file gives no black level: with one, dark places are darker and noisier than this."
        )
    outcome = outcome_of(
        judged, message, _noise_advice(run, limits, judged), remedy=_reason_remedy(judged.estimate)
    )
    # A rig file may be silent about the curve: that is said, and holds up no verdict.
    return replace(outcome, applies=outcome.status != "skipped" or camera.curve.light is not None)


def _noise_advice(run: ExposureRun, limits: Limits, judged: Judged) -> str:
    camera, reserve = run.camera(judged.camera), limits["exposure.reserve_stops.caution"].value
    room = run.number(camera.name, "room_stops").value or 0.0
    need = _needed_stops(judged.estimate, judged.band.caution or 0.0)
    lamp = lamp_of(camera.darkest)
    if room - reserve >= min(need, 0.25):
        more = quarter_stops(min(need, room - reserve))
        return (
            f"Give {camera.name} about {more} more light: open the iris, lengthen the shutter where motion allows, or "
            f"raise the lamps a little. There is room for {room:.1f} stops before skin blows. Gain lifts the noise "
            f"too. {EYES}"
        )
    return (
        f"Leave the exposure of {camera.name}: there is no room above the brightest skin. Fill {camera.darkest}: a "
        f"reflector, or {lamp} wider and softer. {EYES}"
    )


def _needed_stops(noise: Estimate, wanted: float) -> float:
    """Light that brings the noise down to what is wanted, stops: halfway between noise of reading and of photons."""
    share, target = 2.0 ** (noise.value or 0.0) - 1.0, max(2.0**wanted - 1.0, 1e-6)
    return 1.5 * float(np.log2(max(share / target, 1.0)))


def _crushed(run: ExposureRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run,
        limits,
        "exposure.crushed_share",
        lambda name: run.number(name, "crushed_share"),
        words=share_text,
    )
    message = f"Skin at darkness, within two deviations of the noise: {judged.numbers}."
    if not run.camera(judged.camera).curve.black_stated:
        message += " Darkness is taken as code value 0, since the rig file gives no black level."
    action = (
        f"Fill the dark parts seen by {judged.camera} with a reflector or a wider, softer lamp; set the camera's black "
        f"level so that darkness is not cut off. {EYES}"
    )
    return outcome_of(judged, message, action, remedy=FILM)


def _to_set(run: ExposureRun, limits: Limits) -> Outcome:
    found = {each.name: _change(run, limits, each.name) for each in run.cameras}
    judged = judge_each(run, limits, "exposure.set_stops", lambda name: size_of(found[name]), digits=2)
    if judged.status == "skipped":
        return not_measured(judged.estimate, judged.band.text, action=_reason_remedy(judged.estimate))
    change, room = found[judged.camera].value or 0.0, run.number(judged.camera, "room_stops")
    skin = ", ".join(
        f"{each.name} {number_text(size_of(run.number(each.name, 'skin_stops')), 1)}" for each in run.cameras
    )
    message = (
        f"The skin's middle lies below white by: {skin}; in {judged.camera} "
        + (
            f"the brightest skin has {room.value or 0.0:.1f} stops of room."
            if (room.value or 0.0) > 0
            else f"the brightest skin lies {abs(room.value or 0.0):.1f} stops past white."
        )
        + " Blown weighs more than dark: shadow can be lifted, blown skin is lost."
    )
    noisy = judge(run.number(judged.camera, "shadow_noise_stops"), limits.band("exposure.shadow_noise_stops"))
    if change < 0 and noisy not in ("pass", "skipped"):
        message += " It is blown and noisy at once: no exposure holds both."
        action = (
            f"Lower the contrast seen by {judged.camera} first: diffuse the lamps, powder the shine, fill the dark "
            f"side; then set it {quarter_stops(change)} darker. {EYES}"
        )
    elif change < 0:
        action = (
            f"Set {judged.camera} {quarter_stops(change)} darker, or powder and diffuse what shines. {EYES}"
        )
    else:
        action = f"Set {judged.camera} {quarter_stops(change)} brighter, by light, iris or shutter, not by gain. {EYES}"
    return outcome_of(judged, message, action)


def _change(run: ExposureRun, limits: Limits, camera: str) -> Estimate:
    """Change of exposure that the numbers ask for, stops: down where skin is blown, up where noise asks for it."""
    room, noise = run.number(camera, "room_stops"), run.number(camera, "shadow_noise_stops")
    if room.value is None:
        return room
    blown = judge(run.number(camera, "blown_share"), limits.band("exposure.blown_share"))
    band = limits.band("exposure.shadow_noise_stops")
    if blown != "pass":
        return Estimate(value=min(room.value, 0.0), sigma=room.sigma, unit="stops", n=room.n)
    if judge(noise, band) in ("pass", "skipped"):
        return Estimate(value=0.0, sigma=0.0, unit="stops", n=room.n)
    spare = max(room.value - limits["exposure.reserve_stops.caution"].value, 0.0)
    wanted = min(_needed_stops(noise, band.caution or 0.0), spare)
    return Estimate(value=wanted, sigma=room.sigma, unit="stops", n=room.n)


def _channels(run: ExposureRun, limits: Limits) -> Outcome:
    numbers = {each.name: run.number(each.name, "channel_share") for each in run.cameras}
    if all(each.value is None and each.reason == "grey footage" for each in numbers.values()):
        return not_applicable("the footage is grey")
    judged = judge_each(run, limits, "exposure.channel_share", lambda name: numbers[name], words=share_text)
    message = (
        f"A colour channel is clipped while another is not, over: {judged.numbers} of the skin"
        f"{_which_channel(run, judged.camera)}. There the colour is false, though the picture looks bright only."
    )
    action = (
        f"Bring {judged.camera} down until no channel clips, and look at its white balance: on skin red clips first "
        "under most lamps. "
        f"Judge it on the camera's own picture, not on luma. {EYES}"
    )
    return outcome_of(
        judged,
        message,
        action,
        remedy="Give the footage in colour, as recorded, so that each channel is looked at.",
    )


def _which_channel(run: ExposureRun, camera: str) -> str:
    """The channel that clips most in the moment shown."""
    shown = run.camera(camera).shown
    if shown is None or shown.channel_px is None or not max(shown.channel_px[:3]):
        return ""
    most = int(np.argmax(shown.channel_px[:3]))
    return f"; in {camera} mostly {CHANNELS[most]}"


CHECKS: tuple[Check[ExposureRun], ...] = (
    Check(
        code="EXP01",
        title="Blown skin",
        meaning="Share of the skin that is at the ceiling, catch-lights and teeth left out",
        remedy="Turn down or diffuse that lamp, matte powder; rather a little dark",
        limit="exposure.blown_share",
        measure=_blown,
    ),
    Check(
        code="EXP02",
        title="Noise in the shadow",
        meaning="By how many stops a pixel strays in the darkest place of the skin",
        remedy="More light where there is room, else fill the dark side; not gain",
        limit="exposure.shadow_noise_stops",
        measure=_noise,
    ),
    Check(
        code="EXP03",
        title="Skin at darkness",
        meaning="Share of the skin that cannot be told from darkness",
        remedy="Fill the dark parts; mend the black level",
        limit="exposure.crushed_share",
        measure=_crushed,
        required=False,
    ),
    Check(
        code="EXP04",
        title="Exposure to set",
        meaning="Change of exposure that blown skin, or else noise, asks for; blown weighs more",
        remedy="Set it darker or brighter by as much",
        limit="exposure.set_stops",
        measure=_to_set,
        required=False,
    ),
    Check(
        code="EXP09",
        title="Clipped channels",
        meaning="Share of the skin where one colour channel is clipped and another is not",
        remedy="Darker until no channel clips; white balance",
        limit="exposure.channel_share",
        measure=_channels,
        required=False,
    ),
)
