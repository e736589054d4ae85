"""Thresholds of the checks of `compare`. How much harm is too much is the limit that every command shares."""

from rigcheck.checks.limit import COMMON, Limit

__all__ = ["LIMITS"]

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="compare.p_value.caution",
        value=0.001,
        unit="",
        source="Chi-square test of the difference: one pair of sound calibrations in a thousand falls below; "
        + COMMON,
        worse="below",
    ),
    Limit(
        name="compare.mapping_px.caution",
        value=0.25,
        unit="px",
        source="Depth error Z²·δ/(f·B): 0.26 px is 0.10 mm, the harm limit, at Z 200 mm, f 1300 px, B 80 mm; "
        + COMMON,
    ),
    Limit(
        name="compare.failed_checks.caution",
        value=0.0,
        unit="",
        source="A calibration that failed a check of its own is not to be used: by definition of the verdict",
    ),
    Limit(
        name="compare.sigma_ratio.caution",
        value=1.25,
        unit="",
        source="Sigmas of two calibrations of one design scatter by about 10 % (200 simulated calibrations); "
        + COMMON,
    ),
    Limit(
        name="compare.coverage_gap.caution",
        value=0.15,
        unit="",
        source="Beyond where the board was seen a lens model is extrapolated; " + COMMON,
    ),
)
