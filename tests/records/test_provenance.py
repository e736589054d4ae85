"""Provenance says what was used and when, and nothing about who."""

import getpass
import hashlib
import json
import os
import re
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from rigcheck.errors import InputError
from rigcheck.model import Estimate, Report
from rigcheck.records import (
    calibration_text,
    file_sha256,
    make_provenance,
    parse_result,
    read_board,
    read_calibration,
    result_text,
)


def test_time_has_an_offset():
    created = make_provenance("calibrate", inputs={}, options={}).created
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", created)  # ISO 8601 extended format
    assert datetime.fromisoformat(created).tzinfo is not None


def test_versions_of_what_computes():
    versions = make_provenance("calibrate", inputs={}, options={}).versions
    assert versions["numpy"] == np.__version__
    assert {"rigcheck", "python", "scipy", "opencv-contrib-python", "av"} <= set(versions)
    assert all(versions.values())


def test_nothing_about_the_user_or_the_machine_is_added():
    provenance = make_provenance("calibrate", inputs={"a.mov": "00"}, options={"rig": Path("rig.yaml")})
    text = json.dumps(
        [provenance.created, dict(provenance.versions), provenance.inputs_sha256, provenance.options]
    )
    assert provenance.inputs_sha256 == {"a.mov": "00"}
    assert provenance.options == {"rig": "rig.yaml"}
    for private in (os.getcwd(), str(Path.home()), os.uname().nodename):
        assert private == "/" or private not in text
    assert re.search(rf"\b{re.escape(getpass.getuser())}\b", text) is None


def test_odd_options_and_file_names_survive_both_formats(report, calibration, tmp_path):
    provenance = make_provenance(
        "calibrate",
        inputs={os.fsdecode(b"caf\xe9.mov"): "00", "\u2028\x1b[31m.mov": "11"},
        options={"sizes": (1, 2.5), "nested": {"a": [None, True]}, "n": np.float64(0.1), "s": "off"},
    )
    assert provenance.options["sizes"] == [1, 2.5]
    values = vars(report) | {"provenance": provenance}
    assert parse_result(result_text(Report(**values)), "r").provenance == provenance
    path = tmp_path / "c.yaml"
    values = vars(calibration) | {"provenance": provenance}
    path.write_bytes(calibration_text(type(calibration)(**values)).encode("utf-8"))
    assert read_calibration(path).provenance == provenance


@pytest.mark.parametrize("value", [float("nan"), float("inf"), object(), b"bytes", [float("nan")], {1, 2}])
def test_options_that_no_file_can_hold(value):
    with pytest.raises(ValueError, match="options"):
        make_provenance("calibrate", inputs={}, options={"a": value})


def test_hash_agrees_with_the_standard_example(tmp_path):
    """FIPS 180-2, appendix B.1: SHA-256 of "abc"."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert file_sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(bytes(3_000_000))
    assert file_sha256(path) == hashlib.sha256(bytes(3_000_000)).hexdigest()


@pytest.mark.parametrize("name", ["absent", "."])
def test_hash_of_what_is_not_there(tmp_path, name):
    with pytest.raises(InputError, match="cannot be read"):
        file_sha256(tmp_path / name)


def test_result_with_numbers_of_numpy(report):
    values = vars(report) | {
        "measurements": {"a": Estimate(value=np.float64(1.5), sigma=np.float64(0.1), n=np.int64(3))}
    }
    assert parse_result(result_text(Report(**values)), "r").measurements["a"] == Estimate(
        value=1.5, sigma=0.1, n=3
    )


def test_result_about_a_file_whose_name_is_no_text(report):
    name = os.fsdecode(b"caf\xe9.mov")
    text = result_text(Report(**(vars(report) | {"notes": (name,)})))
    assert text.encode("utf-8")
    assert parse_result(text, "r").notes == ("caf\\udce9.mov",)


def test_board_file_whose_name_is_no_text(tmp_path, calibration):
    path = tmp_path / os.fsdecode(b"caf\xe9" + b"x" * 240 + b".yaml")
    path.write_text("kind: checkerboard\nsquares: [10, 7]\nsquare_mm: 8\n")
    values = vars(calibration) | {"board": read_board(path)}
    saved = tmp_path / "c.yaml"
    saved.write_bytes(calibration_text(type(calibration)(**values)).encode("utf-8"))
    assert read_calibration(saved).board == values["board"]
    assert values["board"].name.startswith("caf\\udce9xxx")
