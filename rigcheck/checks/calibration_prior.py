"""Whether today's footage agrees with the workshop calibration that was given as prior."""

import scipy

from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun, Estimate

__all__ = ["CHECKS"]

_SHIFT = "prior.largest_shift."

_RENEW = (
    "Today's footage contradicts the prior: a lens was refocused, knocked or changed, or the prior is of another "
    "rig. Calibrate without --prior, from footage with tilts, distances and the whole picture."
)


def _prior(run: CalibrationRun, limits: Limits) -> Outcome:
    found = run.measurements.get("prior.chi_square")
    if found is None or found.value is None or found.n == 0:
        return not_applicable("no prior was given")
    band = limits.band("prior.p_value")
    p_value = float(scipy.special.chdtrc(found.n, found.value))
    name, sigmas = next(
        (key.removeprefix(_SHIFT), one.value or 0.0)
        for key, one in run.measurements.items()
        if key.startswith(_SHIFT)
    )
    estimate = Estimate(value=p_value, n=found.n)
    status = judge(estimate, band)
    return Outcome(
        status=status,
        estimate=estimate,
        limit=band.text,
        message="Today's footage against the prior's intrinsics: "
        f"chi-square {found.value:.1f} in {found.n} directions; "
        f"{name} moved most, by {sigmas:.1f} of its sigmas.",
        action="" if status == "pass" else _RENEW,
    )


CHECKS: tuple[Check[CalibrationRun], ...] = (
    Check(
        code="CAL13",
        title="Agreement with the prior",
        meaning="Whether today's footage and the workshop calibration tell of the same lenses",
        remedy="Calibrate anew, without the prior",
        limit="prior.p_value",
        measure=_prior,
        requires=("CAL54",),
    ),
)
