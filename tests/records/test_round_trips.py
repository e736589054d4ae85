"""What is written is read back to the last digit, by us and by other programs."""

import json

import numpy as np
import pytest
import yaml

from rigcheck.errors import SchemaError
from rigcheck.records import (
    calibration_text,
    json_schemas,
    parse_result,
    read_calibration,
    read_result,
    result_text,
)
from rigcheck.records.schemas import FORMATS


def same(first, second):
    """Deep equality of frozen values that hold arrays; exact, since text keeps every digit."""
    if isinstance(first, np.ndarray):
        return np.array_equal(first, second)
    if isinstance(first, tuple | list):
        return len(first) == len(second) and all(map(same, first, second))
    if hasattr(first, "__dataclass_fields__"):
        return type(first) is type(second) and all(
            same(getattr(first, name), getattr(second, name)) for name in first.__dataclass_fields__
        )
    return first == second


@pytest.mark.parametrize("which", ["calibration", "single_calibration"])
def test_calibration_round_trip(which, request, tmp_path):
    calibration = request.getfixturevalue(which)
    path = tmp_path / "calibration.yaml"
    path.write_text(calibration_text(calibration), encoding="utf-8")
    assert same(read_calibration(path), calibration)


def test_same_sees_a_last_digit(calibration):
    values = vars(calibration) | {"covariance": np.nextafter(calibration.covariance, 1)}
    assert not same(type(calibration)(**values), calibration)


def test_calibration_reads_the_same_in_plain_yaml_1_1(calibration):
    """Other programs use YAML 1.1 loaders, which take 1e-05 for text and off for false."""
    content = yaml.safe_load(calibration_text(calibration))
    assert content["covariance"] == calibration.covariance.tolist()
    assert content["cameras"][0]["distortion"] == list(calibration.cameras[0].camera.distortion)
    assert content["provenance"]["options"] == dict(calibration.provenance.options)
    assert content["provenance"]["created"] == calibration.provenance.created


def test_matrices_are_written_as_rows(calibration):
    lines = calibration_text(calibration).splitlines()
    start = lines.index("covariance:")
    assert [line.startswith("- [") for line in lines[start + 1 :]] == [True] * 4


def test_result_round_trip(report, tmp_path):
    path = tmp_path / "result.json"
    path.write_text(result_text(report), encoding="utf-8")
    assert same(read_result(path), report)


def test_result_holds_what_the_format_promises(report):
    content = json.loads(result_text(report))
    assert content["format"] == "rigcheck-result"
    assert content["version"] == 1
    assert set(content["checks"][0]) >= {
        *("code", "title", "status", "value", "sigma", "unit", "limit", "message", "action")
    }
    assert content["checks"][1]["value"] is None
    assert content["checks"][1]["reason"] == "too few views"


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_result_refuses_numbers_that_are_none(number, report):
    with pytest.raises(SchemaError, match="finite"):
        parse_result(result_text(report).replace("71.4371828182845", number), "result.json")


@pytest.mark.parametrize("cut", [0, 1, 40, 1000])
def test_truncated_result_is_refused(cut, report):
    with pytest.raises(SchemaError):
        parse_result(result_text(report)[:cut], "result.json")


def test_schemas_describe_what_is_written(calibration, report):
    """The models that generate the schemas accept the files, and the required keys are in them."""
    schemas = json_schemas()
    contents = {
        "calibration": yaml.safe_load(calibration_text(calibration)),
        "result": json.loads(result_text(report)),
    }
    for name, content in contents.items():
        FORMATS[name].model_validate(content)
        assert set(schemas[name]["required"]) <= set(content) <= set(schemas[name]["properties"])
    assert all(
        schema["additionalProperties"] is False for schema in schemas.values() if schema["type"] == "object"
    )
    json.dumps(schemas, allow_nan=False)
