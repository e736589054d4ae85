"""Thresholds of the focus checks of `fitting`."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_DETAIL = (
    "Rendered skin in focus gives 0.21 to 0.29 on cheeks, 0.13 to 0.18 at the eyes; half of it is left of a blur disc "
    "of 4 px (Gaussian sigma 1 px), a quarter of one of 6 px; " + _COMMON
)
_DISC = (
    "A blur disc of 2 px leaves 72 % of the contrast at 0.25 cycles per pixel, one of 4 px 18 % (transfer of a disc, "
    "2 J1(x)/x); " + _COMMON
)
_SMEAR = (
    "Motion of 3 px leaves 30 % of the contrast at 0.25 cycles per pixel along it, of 4 px none (sinc); still skin "
    "reads up to 2.4 px by its wrinkles and slant (rendered heads); " + _COMMON
)

LIMITS: tuple[Limit, ...] = (
    Limit(name="focus.skin_detail.caution", value=0.15, unit="", source=_DETAIL, worse="below"),
    Limit(name="focus.skin_detail.fail", value=0.08, unit="", source=_DETAIL, worse="below"),
    Limit(name="focus.eye_detail.caution", value=0.10, unit="", source=_DETAIL, worse="below"),
    Limit(name="focus.eye_detail.fail", value=0.055, unit="", source=_DETAIL, worse="below"),
    Limit(name="focus.disc_px.caution", value=2.0, unit="px", source=_DISC),
    Limit(name="focus.disc_px.fail", value=4.0, unit="px", source=_DISC),
    Limit(name="focus.chin_disc_px.caution", value=4.0, unit="px", source=_DISC),
    Limit(
        name="focus.smear_px.caution",
        value=3.0,
        unit="px",
        source=_SMEAR,
    ),
    Limit(name="focus.smear_px.fail", value=4.5, unit="px", source=_SMEAR),
    Limit(
        name="focus.pair_detail.caution",
        value=0.67,
        unit="",
        source="The softer camera's detail over the sharper's, same skin: in focus within 0.7 (rendered heads, the two "
        "cameras 5 to 25 mm apart in distance); " + _COMMON,
        worse="below",
    ),
    Limit(
        name="focus.plane_from_lens_mm.caution",
        value=20.0,
        unit="mm",
        source="Distance marks count from the sensor or the front glass, 10 to 20 mm from the principal plane of "
        "a small lens; " + _COMMON,
    ),
)
