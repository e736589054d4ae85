"""Results put in order: rigs, labels, calibrations, clocks, copies."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from results_made import START, made, mornings

from rigcheck.drift.history import build_history
from rigcheck.drift.history_harm import depth_per_unit
from rigcheck.drift.run_record import run_record
from rigcheck.model import Estimate, Provenance

NOW = START + timedelta(days=40)


def records(reports):
    found = [run_record(report, f"{k:04d}/result.json") for k, report in enumerate(reports)]
    return [one for one in found if one is not None]


def built(reports, now=NOW):
    return build_history(records(reports), now=now)


def verified(n=12, *, case=0, **more):
    rng = np.random.default_rng([95, case])
    return [made(moment, rng=rng, **more) for moment in mornings(n)]


def series(rig, quantity, label="", calibration=START):
    wanted = None if calibration is None else calibration.isoformat(timespec="seconds")
    found = [s for s in rig.series if (s.quantity, s.label, s.calibration) == (quantity, label, wanted)]
    assert len(found) == 1
    return found[0]


def test_order_of_files_does_not_matter():
    reports = verified()
    forwards = built(reports).rigs[0]
    shuffled = [reports[k] for k in np.random.default_rng([95, 1]).permutation(len(reports))]
    backwards = built(shuffled).rigs[0]
    assert [one.created for one in forwards.records] == [one.created for one in backwards.records]
    assert series(forwards, "stereo.baseline_mm").values.tolist() == (
        series(backwards, "stereo.baseline_mm").values.tolist()
    )


def test_rigs_are_kept_apart():
    history = built(verified() + verified(case=2, rig="heron") + verified(3, case=3, rig=None))
    names = [rig.name for rig in history.rigs]
    assert names == ["heron", "kestrel", "rig without a name (upper, lower)"]
    assert [len(rig.records) for rig in history.rigs] == [12, 12, 3]
    assert not history.rigs[2].named


def test_a_result_without_a_rig_goes_with_its_calibration():
    rng = np.random.default_rng([95, 4])
    reports = [made(START, rng=rng, command="calibrate"), *verified(3, case=4, rig=None)]
    assert [(rig.name, len(rig.records)) for rig in built(reports).rigs] == [("kestrel", 4)]


def test_a_calibration_without_a_rig_goes_with_its_verifications():
    rng = np.random.default_rng([95, 11])
    reports = [made(START, rng=rng, command="calibrate", rig=None), *verified(3, case=4)]
    assert [(rig.name, len(rig.records)) for rig in built(reports).rigs] == [("kestrel", 4)]


def test_labels_are_kept_apart():
    """Worn, the rig bends by 0.02 degrees: between labels no step is told, within a label one would be."""
    stand = verified(label="stand")
    worn = [
        made(m + timedelta(hours=1), rng=np.random.default_rng([95, 5, k]), label="worn",
             change={"stereo.convergence_deg": 0.03})
        for k, m in enumerate(mornings(12))
    ]  # fmt: skip
    rig = built(stand + worn).rigs[0]
    assert rig.labels == ("stand", "worn")
    for label in rig.labels:
        assert series(rig, "stereo.convergence_deg", label).behaviour.kind == "steady"
    mixed = built([replace(one, provenance=_without_label(one)) for one in stand + worn[6:]]).rigs[0]
    assert series(mixed, "stereo.convergence_deg").behaviour.kind != "steady"  # planted: labels lost


def _without_label(report):
    return replace(report.provenance, options=dict(report.provenance.options) | {"label": None})


def test_step_is_found_in_the_number_that_stepped():
    changed = verified()[:8] + verified(case=6, change={"stereo.convergence_deg": 0.03})[8:]
    rig = built(changed).rigs[0]
    found = series(rig, "stereo.convergence_deg").behaviour
    assert found.kind == "step"
    assert found.steps[0].last_before == 7
    assert abs(found.steps[0].size - 0.03) < 3 * found.steps[0].sigma
    assert series(rig, "stereo.baseline_mm").behaviour.kind == "steady"


def test_recalibration_starts_anew():
    """A step across a recalibration is none of the verifications'; against the newest one they are in force."""
    rng = np.random.default_rng([95, 7])
    again = START + timedelta(days=6, hours=12)
    late = [
        made(m, rng=rng, calibration=again, change={"stereo.convergence_deg": 0.05}) for m in mornings(12)[6:]
    ]
    reports = [made(START, rng=rng, command="calibrate"), *verified()[:6], *late]
    rig = built(reports).rigs[0]
    assert [told for _, told in rig.recalibrations] == [False, True]  # the second is only told of
    old = series(rig, "stereo.convergence_deg")
    new = series(rig, "stereo.convergence_deg", calibration=again)
    assert (old.behaviour.kind, new.behaviour.kind) == ("steady", "steady")
    assert (old.in_force, new.in_force) == (False, True)


def test_untouched_rigs_raise_no_alarm():
    """Whole histories, two labels and a recalibration: at most 1 % alarm (100 histories)."""
    alarms = 0
    for k in range(100):
        rng = np.random.default_rng([96, k])
        again = START + timedelta(days=10, hours=12)
        reports = [made(START, rng=rng, command="calibrate"), made(again, rng=rng, command="calibrate")]
        for number, moment in enumerate(mornings(20)):
            calibration = START if number < 10 else again
            label = "worn" if number % 2 else "stand"
            reports.append(made(moment, rng=rng, calibration=calibration, label=label))
        alarms += any(
            one.behaviour.kind not in ("steady", "too few") for one in built(reports).rigs[0].series
        )
    assert alarms <= 4  # 1 expected; three sigmas of a Poisson number above


def test_copies_count_once():
    reports = verified(4)
    history = built([*reports, reports[2], reports[2]])
    assert len(history.rigs[0].records) == 4
    assert len(history.copies) == 2
    assert {original for _, original in history.copies} == {"0002/result.json"}


def test_footage_verified_again_counts_once():
    """Run again on the same clips a day later: the same measurement, not a second one."""
    reports = verified(4)
    again = replace(
        made(START + timedelta(days=9), rng=np.random.default_rng([95, 10])),
        provenance=replace(
            reports[1].provenance, created=(START + timedelta(days=9)).isoformat(timespec="seconds")
        ),
    )
    history = built([*reports, again])
    assert len(history.rigs[0].records) == 4
    assert history.copies == (("0001/result.json", "0004/result.json"),)
    parts = [
        replace(
            one,
            provenance=replace(
                one.provenance,
                inputs_sha256={"a.mov": "f" * 64},
                options=dict(one.provenance.options) | {"footage1": f"a.mov@{k}-{k + 3}"},
            ),
        )
        for k, one in enumerate(reports)
    ]
    assert len(built(parts).rigs[0].records) == 4  # other in and out points are another measurement
    boards = [
        replace(one, provenance=replace(one.provenance, inputs_sha256={"board.yaml": "b" * 64}))
        for one in reports
    ]
    assert len(built(boards).rigs[0].records) == 4  # the same board file is not the same footage


@pytest.mark.parametrize(
    ("name", "value", "sigma"),
    [
        ("stereo.baseline_mm", 1e300, 1e-3),
        ("stereo.baseline_mm", 0.0, 1e-3),
        ("stereo.convergence_deg", 89.9, 1e-300),
        ("views.working_distance_mm", 1e-9, None),
        ("upper.focal_x_px", -5.0, 1e300),
    ],
)
def test_made_up_numbers_do_no_harm(name, value, sigma):
    reports = [
        replace(one, measurements=dict(one.measurements) | {name: Estimate(value=value, sigma=sigma)})
        for one in verified(5)
    ]
    rig = built(reports).rigs[0]
    for one in rig.series:
        assert np.isfinite(one.behaviour.curve).all()


class TestClocks:
    def kinds(self, reports, now=NOW):
        return {one.kind for one in built(reports, now).rigs[0].troubles}

    def test_right(self):
        assert self.kinds(verified(3)) == set()

    def test_backwards(self):
        reports = [*verified(3), made(START - timedelta(days=2), rng=np.random.default_rng([95, 8]))]
        assert self.kinds(reports) == {"backwards"}

    def test_future(self):
        assert self.kinds(verified(3), now=START) == {"future"}

    def test_zones_are_put_in_order_by_utc(self):
        """09:00 at UTC+09:00 is before 08:00 at UTC."""
        rng = np.random.default_rng([95, 9])
        tokyo = timezone(timedelta(hours=9))
        reports = [
            made(START + timedelta(days=1), rng=rng),
            made(datetime(2026, 3, 3, 9, 0, tzinfo=tokyo), rng=rng),
        ]
        rig = built(reports).rigs[0]
        assert rig.records[0].created.endswith("+09:00")
        assert {one.kind for one in rig.troubles} == {"zones"}

    def test_no_zone(self):
        report = verified(1)[0]
        bare = replace(report, provenance=replace(report.provenance, created="2026-03-03T08:00:00"))
        assert self.kinds([bare]) == {"no zone"}
        assert records([bare])[0].moment == datetime(2026, 3, 3, 8, 0, tzinfo=UTC)

    @pytest.mark.parametrize(
        "created", ["yesterday", "", "9999-12-31T23:59:59-01:00", "0001-01-01T00:00:00+10:00"]
    )
    def test_no_time(self, created):
        report = verified(1)[0]
        with pytest.raises(ValueError, match=r"isoformat|not a time"):
            run_record(replace(report, provenance=replace(report.provenance, created=created)), "a")


def test_days_since():
    history = built(verified(5), now=START + timedelta(days=8, hours=12))
    assert history.days_since(history.rigs[0]) == pytest.approx(3.5, abs=1e-9)  # last on day 5


def test_other_commands_tell_nothing():
    report = replace(verified(1)[0], command="compare")
    assert run_record(report, "a") is None


def test_hostile_measurements_stay_few():
    report = verified(1)[0]
    many = dict(report.measurements) | {
        f"c{k}.rms_px": next(iter(report.measurements.values())) for k in range(500)
    }
    record = run_record(replace(report, measurements=many), "a")
    assert len(record.cameras) <= 4
    assert len(record.numbers) <= 20


def test_long_names_are_cut():
    report = verified(1)[0]
    options = dict(report.provenance.options) | {"rig": "x" * 10_000, "label": ["not", "a", "text"]}
    record = run_record(
        replace(report, provenance=Provenance(**(vars(report.provenance) | {"options": options}))), "a"
    )
    assert len(record.rig) < 100
    assert record.label == ""


def test_harm_of_one_unit():
    """Handbook 2.8 and 11: convergence 0.05 degrees 0.49 mm, twist 0.05 0.09 mm, baseline 0.1 mm Z dB / B, one
    focal length 0.3 % 0.33 mm."""
    per = depth_per_unit(baseline_mm=72.0, convergence_deg=21.0, working_distance_mm=195.0)
    assert 0.05 * per["stereo.convergence_deg"] == pytest.approx(
        0.49, rel=0.08
    )  # its box and distance differ
    assert 0.1 * per["stereo.baseline_mm"] == pytest.approx(
        195 * 0.1 / 72, rel=0.02
    )  # RMS over 80 mm of depth
    assert 0.05 * per["stereo.twist_deg"] == pytest.approx(
        0.09, rel=0.25
    )  # one digit; the face box lies across
    assert 0.003 * per["focal"] == pytest.approx(0.33, rel=0.15)  # its box and distance differ
    assert 0.03 * per["stereo.across_deg"] < 0.02
