"""Thresholds of the checks of `verify`. How much harm is too much is the limit that every command shares."""

from rigcheck.checks.limit import COMMON, Limit

__all__ = ["LIMITS"]

_FOCUS = (
    "Thin lens, 6 mm: moving the plane of focus by 100 mm at 150 to 250 mm changes the focal length by 1.67 %; "
    "0.05 % are 0.06 mm in depth (simulated, f 1420 px, baseline 72 mm), so that 5 and 12 mm are 0.10 and 0.25 mm, "
    "the harm limits"
)

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="verify.p_value.caution",
        value=0.001,
        unit="",
        source="Chi-square test of both covariances: one untouched rig in a thousand falls below; " + COMMON,
        worse="below",
    ),
    Limit(
        name="verify.left_p.caution",
        value=0.001,
        unit="",
        source="Chi-square of what the best single cause leaves: one sound fit in a thousand falls below; "
        + COMMON,
        worse="below",
    ),
    Limit(name="verify.focus_moved_mm.caution", value=5.0, unit="mm", source=_FOCUS),
    Limit(name="verify.focus_moved_mm.fail", value=12.0, unit="mm", source=_FOCUS),
    Limit(
        name="verify.rms_ratio.caution",
        value=1.5,
        unit="",
        source="Today's residuals over the calibration's; blur or a bent board; " + COMMON,
    ),
    Limit(
        name="verify.sensor_p.caution",
        value=0.001,
        unit="",
        source="Binomial: the same sensor shows as few of its hot pixels less than once in a thousand times, were each "
        "seen again with probability 0.6. Rendered, planted, H.264 (tests/bench/bench_sensors.py): 0.86 and more at "
        "the calibration's exposure and coding; 0.33 and more at half the exposure, still known by 2e-12; coarser "
        "coding may swallow all, and then shows no others either, without which no sensor is called another",
        worse="below",
    ),
    Limit(
        name="verify.sensor_chance.caution",
        value=1e-6,
        unit="",
        source="Binomial: another sensor shows as many of the stored hot pixels less than once in a million times, at "
        "the share of places lit by chance in today's own pictures, up to 0.004; " + COMMON,
    ),
)
