"""`compare` from two files to its own: each check judged, planted faults found, inputs refused."""

import hashlib
import json
import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from perturbed import changed, moved, provenance, solved
from results_made import START

from rigcheck.checks import COMPARE_CHECKS, Limits, effective_limits, run_checks
from rigcheck.errors import ConfigError, InputError, OutputError, SchemaError
from rigcheck.jobs.compare import OUTPUTS, compare, write_comparison
from rigcheck.main import run
from rigcheck.model import CheckResult, Estimate, Report, RigDescription
from rigcheck.model.rigfile import CameraDescription
from rigcheck.records import calibration_text, read_result, result_text

LATER = (START + timedelta(days=1)).isoformat()
NASTY = "kestrel <script>alert(1)</script>"


def own_report(calibration, *, failed=(), verdict="pass", **numbers):
    """What calibrate would have written beside a calibration."""
    checks = tuple(
        CheckResult(
            code=code,
            title="A check",
            status="fail",
            estimate=Estimate(value=1.0),
            limit="",
            message="m",
            action="a",
        )
        for code in failed
    )
    measurements = {"stereo.pairs": Estimate(value=24.0), "upper.coverage": Estimate(value=0.8),
                    "lower.coverage": Estimate(value=0.8)}  # fmt: skip
    measurements |= {
        name.replace("__", "."): Estimate(value=value, unit="mm") for name, value in numbers.items()
    }
    return Report(
        command="calibrate", verdict="fail" if failed else verdict, checks=checks, measurements=measurements,
        rejected=(), limits=(), provenance=calibration.provenance,
    )  # fmt: skip


def stored(folder, name, calibration, report=None):
    place = folder / name
    place.mkdir()
    path = place / "calibration.yaml"
    path.write_text(calibration_text(calibration), encoding="utf-8")
    if report is not None:
        (place / "result.json").write_text(result_text(report), encoding="utf-8")
    return path


def check(result, code):
    return next(one for one in result.report.checks if one.code == code)


class TestChecks:
    def test_two_of_an_unchanged_rig(self):
        result = compare(solved(0), solved(1))
        assert [check(result, code).status for code in ("CMP01", "CMP02", "CMP03", "CMP05")] == ["pass"] * 4
        assert check(result, "CMP04").status == "skipped"
        assert result.report.verdict == "pass"

    @pytest.mark.parametrize(("turn_deg", "status"), [(0.005, "pass"), (0.017, "caution"), (0.1, "fail")])
    def test_harm(self, turn_deg, status):
        """Convergence: 0.005, 0.017 and 0.1 degrees are 0.05, 0.17 and 1.0 mm on the face."""
        result = compare(solved(0), turned(solved(0), turn_deg))
        assert check(result, "CMP01").status == status
        assert check(result, "CMP01").estimate.value == pytest.approx(
            10.2 * turn_deg, abs=0.02
        )  # its own errors

    def test_harm_of_two_that_are_hardly_known(self):
        """Sigmas twenty times as large, a difference around the limit: no verdict."""
        vague = [
            replace(one, covariance=400.0 * one.covariance) for one in (solved(0), turned(solved(0), 0.05))
        ]
        result = compare(*vague)
        assert check(result, "CMP01").status == "inconclusive"
        assert "more views" in check(result, "CMP01").action
        assert result.report.verdict == "inconclusive"

    def test_agreement(self):
        """0.005 degrees of convergence: real (five sigmas), and harmless."""
        result = compare(solved(0), turned(solved(0), 0.02))
        assert check(result, "CMP02").status == "caution"
        assert check(result, "CMP02").estimate.value < 1e-6
        assert check(compare(solved(0), solved(1)), "CMP02").status == "pass"

    def test_mapping(self):
        """Focal length 0.1 %: about half a pixel over the picture, and named so."""
        refocused = changed(solved(0), upper__focal_x_px=1.42, upper__focal_y_px=1.42)
        result = compare(solved(0), refocused)
        assert check(result, "CMP03").status == "caution"
        assert "lens of upper" in check(result, "CMP03").action
        shifted = changed(solved(0), lower__centre_x_px=1.0)
        assert check(compare(solved(0), shifted), "CMP03").status == "pass"  # a turn makes up for it

    def test_own_checks(self, tmp_path):
        first, second = solved(0), solved(1)
        good = stored(tmp_path, "a", first, own_report(first))
        bad = stored(tmp_path, "b", second, own_report(second, failed=("CAL03",)))
        result = compare(good, bad)
        assert check(result, "CMP04").status == "caution"
        assert "CAL03" in check(result, "CMP04").message
        assert "Trust the first" in check(result, "CMP05").message
        assert "Trust the second" in check(compare(bad, good), "CMP05").message

    def test_neither_to_trust(self, tmp_path):
        paths = [
            stored(tmp_path, name, one, own_report(one, failed=("CAL03",)))
            for name, one in (("a", solved(0)), ("b", solved(1)))
        ]
        assert check(compare(*paths), "CMP05").status == "caution"

    def test_no_working_distance(self):
        pair = [replace(one, face_volume=None) for one in (solved(0), solved(1))]
        result = compare(*pair)
        assert check(result, "CMP01").status == "skipped"
        assert result.report.verdict == "inconclusive"
        rig = RigDescription(
            name="kestrel",
            cameras=(CameraDescription(name="upper"), CameraDescription(name="lower")),
            working_distance_mm=195.0,
        )
        assert check(compare(*pair, rig=rig), "CMP01").status == "pass"

    def test_limits_come_from_the_rig_file(self):
        rig = RigDescription(
            name="kestrel",
            cameras=(CameraDescription(name="upper"), CameraDescription(name="lower")),
            limits={"harm.depth_mm.caution": 0.01, "harm.depth_mm.fail": 0.02},
        )
        assert check(compare(solved(0), turned(solved(0), 0.01), rig=rig), "CMP01").status == "fail"


def turned(calibration, degrees):
    """Camera 2 turned about its own centre, in convergence."""
    from rigcheck.geometry.rotation import pair_axes

    pose = calibration.stereo.camera2_from_camera1
    about = pair_axes(pose.rotation, pose.translation_mm).convergence
    turn = -np.radians(degrees) * about
    along = np.cross(turn, pose.translation_mm)
    parts = {f"stereo__turn_{axis}_rad": value for axis, value in zip("xyz", turn, strict=True)}
    parts |= {f"stereo__translation_{axis}_mm": value for axis, value in zip("xyz", along, strict=True)}
    return changed(calibration, **parts)


class TestTrust:
    def test_the_later_after_a_change(self):
        result = compare(turned(solved(0), 0.1), solved(0))
        assert "from now on the first, which is later" in check(result, "CMP05").message

    def test_the_surer_of_two_that_agree(self):
        """Six views against twenty-four: the sigma on the face decides."""
        result = compare(solved(2, n_views=6), solved(0))
        assert "trust the second, which is surer" in check(result, "CMP05").message

    def test_either(self):
        assert "use either" in check(compare(solved(0), solved(1)), "CMP05").message

    def test_coverage_and_drift(self, tmp_path):
        first, second = solved(0), solved(1)
        result = compare(
            stored(tmp_path, "a", first, own_report(first, upper__coverage=0.4, clip__drift_depth_mm=0.3)),
            stored(tmp_path, "b", second, own_report(second)),
        )
        message = check(result, "CMP05").message
        assert "40 % and 80 %" in message
        assert "drifted while it was filmed" in message
        assert "the second has more on its side" in message

    def test_report_of_another_run_is_not_used(self, tmp_path):
        first, second = solved(0), solved(1)
        result = compare(
            stored(tmp_path, "a", first, own_report(second)),
            stored(tmp_path, "b", second, own_report(second)),
        )
        assert any("of another run" in note for note in result.report.notes)
        assert check(result, "CMP04").estimate.n == 1

    def test_damaged_report_is_said(self, tmp_path):
        path = stored(tmp_path, "a", solved(0))
        (path.parent / "result.json").write_text("{")
        result = compare(path, stored(tmp_path, "b", solved(1)))
        assert any("was not used" in note for note in result.report.notes)


class TestPrior:
    def test_prior_is_read_where_it_still_is(self, tmp_path):
        prior = stored(tmp_path, "workshop", solved(0))
        digest = hashlib.sha256(prior.read_bytes()).hexdigest()
        made = [
            replace(
                one,
                created=created,
                provenance=replace(provenance(created, prior=str(prior)), inputs_sha256={str(prior): digest}),
            )
            for one, created in ((solved(1), START.isoformat()), (solved(2), LATER))
        ]
        result = compare(*made)
        assert any("common and is taken out" in note for note in result.report.notes)
        prior.write_text(prior.read_text() + "\n# changed\n")
        result = compare(*made)
        assert any("not at hand" in note for note in result.report.notes)

    def test_second_made_from_the_first(self, tmp_path):
        first = stored(tmp_path, "a", solved(0))
        digest = hashlib.sha256(first.read_bytes()).hexdigest()
        second = replace(
            solved(1),
            provenance=replace(
                provenance(solved(1).created, prior="old/path.yaml"), inputs_sha256={"old/path.yaml": digest}
            ),
        )
        result = compare(first, stored(tmp_path, "b", second))
        assert any("with the first as its prior" in note for note in result.report.notes)


class TestFiles:
    def test_files_and_page(self, tmp_path):
        second = replace(
            turned(solved(0), 0.05),
            provenance=provenance(LATER, rig=NASTY),
            board=replace(solved(0).board, name=NASTY),
        )
        result = compare(stored(tmp_path, "a", solved(0)), stored(tmp_path, "b", second))
        write_comparison(result, tmp_path / "out")
        assert sorted(one.name for one in (tmp_path / "out").iterdir()) == sorted(OUTPUTS)
        report = read_result(tmp_path / "out" / "result.json")
        assert report.command == "compare"
        assert report.verdict == "fail"
        page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
        assert "<script" not in page
        assert "&lt;script&gt;" in page
        assert "default-src 'none'" in page
        assert "Which to trust, and why" in page
        assert page.count("<svg") == 5  # the face, and two drawings of each camera
        assert not re.search(r"(src|href)=[\"'](?!#)", page)

    def test_different_lens_models(self, tmp_path):
        base = solved(0)
        camera = replace(base.cameras[0].camera, distortion=base.cameras[0].camera.distortion[:2])
        entry = replace(base.cameras[0], camera=camera, sigma_distortion=(0.0, 0.0))
        kept = [n for n, name in enumerate(base.parameters) if name not in ("upper.p1", "upper.p2")]
        other = replace(
            base,
            cameras=(entry, base.cameras[1]),
            created=LATER,
            parameters=tuple(base.parameters[n] for n in kept),
            covariance=base.covariance[np.ix_(kept, kept)],
        )
        result = compare(stored(tmp_path, "a", base), stored(tmp_path, "b", other))
        assert "By the pair's pose alone" in check(result, "CMP02").message
        assert check(result, "CMP02").estimate.n == 6
        assert check(result, "CMP01").estimate.value is not None
        write_comparison(result, tmp_path / "out")
        assert "different lens models" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")

    def test_one_camera_each(self, tmp_path):
        """A focal length 0.1 % longer reads a depth of 195 mm 0.195 mm longer (Z df / f)."""
        singles = [one_camera(one) for one in (solved(0), changed(solved(0), upper__focal_x_px=1.42))]
        reports = [own_report(one, views__working_distance_mm=195.0) for one in singles]
        paths = [
            stored(tmp_path, name, one, report)
            for name, one, report in zip("ab", singles, reports, strict=True)
        ]
        result = compare(*paths)
        assert check(result, "CMP01").estimate.value == pytest.approx(
            0.5 * 195 * 1.42 / 1420, rel=0.01
        )  # x only
        write_comparison(result, tmp_path / "out")

    def test_exit_codes(self, tmp_path, capsys):
        first, second = stored(tmp_path, "a", solved(0)), stored(tmp_path, "b", solved(1))
        knocked = stored(tmp_path, "c", turned(solved(0), 0.1))
        out = str(tmp_path / "out")
        assert run(["compare", str(first), str(second), "--out", out]) == 0
        assert "Harm of the difference" in capsys.readouterr().out
        assert run(["compare", str(first), str(knocked), "--out", out]) == 3
        assert run(["compare", str(first), str(knocked), "--out", out, "--replace"]) == 4
        assert run(["compare", str(first), str(first), "--out", str(tmp_path / "o2")]) == 3
        assert "two are needed" in capsys.readouterr().err
        assert not (tmp_path / "o2").exists()

    @pytest.mark.parametrize(("text", "error"), [
        (None, InputError), ("", SchemaError), ("{", SchemaError), ("name: a board\n", SchemaError),
    ])  # fmt: skip
    def test_damaged(self, tmp_path, text, error):
        path = tmp_path / "c.yaml"
        if text is not None:
            path.write_text(text)
        with pytest.raises(error):
            compare(stored(tmp_path, "a", solved(0)), path)

    def test_newer(self, tmp_path):
        path = stored(tmp_path, "a", solved(0))
        path.write_text(path.read_text().replace("version: 1", "version: 2", 1))
        with pytest.raises(SchemaError, match="at most 1"):
            compare(path, stored(tmp_path, "b", solved(1)))

    def test_rig_file_of_another_rig(self):
        with pytest.raises(ConfigError, match="1 camera"):
            compare(
                solved(0), solved(1), rig=RigDescription(name="x", cameras=(CameraDescription(name="upper"),))
            )

    def test_never_over_its_inputs(self, tmp_path):
        first = stored(tmp_path, "a", solved(0), own_report(solved(0)))
        result = compare(first, stored(tmp_path, "b", solved(1)))
        with pytest.raises(OutputError):
            write_comparison(result, first.parent, replace_earlier=True)
        assert json.loads((first.parent / "result.json").read_text())["command"] == "calibrate"


def one_camera(calibration):
    kept = [n for n, name in enumerate(calibration.parameters) if name.startswith("upper.")]
    return replace(
        calibration,
        cameras=calibration.cameras[:1],
        stereo=None,
        face_volume=None,
        parameters=tuple(calibration.parameters[n] for n in kept),
        covariance=calibration.covariance[np.ix_(kept, kept)],
    )


def test_checks_have_limits_that_exist():
    limits = Limits(effective_limits())
    for one in COMPARE_CHECKS:
        assert not one.limit or limits.band(one.limit).text


def test_unmoved_copy_has_no_harm():
    """The same numbers made another day: nothing differs, harm is zero, and the file is not refused."""
    base = solved(0)
    result = compare(base, moved(base, np.zeros(len(base.parameters)), created=LATER))
    checks = run_checks(COMPARE_CHECKS, result.comparison, Limits(effective_limits()))
    assert {one.status for one in checks} <= {"pass", "skipped"}
    assert result.report.measurements["harm.depth_mm"].value == 0.0
