"""Each exposure check fails on its planted fault, passes without it, and stays open where evidence is thin."""

from dataclasses import replace

import numpy as np
import pytest
from exposure_study import case, described, frame_of, measured, of_skin

from rigcheck.checks import EXPOSURE_CHECKS, Limits, effective_limits, run_checks
from rigcheck.face.exposure_curve import noise_levels
from rigcheck.face.exposure_flicker import LightSeries
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.face.exposure_run import CameraExposed, exposure_run
from rigcheck.model import FaceLandmarks

LIMITS = Limits(effective_limits())


def judged(run) -> dict:
    return {result.code: result for result in run_checks(EXPOSURE_CHECKS, run, LIMITS)}


def lamp(
    half_swing: float, *, light_hz: float = 100.0, fps: float = 60.0, seconds: float = 2.5
) -> LightSeries:
    times = np.arange(int(seconds * fps)) / fps
    noise = 1 + 0.003 * np.random.default_rng([84, 1]).standard_normal(len(times))
    return LightSeries(times_s=times, light=(1 + half_swing * np.sin(2 * np.pi * light_hz * times)) * noise)


def pair(first: str, second: str, **of_second):
    """Two cameras, each with one named picture; `of_second` changes the second's rig entry."""
    cameras = []
    for name, picture, more in (("upper", first, {}), ("lower", second, of_second)):
        one, curve = case(picture), light_curve(described(**more))
        moment = exposure_moment(one.frame, one.face, curve)
        cameras.append(
            CameraExposed(
                name=name,
                curve=curve,
                moments=(moment,),
                series=lamp(0.0),
                noise=noise_levels(one.frame, moment.layout, curve),
                frame_rate=60.0,
            )
        )
    return exposure_run(cameras)


def test_a_well_lit_pair_passes_all():
    results = judged(pair("usual", "usual"))
    assert {code: each.status for code, each in results.items() if each.status != "pass"} == {
        "EXP09": "skipped"
    }
    assert not results["EXP09"].required
    assert all(not each.action for each in results.values() if each.status == "pass")


def test_blown_skin_fails_and_says_where_and_what_to_turn():
    result = judged(case("bright").run)["EXP01"]
    assert result.status == "fail"
    assert result.estimate.value > 0.02
    assert "the upper lip's skin" in result.message or "the tip of the nose" in result.message
    assert "powder" in result.action
    assert "stop" in result.action
    assert "safety lead" in result.action


def test_shine_on_well_exposed_skin_is_told_from_too_much_light():
    """The same shine passes on light skin; on dark skin at its own exposure it clips, and that is said."""
    light, dark = judged(of_skin(0.41, 2.5).run)["EXP01"], judged(of_skin(0.050, 2.5).run)["EXP01"]
    assert (light.status, dark.status) == ("pass", "fail")
    assert "whatever the skin" in dark.message
    assert dark.action.startswith("Matte powder")
    assert "whatever the skin" not in judged(case("bright").run)["EXP01"].message


def test_few_blown_pixels_are_a_caution():
    one = case("usual")
    image = one.frame.image.copy()
    x, y = np.rint(one.face.points_px[151]).astype(int)
    image[y - 12 : y + 13, x - 12 : x + 13] = 255
    result = judged(measured(frame_of(image), one.face, described()))["EXP01"]
    assert result.status == "caution"
    assert "forehead" in result.message
    assert "upper lamps" in result.action


def test_noise_in_the_shadow_fails_in_the_dark_and_asks_for_light_not_gain():
    results = judged(case("dim").run)
    assert results["EXP02"].status == "fail"
    assert "more light" in results["EXP02"].action
    assert "Gain lifts the noise" in results["EXP02"].action
    assert judged(case("usual").run)["EXP02"].status == "pass"


def test_noise_near_its_limit_is_inconclusive():
    run = case("usual").run
    name = "exposure.a.shadow_noise_stops"
    unsure = replace(run.measurements[name], value=0.24, sigma=0.02)
    assert (
        judged(replace(run, measurements={**run.measurements, name: unsure}))["EXP02"].status
        == "inconclusive"
    )


def test_skin_at_darkness():
    one = case("usual")
    cut = np.where(one.frame.image < 60, 4, one.frame.image).astype(np.uint8)
    result = judged(measured(frame_of(cut), one.face, described()))["EXP03"]
    assert result.status == "fail"
    assert "Fill" in result.action
    assert judged(one.run)["EXP03"].status == "pass"


def test_exposure_goes_down_for_blown_and_up_only_where_there_is_room():
    bright, dim, usual = (judged(case(name).run)["EXP04"] for name in ("bright", "dim", "usual"))
    assert bright.status == "caution"
    assert "darker" in bright.action
    assert dim.status == "caution"
    assert "brighter" in dim.action
    assert "not by gain" in dim.action
    assert usual.status == "pass"


def test_blown_weighs_more_than_noise():
    """Both at once: never brighter, and the contrast is named."""
    one = case("bright")
    middle = int(one.face.points_px[2, 0])
    image = one.frame.image.astype(np.float64)
    image[:, :middle] = 4.0 + 0.06 * (image[:, :middle] - 4.0)
    image += 3.0 * np.random.default_rng([84, 2]).standard_normal(image.shape) * (image < 200)
    image = np.clip(np.rint(image), 0, 255).astype(np.uint8)
    results = judged(measured(frame_of(image), one.face, described()))
    assert results["EXP01"].status == "fail"
    assert results["EXP02"].status in ("fail", "inconclusive")
    assert "blown and noisy at once" in results["EXP04"].message
    assert "darker" in results["EXP04"].action
    assert "brighter" not in results["EXP04"].action
    assert "no room" in results["EXP02"].action


def test_lopsided_lamps_fail_and_the_side_is_named():
    result = judged(case("lopsided").run)["EXP05"]
    assert result.status == "caution"
    assert "performer's left" in result.message
    assert "lamp on the performer's left" in result.action
    one = case("usual")
    shaded = one.frame.image.astype(np.float64)
    middle = int(one.face.points_px[2, 0])
    shaded[:, middle:] *= 0.35
    failed = judged(measured(frame_of(shaded.round().astype(np.uint8)), one.face, described()))["EXP05"]
    assert failed.status == "fail"
    assert "performer's right is the brighter" in failed.message


def test_cameras_apart_fail_and_one_camera_alone_is_not_asked():
    result = judged(pair("usual", "dim"))["EXP06"]
    assert result.status == "fail"
    assert "brighter in upper than in lower" in result.message
    assert judged(case("usual").run)["EXP06"].status == "skipped"
    assert not judged(case("usual").run)["EXP06"].required
    unknown = judged(pair("usual", "usual", transfer=None))["EXP06"]
    assert unknown.status == "skipped"
    assert "transfer" in unknown.action


def with_light(series, **more):
    one, curve = case("usual"), light_curve(described())
    moment = exposure_moment(one.frame, one.face, curve)
    return exposure_run(
        [CameraExposed(name="a", curve=curve, moments=(moment,), series=series, frame_rate=60.0, **more)]
    )


def test_flicker_fails_and_its_cause_is_named():
    result = judged(with_light(lamp(0.12), shutter_s=0.002))["EXP07"]
    assert result.status == "fail"
    assert "mains of 50 Hz" in result.message
    assert "20.00 Hz" in result.message
    assert "1/100 s" in result.action
    assert "epilepsy" in result.action
    assert judged(with_light(lamp(0.025)))["EXP07"].status == "caution"
    assert judged(with_light(lamp(0.001)))["EXP07"].status == "pass"


def test_flicker_of_a_driver_is_not_blamed_on_mains():
    result = judged(with_light(lamp(0.12, light_hz=247.0)))["EXP07"]
    assert result.status == "fail"
    assert "driver" in result.message
    assert "constant current" in result.action


def test_flicker_that_cannot_be_seen():
    assert "would not show" in judged(with_light(lamp(0.12, light_hz=120.0)))["EXP07"].message
    missing = judged(with_light(None))["EXP07"]
    assert missing.status == "skipped"
    assert "two seconds" in missing.action


def with_noise(name: str, transfer: str):
    one, curve = case(name), light_curve(described(transfer))
    moment = exposure_moment(one.frame, one.face, curve)
    levels = noise_levels(one.frame, moment.layout, curve)
    return exposure_run([CameraExposed(name="a", curve=curve, moments=(moment,), noise=levels)])


@pytest.mark.parametrize(
    ("name", "stated", "status"),
    [
        ("usual", "linear", "pass"),
        ("srgb", "srgb", "pass"),
        ("bt709", "bt709", "pass"),
        ("usual", "srgb", "fail"),
        ("srgb", "linear", "fail"),
    ],
)
def test_transfer_curve_against_the_noise(name, stated, status):
    """Linear pictures declared sRGB, and the other way round, are named by how noise grows."""
    result = judged(with_noise(name, stated))["EXP08"]
    assert result.status == status
    if status == "fail":
        assert ("look linear" if stated == "srgb" else "look coded") in result.action


def test_without_a_curve_it_is_said_what_could_not_be_judged():
    results = judged(measured(case("oily").frame, case("oily").face, described(None)))
    assert results["EXP01"].status in ("fail", "caution")
    for code in ("EXP02", "EXP04", "EXP05", "EXP08"):
        assert results[code].status == "skipped"
        assert "transfer" in results[code].action
    assert not results["EXP02"].required
    assert results["EXP01"].required


def test_a_clipped_channel_fails():
    one = case("usual")
    grey = one.frame.image.astype(np.float64)
    colour = np.clip(np.stack([2.4 * grey, grey, 0.7 * grey], axis=-1), 0, 255).round().astype(np.uint8)
    result = judged(measured(frame_of(colour), one.face, described()))["EXP09"]
    assert result.status == "fail"
    assert "red" in result.action
    even = np.repeat(one.frame.image[:, :, None], 3, axis=2)
    assert judged(measured(frame_of(even), one.face, described()))["EXP09"].status == "pass"
    unseen = judged(measured(one.frame, one.face, described(), colour_unseen=True))["EXP09"]
    assert unseen.status == "skipped"
    assert "colour" in unseen.action


def test_marked_points_alone_leave_all_open():
    one = case("usual")
    points = np.full_like(one.face.points_px, np.nan)
    points[[33, 133, 362, 263, 1, 2]] = one.face.points_px[[33, 133, 362, 263, 1, 2]]
    face = FaceLandmarks(
        ref=one.face.ref,
        image_size_px=one.face.image_size_px,
        points_px=points,
        sigma_px=one.face.sigma_px,
        found_by="marked",
    )
    results = judged(measured(one.frame, face, described()))
    assert {each.status for each in results.values()} == {"skipped"}
    assert "marked points" in results["EXP01"].message
    assert results["EXP02"].required


def test_no_moments_at_all():
    run = exposure_run([CameraExposed(name="a", curve=light_curve(described()), moments=())])
    assert {each.status for each in judged(run).values()} == {"skipped"}
