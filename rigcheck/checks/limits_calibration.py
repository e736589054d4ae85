"""Thresholds of the checks of `calibrate`, and of harm, which every command shares."""

from rigcheck.checks.limit import COMMON as _COMMON
from rigcheck.checks.limit import Limit

__all__ = ["LIMITS"]

_TILT_SOURCE = (
    "Zhang, IEEE PAMI 2000: parallel planes add nothing. Simulated with OpenCV's projection (9 views at one "
    "tilt, f 1300 px, corner noise 0.1 px): sd of f about 8 px at 5°, 2 at 10°, 0.8 at 20°, 0.5 at 30°"
)
_MAPPING_SOURCE = (
    "Depth error Z²·δ/(f·B): 0.26 px is 0.10 mm, the harm limit, at Z 200 mm, f 1300 px, B 80 mm; " + _COMMON
)
_PRINT_SOURCE = "0.05 % of 200 mm is 0.10 mm, the harm limit; calipers of 0.03 mm over 100 mm reach 0.03 %"

_PRIOR_SOURCE = "Chi-square test of both covariances: one sound clip in a thousand falls below; " + _COMMON
_FLATNESS_SOURCE = (
    "Simulated with the board taken as flat: a bow of 0.05 mm moves an 80 mm baseline by 0.09 mm and the face "
    "by 0.4 mm; " + _COMMON
)
_BIAS_SOURCE = (
    "Simulated (10 x 7 corners of 10 mm, f 1300 px, noise 0.05 px): a bow of 0.02 mm over 90 mm gives 0.06, "
    "0.05 mm 0.31, 0.1 mm 0.65; decentring left out gives 0.21; flat boards -0.01"
)
_PATTERN_SOURCE = (
    "Simulated (f 1420 px, baseline 72 mm, noise 0.05 px): decentring of 5e-4 left out of the lens model "
    "gives 0.025 px and 0.11 mm in depth, the harm limit; right models up to 0.007 px"
)
_KNOWN_LENGTH_SOURCE = "0.05 and 0.125 % of 200 mm are 0.10 and 0.25 mm, the harm limits"
_SYNC_SOURCE = (
    "Depth error Z·v·t/B at Z 200 mm, B 80 mm and skin moving at 100 mm/s (common practice): 0.4 ms is 0.10 mm "
    "and 1 ms 0.25 mm, the harm limits"
)
_FOCUS_SOURCE = (
    "Thin lens, 6 mm, 3.45 um pixels, focused at 200 mm: the blur disc is 1 px at 10 (f/2.8) to 16 mm (f/4) from "
    "the plane, and 2 px at 23 (f/2.8); " + _COMMON
)
_COVERED_SOURCE = (
    "Thin lens, 6 mm, 3.45 um pixels, focused at 200 mm, disc within 2 px: f/2.8 covers 0.53 of the face's 80 mm, "
    "f/4 0.76, f/5.6 0.93; " + _COMMON
)
_MTF_SOURCE = (
    "0.187 over the blur's sigma (a Gaussian's MTF50): 1.25 px give 0.15, 2.3 px 0.08 cy/px; " + _COMMON
)

LIMITS: tuple[Limit, ...] = (
    Limit(name="harm.depth_mm.caution", value=0.10, unit="mm", source=_COMMON),
    Limit(name="harm.depth_mm.fail", value=0.25, unit="mm", source=_COMMON),
    Limit(
        name="fit.condition_number.caution",
        value=1e10,
        unit="",
        source="Double precision (IEEE 754) holds 16 digits: fewer than 6 are left; " + _COMMON,
    ),
    Limit(name="reprojection.rms_px.caution", value=0.3, unit="px", source=_COMMON),
    Limit(name="reprojection.rms_px.search", value=0.5, unit="px", source=_COMMON),
    Limit(name="reprojection.rms_px.fail", value=1.0, unit="px", source=_COMMON),
    Limit(name="epipolar.rms_px.caution", value=0.3, unit="px", source=_COMMON),
    Limit(
        name="epipolar.rms_px.fail", value=1.0, unit="px", source=_COMMON + "; the same as for reprojection"
    ),
    Limit(name="held_out.ratio.caution", value=1.2, unit="", source=_COMMON),
    Limit(name="leave_out.ratio.caution", value=1.5, unit="", source=_COMMON),
    Limit(name="tilt.spread_deg.caution", value=10.0, unit="deg", source=_TILT_SOURCE, worse="below"),
    Limit(name="tilt.spread_deg.fail", value=2.5, unit="deg", source=_TILT_SOURCE, worse="below"),
    Limit(name="coverage.share.caution", value=0.6, unit="", source=_COMMON, worse="below"),
    Limit(name="outliers.share.caution", value=0.05, unit="", source=_COMMON),
    Limit(
        name="outliers.share.fail",
        value=0.2,
        unit="",
        source=_COMMON + "; a robust fit rests on the majority being sound",
    ),
    Limit(name="mapping.sigma_px.caution", value=0.25, unit="px", source=_MAPPING_SOURCE),
    Limit(name="prior.p_value.fail", value=0.001, unit="", source=_PRIOR_SOURCE, worse="below"),
    Limit(name="board.flatness_mm.caution", value=0.05, unit="mm", source=_FLATNESS_SOURCE),
    Limit(name="print.scale_sigma.caution", value=0.0005, unit="", source=_PRINT_SOURCE),
    Limit(name="residuals.bias_ratio.caution", value=0.2, unit="", source=_BIAS_SOURCE),
    Limit(
        name="pixels.aspect_error.caution",
        value=0.001,
        unit="",
        source="Sensors' pixels are square to better than this (common practice, no source); a print "
        "stretched 0.5 % one way gives 0.0049 (simulated)",
    ),
    Limit(name="residuals.pattern_px.caution", value=0.02, unit="px", source=_PATTERN_SOURCE),
    Limit(name="known_length.error.caution", value=0.0005, unit="", source=_KNOWN_LENGTH_SOURCE),
    Limit(name="known_length.error.fail", value=0.00125, unit="", source=_KNOWN_LENGTH_SOURCE),
    Limit(name="clip.drift_depth_mm.caution", value=0.10, unit="mm", source="The harm limit; " + _COMMON),
    Limit(name="sync.offset_ms.caution", value=0.4, unit="ms", source=_SYNC_SOURCE),
    Limit(name="sync.offset_ms.fail", value=1.0, unit="ms", source=_SYNC_SOURCE),
    Limit(
        name="sync.frame_shift.fail",
        value=0.0,
        unit="frames",
        source="Pictures of different moments give no common point; a frame at 60 frames/s is 16.7 ms, 4.2 mm in "
        "depth as for sync.offset_ms",
    ),
    Limit(
        name="sync.free_running.caution",
        value=0.0,
        unit="",
        source="Two clocks that differ by 20 parts in a million, usual for crystals (common practice), are 1.2 ms "
        "apart after a minute",
    ),
    Limit(name="focus.from_face_mm.caution", value=10.0, unit="mm", source=_FOCUS_SOURCE),
    Limit(name="focus.from_face_mm.fail", value=25.0, unit="mm", source=_FOCUS_SOURCE),
    Limit(name="focus.face_covered.caution", value=0.7, unit="", source=_COVERED_SOURCE, worse="below"),
    Limit(name="focus.face_covered.fail", value=0.4, unit="", source=_COVERED_SOURCE, worse="below"),
    Limit(name="sharpness.mtf50_cy_px.caution", value=0.15, unit="cy/px", source=_MTF_SOURCE, worse="below"),
    Limit(name="sharpness.mtf50_cy_px.fail", value=0.08, unit="cy/px", source=_MTF_SOURCE, worse="below"),
    Limit(name="sharpness.evenness.caution", value=0.6, unit="", source=_COMMON, worse="below"),
    Limit(
        name="focus.from_lens_data_mm.caution",
        value=20.0,
        unit="mm",
        source="Distance marks count from the sensor or the front glass, 10 to 20 mm from the principal plane of "
        "a small lens; " + _COMMON,
    ),
)
