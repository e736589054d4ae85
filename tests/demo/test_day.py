"""The demo day: the knock is the one that is said, its footage shows it, and what is not found is called not found."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rigcheck.checks import EXPOSURE_CHECKS, FRAMING_CHECKS
from rigcheck.demo import calibration_shoot, day, project_points
from rigcheck.demo.day import DemoDay, _shown, run_demo
from rigcheck.demo.day_filming import board_stills, pieces_of_day
from rigcheck.demo.day_found import Planted, audited, fitted_right, fitted_wrong, verified
from rigcheck.demo.day_plan import (
    KNOCK_DEG,
    KNOCKED_FROM,
    N_TAKES,
    DayPlan,
    head_rig_of,
    held_s,
    knocked,
    picks_clip,
    take_clip,
)
from rigcheck.demo.day_steps import DayStep
from rigcheck.demo.truth import named_axes
from rigcheck.errors import OutputError
from rigcheck.main import run
from rigcheck.model import CheckResult, Estimate, FrameRef, Observation, Report
from rigcheck.opencv import cv2
from rigcheck.records import make_provenance
from rigcheck.report.demo_page import ShownTruth, demo_page
from rigcheck.target import detect_board


@pytest.fixture(scope="module")
def shoot():
    return calibration_shoot(3, seconds=4.0, size_px=(540, 720))


def test_the_knock_turns_the_lower_camera_as_said_and_nothing_else(shoot):
    before, after = (one.day.truth.camera2_from_camera1 for one in (shoot, knocked(shoot)))
    turn = Rotation.from_matrix(after.rotation @ before.rotation.T).as_rotvec()
    axes = named_axes(before.rotation, before.translation_mm)
    found = {name: -np.degrees(axis @ turn) for name, axis in axes.items()}
    for name in ("convergence", "across", "twist"):
        # One turn after the other: they mix by their product, 0.0002 deg.
        assert found[name] == pytest.approx(KNOCK_DEG.get(name, 0.0), abs=3e-4)
    # About its own lens: the centre of camera 2, seen from camera 1, stays.
    for pose, other in ((before, after),):
        centre = -pose.rotation.T @ pose.translation_mm
        assert -other.rotation.T @ other.translation_mm == pytest.approx(centre, abs=1e-9)
    assert knocked(shoot).day.truth.camera1 == shoot.day.truth.camera1


def test_stills_show_the_board_where_the_knocked_camera_sees_it(shoot, tmp_path):
    seen = []
    for name, one in (("before", shoot), ("after", knocked(shoot))):
        upper, lower = board_stills(tmp_path / name, one, seconds=1.0, take=1)
        assert len(list(upper.iterdir())) == len(list(lower.iterdir())) == len(list(lower.glob("*.png"))) == 1
        picture = cv2.imdecode(np.fromfile(lower / "pose_00.png", dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
        found = detect_board(
            picture, shoot.day.board, FrameRef(camera="lower", frame_idx=0, origin="pose_00.png")
        )
        assert isinstance(found, Observation)
        seen.append(dict(zip(found.corner_ids.tolist(), found.corners_px, strict=True)))
    shared = sorted(set(seen[0]) & set(seen[1]))
    shift = np.mean([seen[1][each] - seen[0][each] for each in shared], axis=0)
    # The baseline is upright: convergence moves the picture up and down, "across" sideways. Off the axis a turn moves
    # more, distortion less.
    focal = shoot.camera(2).focal_px[1]
    assert abs(shift[1]) == pytest.approx(focal * np.tan(np.radians(KNOCK_DEG["convergence"])), rel=0.1)
    assert abs(shift[0]) == pytest.approx(focal * np.tan(np.radians(KNOCK_DEG["across"])), rel=0.2)


def test_the_face_is_before_the_calibrated_cameras(shoot):
    rig = head_rig_of(shoot)
    assert rig.stereo.baseline_mm == pytest.approx(shoot.day.truth.baseline_mm)
    for camera, pose in zip(rig.cameras, rig.camera_from_rig, strict=True):
        middle = project_points(camera, pose.apply(np.array([[0.0, 0.0, 195.0]])))[0]
        assert middle == pytest.approx(np.array(camera.image_size_px) / 2, abs=0.1 * camera.image_size_px[0])


def test_takes_differ_and_the_knock_comes_between_two(shoot, tmp_path):
    clips = [take_clip(shoot, number) for number in range(1, N_TAKES + 1)]
    said = [tuple(hold.expression for hold in clip.script) for clip in clips]
    assert all(first != second for first, second in said)
    assert len({str(each) for each in said}) >= 10
    poses = [clip.scene.rig.stereo.camera2_from_camera1.rotation for clip in clips]
    changed = [not np.allclose(one, poses[0], atol=1e-9) for one in poses]
    assert changed == [number >= KNOCKED_FROM for number in range(1, N_TAKES + 1)]
    pieces = pieces_of_day()
    assert len(pieces) == len(set(pieces))
    assert pieces[-N_TAKES:] == tuple(f"take_{number:02d}" for number in range(1, N_TAKES + 1))
    plan = DayPlan(folder=tmp_path, shoot=shoot)
    assert plan.pair("picks", ".mp4")[0].name == "upper.mp4"


def test_what_is_held_is_reached_first(shoot):
    clip = picks_clip(shoot)
    for name in ("neutral", "bite"):
        first, last = held_s(clip.script, name)
        assert clip.hold_at((first + last) / 2) == (name, True)
        assert clip.hold_at(first - 0.001) == (name, False)
    with pytest.raises(KeyError):
        held_s(clip.script, "yawn")


def report(command, statuses, measurements, verdict):
    """A report in which every check passes but those named."""
    fitting = [check.code for check in (*FRAMING_CHECKS, *EXPOSURE_CHECKS)]
    known = fitting if command == "fitting" else ["VER01"]
    return Report(
        command=command,
        verdict=verdict,
        checks=tuple(
            CheckResult(
                code=code,
                title=code,
                status=statuses.get(code, "pass"),
                estimate=Estimate(value=1.0),
                limit="",
                message=f"{code} speaks.",
                action="Turn it.",
            )
            for code in known
        ),
        measurements=measurements,
        rejected=(),
        limits=(),
        provenance=make_provenance(command, inputs={}, options={}),
    )


FITTED = {
    "framing.upper.nostril_offset_y_px": Estimate(value=160.0, sigma=9.0, unit="px"),
    "exposure.upper.side_ratio_stops": Estimate(value=0.4, sigma=0.04, unit="stops"),
    "exposure.lower.side_ratio_stops": Estimate(value=0.4, sigma=0.04, unit="stops"),
}


def test_faults_of_the_fitting_count_only_when_their_own_check_speaks():
    spoken = {"FRM05": "fail", "EXP05": "caution", "EXP01": "fail"}
    found = fitted_wrong(report("fitting", spoken, FITTED, "fail"))
    assert [plant.right for plant in found] == [True, True, True]
    assert found[0].found == "FRM05 Fail: FRM05 speaks. Do: Turn it."
    for missing in range(3):
        fewer = dict(list(spoken.items())[:missing] + list(spoken.items())[missing + 1 :])
        found = fitted_wrong(report("fitting", fewer, FITTED, "fail"))
        assert [plant.right for plant in found] == [k != missing for k in range(3)]
        assert "say nothing" in found[missing].found
    # The wrong way round is not found either.
    turned = {name: replace(each, value=-(each.value or 0.0)) for name, each in FITTED.items()}
    found = fitted_wrong(report("fitting", spoken, turned, "fail"))
    assert [plant.right for plant in found] == [False, False, True]


@pytest.mark.parametrize(
    ("verdict", "right"), [("pass", True), ("caution", True), ("inconclusive", False), ("fail", False)]
)
def test_a_mended_fitting_must_end_in_pass_or_caution(verdict, right):
    assert fitted_right(report("fitting", {}, FITTED, verdict)).right is right


@pytest.mark.parametrize(
    ("convergence", "across", "verdict", "right"),
    [(0.2003, 0.0602, "fail", True), (0.2003, 0.0602, "pass", False), (0.18, 0.0602, "fail", False)],
)
def test_a_knock_counts_when_it_is_told_and_measured(convergence, across, verdict, right):
    measured = {
        "change.convergence_deg": Estimate(value=convergence, sigma=0.0003, unit="deg"),
        "change.across_deg": Estimate(value=across, sigma=0.0003, unit="deg"),
    }
    assert verified(report("verify", {}, measured, verdict), knocked=True).right is right
    assert verified(report("verify", {}, measured, verdict), knocked=False).right is (verdict == "pass")


def audit_result(*, first, convergence, uses_end_from, alarm=False):
    """What the demo reads of an audit, its step at the take with index `first`."""
    names = tuple(f"take_{number:02d}" for number in range(1, N_TAKES + 1))
    change = np.array([convergence, KNOCK_DEG["across"], 0.0, 0.0, 0.0])
    event = SimpleNamespace(kind="step", first=first, change=change, covariance=np.diag([0.01] * 5) ** 2)
    uses = [
        SimpleNamespace(take=name, use="end" if k >= uses_end_from else "start")
        for k, name in enumerate(names)
    ]
    still = ("AUD06", "AUD12", "AUD13", "AUD14", "AUD15", "AUD17", "AUD18", "AUD21")
    checks = [
        SimpleNamespace(
            code=code, status="caution" if alarm and code == "AUD12" else "pass", message="Slipped."
        )
        for code in ("AUD05", *still)
    ]
    return SimpleNamespace(
        run=SimpleNamespace(day=SimpleNamespace(names=names, events=(event,)), uses=uses),
        report=SimpleNamespace(checks=checks),
    )


@pytest.mark.parametrize(
    ("planted", "right"),
    [
        ({}, [True, True, True]),
        ({"first": KNOCKED_FROM}, [False, True, True]),  # one take too late
        ({"convergence": 0.12}, [False, True, True]),
        ({"uses_end_from": KNOCKED_FROM - 2}, [True, False, True]),
        ({"alarm": True}, [True, True, False]),
    ],
    ids=("as planted", "late", "too small", "calibrations", "slip"),
)
def test_the_audit_must_name_the_take_the_turn_and_nothing_else(planted, right):
    usual = {"first": KNOCKED_FROM - 1, "convergence": 0.21, "uses_end_from": KNOCKED_FROM - 1}
    assert [plant.right for plant in audited(audit_result(**(usual | planted)))] == right


def step(*planted):
    return DayStep(
        name="fitting",
        title="Fitting <first>",
        command="rigcheck fitting a b --out c",
        planted=planted,
        page="results/fitting/report.html",
        report=report("fitting", {}, FITTED, "fail"),
    )


def test_the_page_says_plainly_what_was_not_told():
    good = Planted(what="A lamp", found="EXP05 speaks.", right=True)
    bad = Planted(what="A <b>helmet</b>", found="Nothing.", right=False)
    truth = (ShownTruth(name="baseline", estimate="72.1", truth="72.1", error_in_sigmas=0.4),)
    page = demo_page(_shown((step(good, bad),)), truth, seed=1)
    assert "1 of 2 things planted were not told as they are." in page
    assert page.count("A &lt;b&gt;helmet&lt;/b&gt;") == 2  # at the top and in its row
    assert 'href="results/fitting/report.html"' in page
    assert "Fitting &lt;first&gt;" in page
    assert "rigcheck fitting a b --out c" in page
    whole = demo_page(_shown((step(good),)), truth, seed=1)
    assert "All 1 things planted" in whole
    assert "Not told as it is" not in whole


def test_a_folder_with_something_in_it_is_left_alone(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    assert run(["demo", str(tmp_path)]) == 3
    assert "--replace" in capsys.readouterr().err
    assert [each.name for each in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(("right", "code"), [(True, 0), (False, 4)])
def test_the_command_says_each_step_and_ends_in_its_verdict(right, code, tmp_path, monkeypatch, capsys):
    done = step(Planted(what="A lamp", found="EXP05 speaks.", right=right))

    def fake(folder, *, on_step, **asked):
        on_step(done)
        return DemoDay(folder=folder, result=None, rows=(), steps=(done,))

    monkeypatch.setattr(day, "run_demo", fake)
    assert run(["demo", str(tmp_path / "d")]) == code
    told = capsys.readouterr().out
    assert "Fitting <first>: Fail" in told
    assert ("NOT TOLD: EXP05 speaks." in told) is not right
    assert f"Open in a browser: {tmp_path / 'd' / 'index.html'}" in told


def test_an_interrupt_says_what_is_kept(tmp_path, monkeypatch, capsys):
    def stopped(folder, **asked):
        raise KeyboardInterrupt

    monkeypatch.setattr(day, "run_demo", stopped)
    assert run(["demo", str(tmp_path / "d")]) == 130
    told = capsys.readouterr().err
    assert f"kept in {tmp_path / 'd'}" in told
    assert "nothing was written" not in told


def test_a_file_where_a_folder_is_needed_is_said(tmp_path, capsys):
    (tmp_path / "footage").write_text("mine")
    assert run(["demo", str(tmp_path), "--replace"]) == 3
    assert "footage: cannot be made" in capsys.readouterr().err
    assert (tmp_path / "footage").read_text() == "mine"


@pytest.mark.parametrize("written", [True, False])
def test_a_full_disk_says_what_is_kept_or_leaves_nothing(tmp_path, monkeypatch, written):
    folder = tmp_path / "day"

    def full(place, shoot, **_):
        if written:
            place.mkdir()
            (place / "rig.yaml").write_text("name: kestrel")
        raise OutputError("disk full.", hint="free some space.")

    monkeypatch.setattr("rigcheck.demo.day.write_calibration_clips", full)
    with pytest.raises(OutputError) as told:
        run_demo(folder, seconds=4.0, seed=1)
    assert told.value.hint.startswith("free some space.")
    assert (f"kept in {folder}" in told.value.hint) == written == folder.exists()
