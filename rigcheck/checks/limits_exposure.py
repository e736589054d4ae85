"""Thresholds of the exposure checks of `fitting`."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_BLOWN = "At most a thousandth of the skin, without catch-lights and teeth; " + _COMMON
_BLOWN_FAIL = "A hundredth of the skin holds no detail to track or shade from; " + _COMMON
_NOISE = (
    "A pixel strays by 9 % at 0.12 stop, by 19 % at 0.25; skin's fine detail varies by about 5 % (rendered heads), so "
    "it takes averages over 2 x 2 and 4 x 4 pixels to see it; " + _COMMON
)
_SIDES = "Matched skin, highlights aside: aim at a quarter of a stop, warn from half; " + _COMMON
_FLICKER = (
    "From trough to crest: 0.05 stop is a change of 3.5 % from picture to picture, the size of skin's fine detail; "
    + _COMMON
)
_CURVE = (
    "Noise of a sensor grows with the light (EMVA Standard 1288) in linear pictures and falls in coded ones: rendered "
    "heads give slopes of 0.09 to 0.38 linear, -0.09 to -1.0 in sRGB and BT.709"
)

LIMITS: tuple[Limit, ...] = (
    Limit(name="exposure.blown_share.caution", value=0.001, unit="of skin", source=_BLOWN),
    Limit(name="exposure.blown_share.fail", value=0.01, unit="of skin", source=_BLOWN_FAIL),
    Limit(name="exposure.shadow_noise_stops.caution", value=0.12, unit="stops", source=_NOISE),
    Limit(name="exposure.shadow_noise_stops.fail", value=0.25, unit="stops", source=_NOISE),
    Limit(
        name="exposure.crushed_share.caution",
        value=0.005,
        unit="of skin",
        source="Within two deviations of the noise above darkness; " + _COMMON,
    ),
    Limit(name="exposure.crushed_share.fail", value=0.05, unit="of skin", source=_COMMON),
    Limit(
        name="exposure.set_stops.caution",
        value=0.25,
        unit="stops",
        source="The smallest step that lamps, iris and shutter are usually set by; " + _COMMON,
    ),
    Limit(
        name="exposure.reserve_stops.caution",
        value=0.25,
        unit="stops",
        source="Left free above the brightest skin when more light is advised: faces move and sweat; "
        + _COMMON,
        worse="below",
    ),
    Limit(name="exposure.side_ratio_stops.caution", value=0.25, unit="stops", source=_SIDES),
    Limit(
        name="exposure.side_ratio_stops.fail", value=1.0, unit="stops", source=_SIDES + "; fail is one stop"
    ),
    Limit(
        name="exposure.camera_ratio_stops.caution",
        value=0.33,
        unit="stops",
        source="A third of a stop, the usual step of iris and shutter; " + _COMMON,
    ),
    Limit(name="exposure.camera_ratio_stops.fail", value=1.0, unit="stops", source=_COMMON),
    Limit(name="exposure.flicker_stops.caution", value=0.05, unit="stops", source=_FLICKER),
    Limit(name="exposure.flicker_stops.fail", value=0.2, unit="stops", source=_FLICKER),
    Limit(name="exposure.curve_doubt.caution", value=0.05, unit="", source=_CURVE),
    Limit(name="exposure.curve_doubt.fail", value=0.1, unit="", source=_CURVE),
    Limit(name="exposure.channel_share.caution", value=0.001, unit="of skin", source=_BLOWN),
    Limit(name="exposure.channel_share.fail", value=0.01, unit="of skin", source=_BLOWN_FAIL),
)
