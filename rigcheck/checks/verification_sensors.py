"""The check of `verify` on sensors: whether each camera's hot pixels are those of the calibration."""

from rigcheck.checks.core import Check, Outcome, not_applicable
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import Band
from rigcheck.drift.sensors import SensorMatch, SensorToday
from rigcheck.drift.verification import Verification
from rigcheck.model import Estimate

# Fewer clear hot pixels of its own do not make another sensor: some come with warmth.
_LEAST_UNKNOWN = 4
_LEAST_UNKNOWN_SHARE = 0.5
# Two dots may lie alike by a kink of the recording.
_LEAST_AGAIN = 3

__all__ = ["CHECKS"]


def _sensors(run: Verification, limits: Limits) -> Outcome:
    if not run.sensors:
        return not_applicable("hot pixels were not looked for")
    band, chance = limits.band("verify.sensor_p"), limits.band("verify.sensor_chance")
    gone = [one for one in run.sensors if _gone(one, band, chance)]
    crossed = [
        one
        for one in run.sensors
        if one.other is not None and _known(one.other, chance) and not _known(one.own, chance)
    ]
    if crossed:
        return _exchanged(run, crossed, band)
    other = [one for one in gone if _shows_others(one)]
    if other:
        return _another(other, band)
    known = [one for one in run.sensors if not one.reason and _known(one.own, chance)]
    rest = [one for one in run.sensors if one not in known]
    why = "; ".join(_why(one, gone) for one in rest)
    left = f"Not told: {why}." if why else ""
    if not known:
        return Outcome(
            status="skipped",
            estimate=Estimate(value=None, reason=why),
            limit=band.text,
            message=left,
            action="To have sensors told apart, calibrate and verify from clips in which the board moves all over the "
            "picture.",
            applies=False,
        )
    told = "; ".join(_counted(one.camera, one.own) for one in known)
    return Outcome(
        status="pass",
        estimate=_estimate(min(known, key=lambda one: one.own.by_same).own),
        limit=band.text,
        message=f"Hot pixels of the calibration that light up again: {told}. {left}".rstrip(),
    )


def _gone(one: SensorToday, band: Band, chance: Band) -> bool:
    """Whether the same sensor would show as few of its hot pixels too seldom to be believed."""
    return not one.reason and one.own.by_same < (band.caution or 0.0) and not _known(one.own, chance)


def _shows_others(one: SensorToday) -> bool:
    """Whether so many other hot pixels show that coding or exposure did not swallow those stored."""
    return one.unknown >= max(_LEAST_UNKNOWN, _LEAST_UNKNOWN_SHARE * one.own.asked)


def _known(match: SensorMatch, chance: Band) -> bool:
    return match.again >= _LEAST_AGAIN and match.by_chance < (chance.caution or 0.0)


def _exchanged(run: Verification, crossed: list[SensorToday], band: Band) -> Outcome:
    names = " and ".join(entry.camera.name for entry in run.calibration.cameras)
    told = "; ".join(
        f"{_counted(one.camera, one.own)}, and of the other camera's {one.other.again} of {one.other.asked}"
        for one in crossed
        if one.other is not None
    )
    return Outcome(
        status="fail",
        estimate=_estimate(min(crossed, key=lambda one: one.own.by_same).own),
        limit=band.text,
        message=f"Hot pixels of the calibration that light up again: {told}. {names} are exchanged.",
        action=f"The bodies of {names} are exchanged, or their clips or cards: put them back, or calibrate again as "
        "is.",
    )


def _another(other: list[SensorToday], band: Band) -> Outcome:
    told = "; ".join(f"{_counted(one.camera, one.own)}, {one.unknown} others do" for one in other)
    names = " and ".join(one.camera for one in other)
    return Outcome(
        status="caution",
        estimate=_estimate(min(other, key=lambda one: one.own.by_same).own),
        limit=band.text,
        message=f"Hot pixels of the calibration that light up again: {told}. That is another sensor.",
        action=f"Was {names} replaced, or is this another rig's card? Check the serial on the body. A calibration "
        "holds for the camera it was made with only: calibrate again if it was replaced.",
    )


def _why(one: SensorToday, gone: list[SensorToday]) -> str:
    if one.reason:
        return one.reason
    if one in gone:
        return (
            f"of {one.camera}'s hot pixels {one.own.again} of {one.own.asked} light up again, and hardly any others: "
            "the camera may have masked them, be colder, or smooth its pictures now"
        )
    return (
        f"of {one.camera}'s hot pixels {one.own.again} of {one.own.asked} that today's pictures can tell light up "
        "again, too few to know the sensor by"
    )


def _counted(name: str, match: SensorMatch) -> str:
    return f"{name} {match.again} of {match.asked}"


def _estimate(match: SensorMatch) -> Estimate:
    return Estimate(value=match.by_same, n=match.asked)


CHECKS: tuple[Check[Verification], ...] = (
    Check(
        code="VER08",
        title="Sensors",
        meaning="Whether each camera's hot pixels are those of the calibration, not the other's or unknown ones",
        remedy="Put cameras and cards back in their places; calibrate again after a camera was replaced",
        limit="verify.sensor_p",
        measure=_sensors,
        required=False,
    ),
)
