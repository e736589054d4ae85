"""A calibration that was changed by hand or damaged is refused, with the entry that shows it."""

import re
from dataclasses import replace

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rigcheck.errors import RigcheckError, SchemaError
from rigcheck.records import calibration_text, json_schemas, read_calibration
from rigcheck.records.yaml_writing import yaml_text


def changed(calibration, tmp_path, change):
    content = yaml.safe_load(calibration_text(calibration))
    change(content)
    path = tmp_path / "calibration.yaml"
    path.write_text(yaml_text(content, heading="changed"), encoding="utf-8")
    return path


def put(*steps):
    """Change that sets the entry at steps[:-1] to steps[-1]; the value ``del`` removes it."""

    def change(content):
        *path, key, value = steps
        for step in path:
            content = content[step]
        if value == "del":
            del content[key]
        else:
            content[key] = value

    return change


def swap_rows(content):
    content["stereo"]["rotation"].reverse()


def mirror_covariance(content):
    content["covariance"][0][1] *= -1


def too_correlated(content):
    rows = content["covariance"]
    rows[0][1] = rows[1][0] = 1.01 * (rows[0][0] * rows[1][1]) ** 0.5


def one_camera_less(content):
    del content["cameras"][1]


WRONG = [
    (put("format", "rigcheck-result"), "a result found, a calibration needed"),
    (put("format", "del"), "'format' is missing"),
    (put("version", 2), "version: the number 2 found, at most 1 needed"),
    (put("version", "del"), "'version' is missing"),
    (put("created", "del"), "'created' is missing"),
    (put("cameras", 0, "focal_px", [1400.0]), "cameras[0].focal_px: a list of 1"),
    (put("cameras", 0, "focal_px", [1400.0, -1.0]), "cameras[0].focal_px[1]: the number -1.0"),
    (put("cameras", 0, "focal_px", 0, "1400"), "a number needed"),
    (put("cameras", 0, "image_size_px", [1080.5, 1440]), "a whole number needed"),
    (put("cameras", 0, "model", "pinhole"), "'brown' or 'fisheye' needed"),
    (put("cameras", 0, "distortion", [0.1, 0.2, 0.3]), "3 coefficients with 5 sigmas"),
    (put("cameras", 1, "sigma", "distortion", [0.1]), "4 coefficients with 1 sigmas"),
    (put("cameras", 0, "sigma", "focal_px", [-0.1, 0.1]), "at least 0"),
    (put("cameras", 0, "frame_rate", 0.0), "above 0"),
    (
        put("cameras", 1, "hot_pixels_px", [[5, 6], [1080, 3]]),
        "hot_pixels_px[1]: [1080, 3] found, a place within",
    ),
    (put("cameras", 1, "hot_pixels_px", [[5, -6]]), "hot_pixels_px[0][1]: the number -6 found"),
    (put("cameras", 1, "hot_pixels_px", [[5.5, 6]]), "a whole number needed"),
    (put("cameras", 1, "hot_pixels_px", [[5, 6, 7]]), "hot_pixels_px[0]: a list of 3"),
    (put("cameras", 1, "hot_pixels_px", [[5, 6]] * 65), "hot_pixels_px: a list of 65"),
    (put("cameras", 1, "name", "upper"), "a second time"),
    (put("cameras", 1, "name", "board"), "stands for something else"),
    (put("cameras", 0, "focal", 3.0), "unknown key 'cameras[0].focal'"),
    (one_camera_less, "cameras: 1 found, with a stereo section"),
    (put("stereo", None), "cameras: 2 found, with no stereo section"),
    (swap_rows, "stereo.rotation: nine numbers found that are no rotation"),
    (put("stereo", "baseline_mm", 71.0), "stereo.baseline_mm: 71 found, the length of translation_mm"),
    (put("stereo", "sigma", "rotation_deg", "across", "del"), "'across' is missing"),
    (put("stereo", "sigma", "rotation_deg", "pitch", 0.1), "unknown key 'stereo.sigma.rotation_deg.pitch'"),
    (put("face_volume", "map", "x_mm", [1.0, 2.0]), "rows that do not fit"),
    (put("board", "squares", [9, 100]), "board.dictionary"),
    (put("board", "marker_mm", 12.0), "board.marker_mm"),
    (put("parameters", ["a", "b", "c", "a"]), "parameters: a name twice"),
    (put("parameters", ["a", "b"]), "covariance: rows found that do not make 2 x 2"),
    (put("covariance", 0, 0, -1.0), "cannot be a covariance"),
    (mirror_covariance, "cannot be a covariance"),
    (too_correlated, "cannot be a covariance"),
    (put("provenance", "versions", "numpy", 2), "text"),
]


@pytest.mark.parametrize(("change", "finding"), WRONG, ids=[finding for _, finding in WRONG])
def test_damage_is_named(calibration, tmp_path, change, finding):
    path = changed(calibration, tmp_path, change)
    with pytest.raises(SchemaError, match=re.escape(finding)) as caught:
        read_calibration(path)
    assert caught.value.hint


@pytest.mark.parametrize("value", ["nan", "inf"])
def test_numbers_that_are_none(calibration, tmp_path, value):
    path = changed(calibration, tmp_path, put("stereo", "sigma", "baseline_mm", float(value)))
    with pytest.raises(SchemaError, match="finite number needed"):
        read_calibration(path)


def test_nothing_is_wrong_with_an_unchanged_one(calibration, tmp_path):
    read_calibration(changed(calibration, tmp_path, lambda content: None))


def test_hot_pixels_are_optional_and_read_back(calibration, tmp_path):
    """Files from before there were any are read, and files without any hold no word of them."""
    assert "hot_pixels_px" not in calibration_text(calibration)
    assert (
        read_calibration(changed(calibration, tmp_path, lambda content: None)).cameras[0].hot_pixels_px == ()
    )
    pixels = ((0, 0), (1079, 1439), (17, 1204))
    first = replace(calibration.cameras[0], hot_pixels_px=pixels)
    path = tmp_path / "hot.yaml"
    path.write_text(calibration_text(replace(calibration, cameras=(first, calibration.cameras[1]))))
    again = read_calibration(path)
    assert [entry.hot_pixels_px for entry in again.cameras] == [pixels, ()]
    assert yaml.safe_load(path.read_text())["version"] == 1
    schema = json_schemas()["calibration"]["$defs"]["CameraCalibrationFormat"]
    assert "hot_pixels_px" in schema["properties"]
    assert "hot_pixels_px" not in schema["required"]


def test_empty_covariance_is_one(calibration, tmp_path):
    def empty(content):
        content["parameters"], content["covariance"] = [], []

    assert read_calibration(changed(calibration, tmp_path, empty)).covariance.shape == (0, 0)


def test_held_parameter_has_no_variance(calibration, tmp_path):
    def held(content):
        for k in range(4):
            content["covariance"][2][k] = content["covariance"][k][2] = 0.0

    assert read_calibration(changed(calibration, tmp_path, held)).covariance[2, 2] == 0.0


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(st.data())
def test_any_truncation_or_damage_is_read_or_refused(calibration, tmp_path, data):
    content = calibration_text(calibration).encode()
    start = data.draw(st.integers(0, len(content)))
    length = data.draw(st.sampled_from([1, 5, 100, len(content)]))
    path = tmp_path / "calibration.yaml"
    path.write_bytes(content[:start] + data.draw(st.binary(max_size=4)) + content[start + length :])
    try:
        read_calibration(path)
    except RigcheckError:
        return
