"""Every check of `audit` passes without, fails on a planted fault in one take, and is skipped where it must."""

from dataclasses import replace

import numpy as np
import pytest

from rigcheck.checks import AUDIT_CHECKS, Limits, effective_limits, run_checks
from rigcheck.checks.audit import TAKE_CHECKS, take_status
from rigcheck.face.audit_changes import changes_of_day
from rigcheck.model import Estimate
from rigcheck.model.auditing import CalibrationsCompared, DayEvent, DayGeometry, DayLevel, TakeGeometry
from rigcheck.model.take import AuditRun, BoardInTake, Take, TakeRecord

CAMERAS = ("upper", "lower")
SETTINGS = "1080 × 1440 px, 60 frames/s, 8 bit"
LIMITS = Limits(effective_limits())
BAD = 3  # the take in which faults are planted
N = 6


def geometry(name):
    return TakeGeometry(
        name=name,
        change=np.zeros(5),
        white=1e-4 * np.eye(5),
        smooth=1e-4 * np.eye(5),
        by_calibration=np.zeros((5, 1)),
        across_per_mm=0.1,
        depth_by_change=np.ones((4, 5)),
        measurements={},
        n_matches=900,
        n_moments=6,
        smooth_px=0.03,
    )


def record(number, **changes):
    """A take in which everything is right, numbers scattering a little."""
    rng = np.random.default_rng([91, number])
    numbers = {}
    for camera in CAMERAS:
        numbers |= {
            f"framing.{camera}.seen_share": Estimate(value=1.0, n=6),
            f"framing.{camera}.nostril_offset_x_px": Estimate(
                value=rng.normal(0, 0.5), sigma=2.0, unit="px", n=6
            ),
            f"framing.{camera}.nostril_offset_y_px": Estimate(
                value=rng.normal(0, 0.5), sigma=2.0, unit="px", n=6
            ),
            f"framing.{camera}.roll_deg": Estimate(value=rng.normal(0, 0.1), sigma=0.5, unit="deg", n=6),
            f"framing.{camera}.look_up_deg": Estimate(value=10.0, sigma=5.0, unit="deg", n=6),
            f"framing.{camera}.eye_distance_px": Estimate(value=600.0, sigma=10.0, unit="px", n=6),
            f"framing.{camera}.px_per_mm": Estimate(value=7.0, sigma=0.2, unit="px", n=6),
            f"focus.{camera}.eyes": Estimate(value=0.3 + rng.normal(0, 0.003), sigma=0.006, n=6),
            f"focus.{camera}.cheeks": Estimate(value=0.2 + rng.normal(0, 0.002), sigma=0.004, n=6),
            f"exposure.{camera}.blown_share": Estimate(value=0.0, sigma=0.0, n=6),
            f"exposure.{camera}.skin_stops": Estimate(
                value=-2.5 + rng.normal(0, 0.01), sigma=0.02, unit="stops", n=6
            ),
            f"frames.{camera}.dropped": Estimate(value=0.0, unit="pictures", n=1200),
            f"frames.{camera}.repeated": Estimate(value=0.0, unit="pictures", n=1200),
        }
    numbers |= {
        "pair.epipolar_share": Estimate(value=0.01, n=8),
        "pair.interpupillary_mm": Estimate(value=62.0 + rng.normal(0, 0.2), sigma=0.9, unit="mm", n=6),
        "pair.time_offset_ms": Estimate(value=rng.normal(0, 0.02), sigma=0.03, unit="ms", n=500),
    }
    name = f"take_{number}"
    base = TakeRecord(
        take=Take(name=name, footage=("u", "l")),
        cameras=CAMERAS,
        measurements=numbers,
        geometry=geometry(name),
        contrast={camera: np.log(0.1) + rng.normal(0, 0.02, (16, 12)) for camera in CAMERAS},
        settings=dict.fromkeys(CAMERAS, SETTINGS),
    )
    planted = changes.pop("numbers", {})
    return replace(base, measurements=numbers | planted, **changes)


def day(level_apart=False, events=()):
    harm = Estimate(value=0.02, sigma=0.02, unit="mm", n=900)
    after = Estimate(value=0.6, sigma=0.03, unit="mm", n=900)
    first = min((event.first for event in events), default=N)
    return DayGeometry(
        names=tuple(f"take_{k}" for k in range(N)),
        level=DayLevel(
            change=np.zeros(5),
            covariance=np.eye(5),
            distance=40.0 if level_apart else 4.0,
            threshold=18.0,
            apart=level_apart,
            harm_mm=after if level_apart else harm,
            n_takes=N,
        ),
        events=tuple(events),
        curve=np.zeros((N, 5)),
        curve_covariance=np.zeros((N, 5, 5)),
        from_first=np.zeros((N, 5)),
        from_first_covariance=np.zeros((N, 5, 5)),
        harm_mm=tuple(after if k >= first or level_apart else harm for k in range(N)),
        harm_from_first_mm=(harm,) * N,
        taken=np.zeros((N, 5)),
        taken_covariance=np.zeros((N, 5, 5)),
        threshold=22.0,
        between=1.0,
        seen={"convergence_deg.middle": Estimate(value=0.08, unit="deg", n=N)},
    )


def event(kind, harm_mm=0.6):
    return DayEvent(
        kind=kind,
        first=BAD,
        last=BAD if kind == "step" else BAD + 2,
        earliest=BAD,
        latest=BAD,
        confidence=0.99,
        change=np.array([0.1, 0, 0, 0, 0]),
        covariance=np.eye(5),
        gain=80.0,
        harm_mm=Estimate(value=harm_mm, sigma=0.02, unit="mm", n=900),
    )


def made(bad=None, *, of_day=None, approved=None, **more):
    records = [record(k) if k != BAD or bad is None else bad for k in range(N)]
    changes = changes_of_day(records, approved)
    for k, one in enumerate(records):
        if not one.fault and "pair.time_offset_ms" in one.measurements:
            first, now = (each.number("pair.time_offset_ms") for each in (records[0], one))
            if now.value is not None:
                changes.setdefault(f"take_{k}", {})["pair.time_offset_change_ms"] = Estimate(
                    value=now.value - first.value, sigma=0.04, unit="ms"
                )
    settings = {"day": day() if of_day is None else of_day, "calibrated": True, "reference": "take_0"} | more
    return AuditRun(records=tuple(records), changes=changes, **settings)


def results(run):
    return {one.code: one for one in run_checks(AUDIT_CHECKS, run, LIMITS)}


def shifted(name, value, sigma, unit=""):
    return {name: Estimate(value=value, sigma=sigma, unit=unit, n=6)}


def spotted():
    cells = np.log(0.1) + np.random.default_rng(5).normal(0, 0.02, (16, 12))
    spot = cells.copy()
    spot[5:10, 3:7] -= 1.0
    return {"upper": spot, "lower": cells}


def test_a_right_day_passes():
    found = results(made())
    assert {code for code, one in found.items() if one.status != "pass"} == {"AUD08", "AUD22", "AUD23"}
    assert all(found[code].status == "skipped" for code in ("AUD08", "AUD22", "AUD23"))


PLANTED = {
    "AUD01": {"fault": "upper.mov: cut short.", "hint": "copy it again."},
    "AUD09": {
        "numbers": {
            "pair.epipolar_share": Estimate(value=0.05, n=8),
            "pair.exchanged_share": Estimate(value=0.02, n=8),
        }
    },
    "AUD10": {"numbers": shifted("pair.time_offset_ms", 2.0, 0.05, "ms")},
    "AUD11": {"numbers": shifted("pair.time_offset_ms", -2.0, 0.05, "ms")},
    "AUD12": {"numbers": shifted("framing.lower.nostril_offset_y_px", 70.0, 2.0, "px")},
    "AUD13": {"numbers": shifted("framing.upper.roll_deg", -12.0, 0.5, "deg")},
    "AUD14": {
        "numbers": shifted("focus.upper.eyes", 0.15, 0.004) | shifted("focus.upper.cheeks", 0.10, 0.004)
    },
    "AUD15": {"numbers": shifted("exposure.lower.skin_stops", -3.9, 0.02, "stops")},
    "AUD16": {"numbers": shifted("exposure.upper.blown_share", 0.04, 0.001)},
    "AUD17": {"contrast": spotted()},
    "AUD18": {"contrast": {camera: np.full((16, 12), np.log(0.05)) for camera in CAMERAS}},
    "AUD19": {"numbers": {"frames.upper.dropped": Estimate(value=30.0, unit="pictures", n=1200)}},
    "AUD20": {
        "settings": {
            "upper": "1080 × 1440 px, 59.9401 frames/s, 8 bit",
            "lower": "1080 × 1440 px, 60 frames/s, 8 bit",
        }
    },
    "AUD21": {"numbers": shifted("pair.interpupillary_mm", 69.0, 0.9, "mm")},
    "AUD23": {"board": BoardInTake(seen=4, status="fail", message="0.6 mm in depth on the face.")},
}


@pytest.mark.parametrize("code", sorted(PLANTED))
def test_a_planted_fault_fails_its_check_and_names_its_take(code):
    run = made(record(BAD, **PLANTED[code]))
    found = results(run)[code]
    assert found.status == "fail"
    assert f"take_{BAD}" in found.message
    assert found.action
    statuses = [take_status(run, one, LIMITS) for one in run.records]
    assert statuses[BAD] == "fail"
    assert [status for k, status in enumerate(statuses) if k != BAD] == ["pass"] * (N - 1)


def apart(whole, cells):
    """Skin of the upper camera against the lower one's."""
    return {
        "numbers": {
            f"lens.{camera}.apart": Estimate(value=sign * whole, sigma=0.005, n=800)
            for camera, sign in (("upper", 1.0), ("lower", -1.0))
        },
        "apart": {"upper": cells, "lower": -cells},
    }


def test_dirt_from_the_first_take_on_is_told_against_the_other_camera():
    clean = np.full((16, 12), np.nan)
    clean[4:14, 2:10] = 0.02
    dirty = clean.copy()
    dirty[8:12, 3:6] = -0.6
    for planted, code in ((apart(0.0, dirty), "AUD17"), (apart(-0.6, clean), "AUD18")):
        records = [record(k, **planted) for k in range(N)]
        run = AuditRun(
            records=tuple(records),
            changes=changes_of_day(records),
            day=day(),
            calibrated=True,
            reference="take_0",
        )
        found = results(run)
        assert found[code].status == "fail"
        assert found[code].message.startswith("All 6 takes: upper")
        assert "the other camera has" in found[code].message
        assert found["AUD18" if code == "AUD17" else "AUD17"].status == "pass"


def test_faults_that_only_caution():
    hidden = results(made(record(BAD, numbers=shifted("framing.upper.seen_share", 0.2, 0.0))))["AUD02"]
    blind = results(made(record(BAD, geometry=None, geometry_reason="too few matches")))["AUD03"]
    assert (hidden.status, blind.status) == ("caution", "caution")
    assert "too few matches" in blind.message
    unmade = results(made(record(BAD, board=BoardInTake(seen=2, reason="too few corners"))))["AUD23"]
    assert unmade.status == "caution"
    assert "too few corners" in unmade.message


def test_a_knock_before_the_first_take_does_not_vanish():
    found = results(made(of_day=day(level_apart=True)))
    assert found["AUD04"].status == "fail"
    assert found["AUD05"].status == "pass"
    assert found["AUD07"].status == "fail"


@pytest.mark.parametrize(("kind", "code", "other"), [("step", "AUD05", "AUD06"), ("drift", "AUD06", "AUD05")])
def test_steps_and_drift_are_told_apart(kind, code, other):
    found = results(made(of_day=day(events=[event(kind)])))
    assert found[code].status == "fail"
    assert f"take_{BAD}" in found[code].message
    assert found[other].status == "pass"
    assert found["AUD07"].status == "fail"
    # Real but harmless is a caution, not silence.
    assert results(made(of_day=day(events=[event(kind, 0.03)])))[code].status == "caution"


def test_calibrations_at_both_ends():
    def ends(harm, apart):
        number = Estimate(value=harm, sigma=0.01, unit="mm", n=168)
        return CalibrationsCompared(
            change=np.zeros(5),
            covariance=np.eye(5),
            distance=1.0,
            threshold=15.0,
            apart=apart,
            harm_mm=number,
            baseline_mm=Estimate(value=0.01, sigma=0.01, unit="mm"),
        )

    assert results(made(ends=ends(0.6, True)))["AUD08"].status == "fail"
    assert results(made(ends=ends(0.02, False)))["AUD08"].status == "pass"


def test_changed_looks():
    found = results(made(looks=("heavy_make_up",)))["AUD22"]
    assert found.status == "caution"
    assert "heavy make up" in found.message


def test_one_camera_or_no_calibration_leaves_the_geometry_out():
    run = made(of_day=None)
    run = replace(run, day=None, day_reason="one camera alone shows nothing of the pair", calibrated=False)
    found = results(run)
    for code in ("AUD03", "AUD04", "AUD05", "AUD06", "AUD07", "AUD21"):
        assert found[code].status == "skipped"
        assert not found[code].required
    assert found["AUD14"].status == "pass"


def test_slip_counts_from_the_approved_fitting_where_there_is_one():
    approved = dict(record(0).measurements)
    approved |= shifted("framing.upper.nostril_offset_x_px", -80.0, 2.0, "px")
    found = results(made(approved=approved, reference="the approved fitting"))["AUD12"]
    assert found.status == "fail"
    assert "6 of 6 takes" in found.message


def test_every_question_belongs_to_a_check():
    assert {question.code for question in TAKE_CHECKS} <= {check.code for check in AUDIT_CHECKS}
