"""Many results put in order: each rig over time, how it behaves, and when it was last looked at."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from rigcheck.drift.change_point import Behaviour, behaviour, n_tried, threshold
from rigcheck.drift.history_harm import depth_per_unit
from rigcheck.drift.run_record import CAMERA_QUANTITIES, PAIR_QUANTITIES, RunRecord, read_moment
from rigcheck.model._arrays import FloatArray

# What can be told from what: numbers with a sigma.
_TESTED_PAIR = ("stereo.baseline_mm", "stereo.convergence_deg", "stereo.across_deg", "stereo.twist_deg")
_TESTED_CAMERA = ("focal_x_px",)
_AHEAD = timedelta(days=1)
# Beyond these a file was made up, and the plain pair that stands for a rig would be none.
_PLAUSIBLE = {
    "stereo.baseline_mm": (5.0, 1000.0),
    "stereo.convergence_deg": (-60.0, 60.0),
    "distance": (50.0, 2000.0),
}

__all__ = ["History", "RigHistory", "Series", "TimeTrouble", "build_history"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Series:
    """One number of one rig over the results that can be held against each other.

    `records` are verifications against one calibration with one label, or the rig's calibrations (`label` is then
    empty and `calibration` None). `depth_per_unit` turns a change into mm in depth on the face; None where the
    working distance is not known. `in_force`: against the calibration that is the rig's newest.
    """

    quantity: str
    unit: str
    label: str
    calibration: str | None
    records: tuple[RunRecord, ...]
    values: FloatArray
    sigmas: FloatArray
    behaviour: Behaviour
    depth_per_unit: float | None
    in_force: bool


@dataclass(frozen=True, kw_only=True)
class TimeTrouble:
    """Something about the clocks: `kind` is "backwards", "future", "zones" or "no zone"."""

    kind: str
    sentence: str
    n: int


@dataclass(frozen=True, kw_only=True, eq=False)
class RigHistory:
    """One rig: its results in order of time.

    `name` is the rig's, or says by its cameras which rig is meant where results name none (`named` is False).
    `recalibrations` are the times of its calibrations, those included that only a verification tells of (then
    True).
    """

    name: str
    named: bool
    records: tuple[RunRecord, ...]
    labels: tuple[str, ...]
    recalibrations: tuple[tuple[datetime, bool], ...]
    series: tuple[Series, ...]
    troubles: tuple[TimeTrouble, ...]

    @property
    def newest(self) -> RunRecord:
        """The last result."""
        return self.records[-1]


@dataclass(frozen=True, kw_only=True, eq=False)
class History:
    """All rigs by name, and what was not counted.

    `copies` are paths of results that are copies of another, or of the same footage as a later one, with that one's
    path. `skipped` are paths that could not be used, with the reason; `n_foreign` counts files that are no results,
    `n_other` results of commands that tell nothing of a rig over time.
    """

    now: datetime
    rigs: tuple[RigHistory, ...]
    copies: tuple[tuple[str, str], ...]
    skipped: tuple[tuple[str, str], ...] = ()
    n_foreign: int = 0
    n_other: int = 0

    def days_since(self, rig: RigHistory) -> float:
        """Days since the rig was last looked at; negative when its clock was ahead."""
        return (self.now - rig.newest.moment).total_seconds() / 86400.0


def build_history(records: Iterable[RunRecord], *, now: datetime) -> History:
    """Put results in order.

    Parameters
    ----------
    records : iterable of RunRecord
        In any order, copies included.
    now : datetime
        With a zone.

    Notes
    -----
    Results are put together by the rig's name; one that names none goes with the calibration it was made against
    (a calibration with the verifications that used it, where they name one rig), else by its cameras' names.
    Verifications against one calibration share that calibration's errors, so they are compared among themselves, by
    label; the calibrations of a rig are compared with each other.
    """
    kept, copies = _without_copies(records)
    by_rig: dict[tuple[bool, str], list[RunRecord]] = defaultdict(list)
    names = _rig_names(kept)
    for one in kept:
        made = one.created if one.command == "calibrate" else one.calibration_created
        rig = one.rig or names.get(made or "")
        cameras = f"rig without a name ({', '.join(one.cameras) or 'cameras not known'})"
        by_rig[(True, rig) if rig else (False, cameras)].append(one)
    rigs = [
        _rig_history(name, named, sorted(members, key=_order), now)
        for (named, name), members in by_rig.items()
    ]
    return History(
        now=now, rigs=tuple(sorted(rigs, key=lambda rig: (not rig.named, rig.name))), copies=copies
    )


def _rig_names(records: Sequence[RunRecord]) -> dict[str, str]:
    """Rig of each calibration, by the time it was made, where its result or the results that used it name one."""
    found: dict[str, set[str]] = defaultdict(set)
    for one in records:
        made = one.created if one.command == "calibrate" else one.calibration_created
        if made and one.rig:
            found[made].add(one.rig)
    return {made: min(rigs) for made, rigs in found.items() if len(rigs) == 1}


def _order(record: RunRecord) -> tuple[datetime, str]:
    return record.moment, record.path


def _without_copies(records: Iterable[RunRecord]) -> tuple[list[RunRecord], tuple[tuple[str, str], ...]]:
    """Count a result once, and footage that was verified again only as it was verified last."""
    first: dict[bytes, RunRecord] = {}
    copies = []
    for one in sorted(records, key=lambda record: record.path):
        kept = first.setdefault(one.key, one)
        if kept is not one:
            copies.append((one.path, kept.path))
    last: dict[object, RunRecord] = {}
    for one in sorted(first.values(), key=_order):
        again = one.command == "verify" and one.footage is not None
        key = (one.rig, one.label, one.calibration_created, one.footage) if again else one.key
        if key in last:
            copies.append((last[key].path, one.path))
        last[key] = one
    return list(last.values()), tuple(copies)


def _rig_history(name: str, named: bool, records: list[RunRecord], now: datetime) -> RigHistory:
    calibrations = {one.created: one.moment for one in records if one.command == "calibrate"}
    told = _told_calibrations(records, calibrations)
    newest = max([*calibrations.items(), *told.items()], key=lambda one: one[1], default=(None, None))[0]
    marks = [(moment, False) for moment in calibrations.values()] + [(m, True) for m in told.values()]
    return RigHistory(
        name=name,
        named=named,
        records=tuple(records),
        labels=tuple(sorted({one.label for one in records if one.command == "verify"})),
        recalibrations=tuple(sorted(marks)),
        series=_all_series(records, newest),
        troubles=_time_troubles(records, calibrations | told, now),
    )


def _told_calibrations(records: Sequence[RunRecord], known: Mapping[str, datetime]) -> dict[str, datetime]:
    """Calibrations that verifications name and that are not among the results."""
    out: dict[str, datetime] = {}
    for one in records:
        created = one.calibration_created
        if created is None or created in known or created in out:
            continue
        try:
            out[created] = read_moment(created)[0]
        except ValueError:
            continue
    return out


def _all_series(records: Sequence[RunRecord], newest: str | None) -> tuple[Series, ...]:
    """Every series, tested so that an untouched rig raises an alarm in at most one history of a hundred."""
    groups: dict[tuple[str | None, str], list[RunRecord]] = defaultdict(list)
    for one in records:
        key = (None, "") if one.command == "calibrate" else (one.calibration_created or "", one.label)
        groups[key].append(one)
    harm = _depth_per_unit(records)
    found = []
    for (calibration, label), members in groups.items():
        for quantity, unit in _quantities(members).items():
            having = [one for one in members if quantity in one.numbers]
            values = np.array([one.numbers[quantity].value for one in having])
            sigmas = np.array([one.numbers[quantity].sigma or np.nan for one in having])
            found.append(
                Series(
                    quantity=quantity,
                    unit=unit,
                    label=label,
                    calibration=calibration,
                    records=tuple(having),
                    values=values,
                    sigmas=sigmas,
                    behaviour=Behaviour(kind="too few", curve=values),
                    depth_per_unit=_per_unit(quantity, harm, float(np.median(values))),
                    in_force=calibration is not None and calibration == (newest or ""),
                )
            )
    tested = [one for one in found if _is_tested(one)]
    needed = threshold(sum(n_tried(_hours(one)) for one in tested))
    return tuple(
        replace(one, behaviour=behaviour(_hours(one), one.values, one.sigmas, needed=needed))
        if _is_tested(one)
        else one
        for one in found
    )


def _is_tested(series: Series) -> bool:
    short = series.quantity.rpartition(".")[2]
    wanted = series.quantity in _TESTED_PAIR or short in _TESTED_CAMERA
    return wanted and bool(np.isfinite(series.sigmas).all() and (series.sigmas > 0).all())


def _hours(series: Series) -> FloatArray:
    start = series.records[0].moment
    return np.array([(one.moment - start).total_seconds() / 3600.0 for one in series.records])


def _quantities(records: Sequence[RunRecord]) -> dict[str, str]:
    """What the results hold, pair first, with units."""
    cameras = list(dict.fromkeys(camera for one in records for camera in one.cameras))
    all_of_them = PAIR_QUANTITIES | {
        f"{camera}.{name}": unit for camera in cameras for name, unit in CAMERA_QUANTITIES.items()
    }
    present = {name for one in records for name in one.numbers}
    return {name: unit for name, unit in all_of_them.items() if name in present}


def _depth_per_unit(records: Sequence[RunRecord]) -> Mapping[str, float]:
    """Harm of one unit of each number, from the newest results that tell enough."""
    found: dict[str, float] = {}
    for one in reversed(records):
        for name in ("stereo.baseline_mm", "stereo.convergence_deg"):
            if name in one.numbers:
                found.setdefault(name, one.numbers[name].value)
        if one.distance_mm is not None and one.distance_mm > 0:
            found.setdefault("distance", one.distance_mm)
    if len(found) < 3 or not all(low <= found[name] <= high for name, (low, high) in _PLAUSIBLE.items()):
        return {}
    return depth_per_unit(
        baseline_mm=found["stereo.baseline_mm"],
        convergence_deg=found["stereo.convergence_deg"],
        working_distance_mm=found["distance"],
    )


def _per_unit(quantity: str, harm: Mapping[str, float], typical: float) -> float | None:
    if quantity.endswith(".focal_x_px") and "focal" in harm and typical > 0:
        return harm["focal"] / typical
    return harm.get(quantity)


def _time_troubles(
    records: Sequence[RunRecord], calibrations: Mapping[str, datetime], now: datetime
) -> tuple[TimeTrouble, ...]:
    out = []
    backwards = [
        one
        for one in records
        if (made := calibrations.get(one.calibration_created or "")) is not None and one.moment < made
    ]
    if backwards:
        sentence = (
            f"{len(backwards)} verification(s) are dated before the calibration they used: a clock went "
            "backwards."
        )
        out.append(TimeTrouble(kind="backwards", sentence=sentence, n=len(backwards)))
    future = [one for one in records if one.moment > now + _AHEAD]
    if future:
        sentence = f"{len(future)} result(s) are dated in the future: a clock is or was wrong."
        out.append(TimeTrouble(kind="future", sentence=sentence, n=len(future)))
    offsets = Counter(one.offset_min for one in records if one.offset_min is not None)
    if len(offsets) > 1:
        words = ", ".join(f"{count} at UTC{_offset(value)}" for value, count in sorted(offsets.items()))
        sentence = (
            f"Results come from clocks in different time zones ({words}); they are put in order by UTC."
        )
        out.append(TimeTrouble(kind="zones", sentence=sentence, n=len(offsets)))
    bare = sum(one.offset_min is None for one in records)
    if bare:
        sentence = f"{bare} result(s) name no time zone and are taken as UTC."
        out.append(TimeTrouble(kind="no zone", sentence=sentence, n=bare))
    return tuple(out)


def _offset(minutes: int) -> str:
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
