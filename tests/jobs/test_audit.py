"""An audit of rendered takes: a knock found, faults named, one broken take stopping no other, work gone on with."""

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from audit_footage import calibration, knocked, rig, take, write_take
from face_clips import calibration_of

from rigcheck.checks import AUDIT_CHECKS
from rigcheck.demo.scenario import compose
from rigcheck.errors import InputError, OutputError
from rigcheck.geometry.observable import moved_pair
from rigcheck.jobs import audit_work
from rigcheck.jobs.audit import AuditInputs, audit, keeping, refuse_unfinished, write_audit
from rigcheck.main import run
from rigcheck.model import Estimate
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text, read_result

KNOCK_DEG = 0.6  # at 480 × 640 px three moments a take tell 0.2°; full footage tells a fifth of it
SLIP_MM = 5.0
# Another performer whose pupils stand 67 mm apart, the first one's 62: adults differ by 3.6 mm (2012 survey, limits).
OTHER = {"identity": 5, "pupils_mm": 67.0}


def soft(picture, camera):
    return cv2.GaussianBlur(picture, (0, 0), 1.3)


def smeared(picture, camera):
    """A thumb's print on camera 1's lens, over one cheek: light spread wide, nothing blocked."""
    if camera:
        return picture
    mask = np.zeros(picture.shape, np.float32)
    cv2.ellipse(mask, (170, 330), (80, 90), 0, 0, 360, 1.0, -1)
    mask = cv2.GaussianBlur(mask, (0, 0), 12)
    spread = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 40)
    return picture * (1 - mask) + spread * mask


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Right takes, slipped in 3, a fault each in 4 to 7, knocked from 8 on (9 slipped too), then unreadable ones."""
    folder = tmp_path_factory.mktemp("day")
    takes = folder / "takes"
    for number in (1, 2):
        write_take(takes / f"take_{number}", take(number))
    write_take(takes / "take_3_slipped", take(3, slip_mm=SLIP_MM))
    write_take(takes / "take_8", take(8, planted=knocked(KNOCK_DEG)))
    write_take(takes / "take_9", take(9, slip_mm=SLIP_MM, planted=knocked(KNOCK_DEG)))
    write_take(takes / "take_4_swapped", take(4)[::-1])
    write_take(takes / "take_5_soft", take(5, planted=soft))
    write_take(takes / "take_6_smeared", take(6, planted=smeared))
    write_take(takes / "take_7_single", [side[:1] for side in take(7)])
    three = write_take(takes / "take_10_three", take(10))
    (three / "spare").mkdir()
    (takes / "take_11_empty").mkdir()
    broken = write_take(takes / "take_12_broken", [side[:1] for side in take(12)])
    (broken / "upper" / "0000.png").write_bytes(b"\x89PNG\r\n\x1a\nnothing more")
    (folder / "calibration.yaml").write_text(calibration_text(calibration()), encoding="utf-8")
    given = AuditInputs(calibration=folder / "calibration.yaml", workers=1)
    return folder, given, audit(takes, given=given, work=folder / "work")


def check(result, code):
    return next(one for one in result.report.checks if one.code == code)


def test_the_knock_is_found_with_its_take(day):
    _, _, result = day
    (event,) = [one for one in result.run.day.events if result.run.day.names[one.first] == "take_8"]
    assert event.kind == "step"
    # A picture turned by +KNOCK about the convergence axis; sigma of three takes against two.
    assert abs(abs(event.change[0]) - KNOCK_DEG) < 4 * np.sqrt(event.covariance[0, 0])
    assert check(result, "AUD05").status == "fail"
    assert "take_8" in check(result, "AUD05").message
    by_take = {use.take: use.use for use in result.run.uses}
    assert by_take["take_1"] == by_take["take_2"] == "start"
    assert by_take["take_8"] == by_take["take_9"] == "recalibrate"


def test_slip_and_knock_are_parted(day):
    """Slip and no knock, a knock and no slip, and both; the knocked camera's picture shows the knock as 2 mm."""
    _, _, result = day
    for name, across in (("take_3_slipped", SLIP_MM), ("take_8", 0.0), ("take_9", SLIP_MM)):
        for camera in ("upper", "lower"):
            for part, true in (("across_mm", across), ("down_mm", 0.0)):
                found = result.run.change(name, f"slip.{camera}.{part}")
                assert abs(found.value - true) < 2 * found.sigma
                assert abs(found.value - true) < 0.9  # mm; the mesh's sigma at this size
    own = result.run.change("take_8", "slip.lower.own_mm")
    assert own.value == pytest.approx(np.radians(KNOCK_DEG) * 205.0, abs=3 * own.sigma)
    assert result.run.change("take_8", "slip.upper.own_mm").value is None
    assert "take_3_slipped, take_9" in check(result, "AUD12").message
    assert any("it was lower that moved, at take_8" in note for note in result.run.notes)
    # Read with the pair as it was, a face is 3 % too far and too large: still the same performer.
    assert check(result, "AUD21").status == "pass"


def test_right_takes_pass_and_slip_alone_is_none(day):
    _, _, result = day
    first = result.run.records[0]
    assert not first.fault
    assert first.geometry is not None
    for camera in ("upper", "lower"):
        moved = result.run.change("take_2", f"slip.{camera}.moved_mm")
        assert moved.value < 0.5  # mm; the same pictures but for noise
    assert check(result, "AUD04").status == "pass"


def test_faulty_takes_fail_a_check_of_their_own(day):
    _, _, result = day
    faults = {one.name: one.fault for one in result.run.records if one.fault}
    assert set(faults) == {"take_10_three", "take_11_empty", "take_12_broken"}
    assert "3 files or folders" in faults["take_10_three"]
    assert "empty" in faults["take_11_empty"]
    assert check(result, "AUD01").status == "fail"
    assert check(result, "AUD01").estimate.value == 1.0


def test_swapped_cameras_are_named(day):
    _, _, result = day
    found = check(result, "AUD09")
    assert found.status == "fail"
    assert "take_4_swapped" in found.message
    assert "1 of " in found.message


def test_softness_and_a_smeared_lens_are_told_apart(day):
    _, _, result = day
    soft_take = result.run.change("take_5_soft", "focus.upper.ratio")
    assert soft_take.value < 0.8
    assert "take_5_soft" in check(result, "AUD14").message
    spot = result.run.change("take_6_smeared", "lens.upper.spot_share")
    assert spot.value > 0.02
    assert result.run.change("take_6_smeared", "lens.lower.spot_share").value == 0.0
    assert result.run.change("take_5_soft", "lens.upper.spot_share").value == 0.0
    assert result.run.change("take_2", "lens.upper.spot_share").value == 0.0
    # The other camera tells it without other takes, and nothing in any other take; nor does a helmet that slipped.
    for record in result.run.read:
        spots = [result.run.change(record.name, f"lens.{camera}.spot_apart") for camera in ("upper", "lower")]
        if record.geometry is not None:
            assert [bool(one.value) for one in spots] == [record.name == "take_6_smeared", False]
    assert check(result, "AUD17").message.startswith("1 of 8 takes: take_6_smeared")
    for name in ("take_2", "take_3_slipped", "take_8", "take_9"):
        assert abs(result.run.change(name, "lens.upper.veil").value) < 0.05
    assert "slipped" not in check(result, "AUD18").message


def test_a_take_of_one_frame_is_read(day):
    _, _, result = day
    one = next(each for each in result.run.records if each.name == "take_7_single")
    assert not one.fault
    assert one.number("framing.upper.seen_share").value == 1.0


def test_what_is_written(day, tmp_path):
    _, _, result = day
    out = tmp_path / "out"
    write_audit(result, out)
    report = read_result(out / "result.json")
    assert (report.command, report.verdict) == ("audit", "fail")
    rows = list(csv.DictReader((out / "takes.csv").read_text(encoding="utf-8").splitlines()))
    content = json.loads((out / "takes.json").read_text(encoding="utf-8"))
    assert content["format"] == "rigcheck-takes"
    assert [row["take"] for row in rows] == [row["take"] for row in content["takes"]]
    # Natural order: take 10 after take 9.
    assert [row["take"] for row in rows][-3:] == ["take_10_three", "take_11_empty", "take_12_broken"]
    assert {row["take"]: row["use"] for row in rows}["take_8"] == "recalibrate"
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Worst first" in page
    assert "data:image/jpeg;base64," in page
    assert "Content-Security-Policy" in page
    assert "<script" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_finished_takes_are_not_measured_again(day, monkeypatch):
    folder, given, result = day

    def never(order):
        raise AssertionError(f"{order.take.name} measured again")

    monkeypatch.setattr(audit_work, "measure_take", never)
    # Faulty takes have records too: nothing at all is measured.
    again = audit(folder / "takes", given=given, work=folder / "work")
    assert again.report.measurements == result.report.measurements
    # A record cut short counts as none.
    record = next((folder / "work").glob("*.json"))
    whole = record.read_bytes()
    record.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(AssertionError, match="measured again"):
        audit(folder / "takes", given=given, work=folder / "work")
    record.write_bytes(whole)


def test_interrupted_work_goes_on_where_it_stopped(day, tmp_path, monkeypatch):
    folder, given, result = day
    measured = []
    by_name = {record.name: record for record in result.run.records}

    def stops(order):
        if len(measured) == 4:
            raise KeyboardInterrupt
        measured.append(order.take.name)
        return by_name[order.take.name]

    monkeypatch.setattr(audit_work, "measure_take", stops)
    with pytest.raises(KeyboardInterrupt):
        audit(folder / "takes", given=given, work=tmp_path / "work")
    before = list(measured)
    monkeypatch.setattr(
        audit_work, "measure_take", lambda order: measured.append(order.take.name) or by_name[order.take.name]
    )
    audit(folder / "takes", given=given, work=tmp_path / "work")
    assert len(before) == 4
    assert sorted(measured) == sorted(by_name)  # each once


def test_command_line(day, tmp_path, capsys):
    folder, _, _ = day
    out = tmp_path / "out"
    out.mkdir()
    (folder / "work").rename(out / "work")
    line = [
        "audit",
        str(folder / "takes"),
        "--calibration",
        str(folder / "calibration.yaml"),
        "--out",
        str(out),
    ]
    try:
        assert run(line) == 3
        assert "--resume" in capsys.readouterr().err
        assert run([*line, "--workers", "1", "--resume"]) == 4
        said = capsys.readouterr()
        assert "recalibrate" in said.out
        assert (
            f"{len(list((out / 'work').glob('*.json')))} measured takes are kept in {out / 'work'}"
            in said.err
        )
        assert "pictures of the performer" in said.err
    finally:
        (out / "work").rename(folder / "work")


def test_the_end_of_the_days_calibration_serves_the_takes_after_the_knock(day, tmp_path, capsys):
    """Through the command; every take was measured already, and is not again."""
    folder, _, _ = day
    known = rig()
    pose = moved_pair(known.stereo.camera2_from_camera1, np.array([KNOCK_DEG, 0.0, 0.0, 0.0, 0.0]))
    first = known.camera_from_rig[0]
    evening = calibration_of(replace(known, camera_from_rig=(first, compose(pose, first))))
    (tmp_path / "evening.yaml").write_text(calibration_text(evening), encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    (folder / "work").rename(out / "work")
    line = ["audit", str(folder / "takes"), "--calibration", str(folder / "calibration.yaml")]
    line += ["--end-calibration", str(tmp_path / "evening.yaml"), "--out", str(out)]
    try:
        assert run([*line, "--workers", "1", "--resume"]) == 4
    finally:
        (out / "work").rename(folder / "work")
    assert "2 end" in capsys.readouterr().out
    rows = list(csv.DictReader((out / "takes.csv").read_text(encoding="utf-8").splitlines()))
    used = {row["take"]: row["use"] for row in rows}
    assert {used[name] for name in ("take_1", "take_2", "take_3_slipped")} == {"start"}
    assert {used[name] for name in ("take_8", "take_9")} == {"end"}
    content = json.loads((out / "takes.json").read_text(encoding="utf-8"))
    assert set(content["calibration_sha256"]) == {"start", "end"}
    ends = next(one for one in read_result(out / "result.json").checks if one.code == "AUD08")
    assert ends.status == "fail"
    # The same turn as the takes show: RMS depth over the face of 0.6 degrees of convergence at 205 mm and 74 mm apart.
    step = next(one for one in read_result(out / "result.json").checks if one.code == "AUD05")
    assert ends.estimate.value == pytest.approx(step.estimate.value, abs=4 * step.estimate.sigma)


def test_another_performers_take_is_named(day, tmp_path, capsys):
    """Through the command, on single moments: pupils that stand otherwise apart in one take of three."""
    folder, _, _ = day
    for number, who in ((1, {}), (2, {}), (3, OTHER)):
        sides = [side[:1] for side in take(number, **who)]
        write_take(tmp_path / "takes" / f"take_{number}", sides)
    line = ["audit", str(tmp_path / "takes"), "--calibration", str(folder / "calibration.yaml")]
    run([*line, "--workers", "1", "--out", str(tmp_path / "out")])
    capsys.readouterr()
    found = next(one for one in read_result(tmp_path / "out" / "result.json").checks if one.code == "AUD21")
    assert found.status in ("caution", "inconclusive", "fail")
    assert found.message.startswith("1 of 3 takes: take_3")
    assert "same eye distance is not told" in next(one for one in AUDIT_CHECKS if one.code == "AUD21").meaning


def test_nothing_readable_is_an_error(tmp_path):
    (tmp_path / "takes" / "one").mkdir(parents=True)
    with pytest.raises(InputError, match="empty"):
        audit(tmp_path / "takes")
    with pytest.raises(InputError, match="no such folder"):
        audit(tmp_path / "missing")


def test_unfinished_work_is_not_thrown_away(tmp_path):
    work = refuse_unfinished(tmp_path / "out", resume=False, replace=False)
    assert not work.exists()
    work.mkdir(parents=True)
    (work / "a.json").write_text("{}", encoding="utf-8")
    with pytest.raises(OutputError, match="1 measured takes"):
        refuse_unfinished(tmp_path / "out", resume=False, replace=False)
    assert refuse_unfinished(tmp_path / "out", resume=True, replace=False) == work
    refuse_unfinished(tmp_path / "out", resume=False, replace=True)
    assert not list(work.glob("*.json"))


class TestFullDisk:
    """What was measured is kept and said, or nothing is left."""

    def test_with_takes_measured(self, tmp_path):
        work = tmp_path / "out" / "work"
        work.mkdir(parents=True)
        (work / "a.json").write_text("{}", encoding="utf-8")
        for pictures in (True, False):
            with pytest.raises(OutputError) as full, keeping(work, pictures=pictures):
                raise OutputError("full.", hint="free space.")
            assert full.value.hint.startswith(f"free space. 1 measured take is kept in {work}")
            assert "--resume" in full.value.hint
            assert ("pictures of the performer" in full.value.hint) == pictures
        assert (work / "a.json").is_file()

    def test_with_none(self, tmp_path):
        work = tmp_path / "out" / "work"

        def refused():
            with keeping(work, pictures=True):
                work.mkdir(parents=True)
                raise OutputError("full.", hint="free space.")

        with pytest.raises(OutputError) as full:
            refused()
        assert full.value.hint == "free space."
        assert list(tmp_path.iterdir()) == []


def test_records_keep_every_number(day):
    _, _, result = day
    from rigcheck.records.take_record import parse_take_record, take_record_text

    for record in result.run.records:
        text = take_record_text(record)
        assert take_record_text(parse_take_record(text, "x")) == text
    assert isinstance(result.run.records[0].number("nothing"), Estimate)
