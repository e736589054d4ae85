"""Thresholds of the framing checks of `fitting`. A rig file may override each, for one camera too."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_SURVEY = (
    "Gordon et al., 2012 survey of U.S. Army personnel (NATICK/TR-15/007, public file), both sexes in equal parts: "
    "0.5 and 99.5 % of adults"
)
_NEARLY_ALL = (
    "Dodgson, Proc. SPIE 5291, 2004: nearly all adults lie within 45 to 80 mm, children from about 40"
)
_OPENING = (
    "Published maximum openings between the incisors (adults of India, Taiwan, China: means 44 to 54 mm, sd 4 to 8); "
    "working band 35 to 65 mm widened by 2 sd of the lips' own part; " + _COMMON
)
_LOOK = (
    "The lip seam and the inner edge of the upper lids are seen from a little below; the facial level itself differs "
    "by 3.6 deg (sd) over people; " + _COMMON
)
_COVER = (
    "0.8 % of a face is a bar of 3 mm over half its width; rendered: clear faces give 0.000 to 0.003, a boom of 5 mm "
    "0.012 to 0.019, a cable of 1.7 mm 0.009; " + _COMMON
)
_EPIPOLAR = (
    "50 rendered performers, stacked pair: RMS distance 0.007 (median) to 0.014 (most) of the outer-eye distance; with "
    "the cameras exchanged 0.024 (least) and more"
)
_MOUTH = (
    "Clean rendered faces, glasses and painted dots among them, 0.4 to 1.4, with a full moustache from 0.3; "
    "public-domain portraits 0.4 and 0.8; of rendered hands, masks and microphones that are found as faces nine in "
    "ten below 0.28; " + _COMMON
)
_UNCLEAR = (
    "1 in 100 of clean rendered faces with closed lips, 4 in 10 of covered ones that are found; " + _COMMON
)
_SURE = "Portraits and rendered faces 12 to 25, with a mask over the mouth 7 to 9; " + _COMMON
_SLIP = "1.5 and 4 mm of the 91 mm between the outer eye corners of an average head; " + _COMMON

LIMITS: tuple[Limit, ...] = (
    Limit(name="framing.seen_share.caution", value=0.8, unit="", source=_COMMON, worse="below"),
    Limit(name="framing.seen_share.fail", value=0.3, unit="", source=_COMMON, worse="below"),
    Limit(
        name="framing.turned_deg.fail",
        value=45.0,
        unit="deg",
        source="Half a quarter turn: the pictures stand another way up than the rig file says",
    ),
    Limit(name="framing.nostril_across.caution", value=0.06, unit="of width", source=_COMMON),
    Limit(name="framing.nostril_across.fail", value=0.15, unit="of width", source=_COMMON),
    Limit(name="framing.nostril_height.caution", value=0.06, unit="of height", source=_COMMON),
    Limit(name="framing.nostril_height.fail", value=0.15, unit="of height", source=_COMMON),
    Limit(name="framing.chin_margin.caution", value=0.08, unit="of height", source=_COMMON, worse="below"),
    Limit(
        name="framing.chin_margin.fail",
        value=0.0,
        unit="of height",
        source="The chin lies outside the picture",
        worse="below",
    ),
    Limit(
        name="framing.jaw_open_margin.caution", value=0.02, unit="of height", source=_COMMON, worse="below"
    ),
    Limit(
        name="framing.jaw_open_margin.fail",
        value=0.0,
        unit="of height",
        source="The chin of the open jaw lies outside the picture",
        worse="below",
    ),
    Limit(
        name="framing.forehead_margin.caution", value=0.01, unit="of height", source=_COMMON, worse="below"
    ),
    Limit(name="framing.side_margin.caution", value=0.01, unit="of width", source=_COMMON, worse="below"),
    Limit(name="framing.face_fill.caution", value=0.25, unit="of picture", source=_COMMON, worse="below"),
    Limit(name="framing.face_fill.fail", value=0.12, unit="of picture", source=_COMMON, worse="below"),
    Limit(name="framing.roll_deg.caution", value=4.0, unit="deg", source=_COMMON),
    Limit(name="framing.roll_deg.fail", value=10.0, unit="deg", source=_COMMON),
    Limit(name="framing.look_up_deg.caution", value=40.0, unit="deg", source=_LOOK),
    Limit(name="framing.look_up_deg.fail", value=60.0, unit="deg", source=_LOOK),
    Limit(name="framing.look_down_deg.caution", value=15.0, unit="deg", source=_LOOK),
    Limit(name="framing.look_down_deg.fail", value=25.0, unit="deg", source=_LOOK),
    Limit(name="framing.lids_from_below_deg.caution", value=8.0, unit="deg", source=_LOOK, worse="below"),
    Limit(name="framing.lids_from_below_deg.fail", value=0.0, unit="deg", source=_LOOK, worse="below"),
    Limit(name="framing.lips_askew_deg.caution", value=35.0, unit="deg", source=_LOOK),
    Limit(name="framing.lips_askew_deg.fail", value=55.0, unit="deg", source=_LOOK),
    Limit(name="framing.eyes_shut_share.caution", value=0.5, unit="of pictures", source=_COMMON),
    Limit(name="framing.mouth_detail.caution", value=0.28, unit="", source=_MOUTH, worse="below"),
    Limit(name="framing.mouth_detail.fail", value=0.14, unit="", source=_MOUTH, worse="below"),
    Limit(name="framing.mouth_unclear_share.caution", value=0.5, unit="of pictures", source=_UNCLEAR),
    Limit(name="framing.sureness.caution", value=11.0, unit="", source=_SURE, worse="below"),
    Limit(name="framing.covered_share.caution", value=0.004, unit="of face", source=_COVER),
    Limit(name="framing.covered_share.fail", value=0.008, unit="of face", source=_COVER),
    Limit(name="framing.slip.caution", value=0.0165, unit="of eye distance", source=_SLIP),
    Limit(name="framing.slip.fail", value=0.044, unit="of eye distance", source=_SLIP),
    Limit(name="framing.roll_difference_deg.caution", value=4.0, unit="deg", source=_COMMON),
    Limit(name="framing.roll_difference_deg.fail", value=12.0, unit="deg", source=_COMMON),
    Limit(name="framing.size_difference.caution", value=0.15, unit="", source=_COMMON),
    Limit(name="framing.size_difference.fail", value=0.4, unit="", source=_COMMON),
    Limit(name="framing.epipolar_share.caution", value=0.017, unit="of eye distance", source=_EPIPOLAR),
    Limit(name="framing.epipolar_share.fail", value=0.022, unit="of eye distance", source=_EPIPOLAR),
    Limit(name="face.interpupillary_long_mm.caution", value=73.0, unit="mm", source=_SURVEY),
    Limit(name="face.interpupillary_long_mm.fail", value=80.0, unit="mm", source=_NEARLY_ALL),
    Limit(name="face.interpupillary_short_mm.caution", value=53.5, unit="mm", source=_SURVEY, worse="below"),
    Limit(name="face.interpupillary_short_mm.fail", value=45.0, unit="mm", source=_NEARLY_ALL, worse="below"),
    Limit(name="face.length_long_mm.caution", value=138.0, unit="mm", source=_SURVEY),
    Limit(name="face.length_long_mm.fail", value=156.0, unit="mm", source=_SURVEY + "; longest of all"),
    Limit(name="face.length_short_mm.caution", value=100.0, unit="mm", source=_SURVEY, worse="below"),
    Limit(
        name="face.length_short_mm.fail",
        value=91.0,
        unit="mm",
        source=_SURVEY + "; shortest of all",
        worse="below",
    ),
    Limit(name="face.opening_mm.caution", value=75.0, unit="mm", source=_OPENING),
    Limit(name="refit.shift_mm.caution", value=3.0, unit="mm", source=_COMMON),
    Limit(name="refit.shift_mm.fail", value=8.0, unit="mm", source=_COMMON),
    Limit(name="refit.turn_deg.caution", value=3.0, unit="deg", source=_COMMON),
    Limit(name="refit.turn_deg.fail", value=8.0, unit="deg", source=_COMMON),
    Limit(name="refit.size.caution", value=0.05, unit="", source=_COMMON),
    Limit(name="refit.size.fail", value=0.12, unit="", source=_COMMON),
    Limit(
        name="refit.looks.caution",
        value=0.0,
        unit="",
        source="A calibration of a face belongs to one performer as they looked that day; " + _COMMON,
    ),
)
