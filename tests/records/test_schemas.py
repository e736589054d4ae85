"""JSON Schemas of our formats, held against the files themselves by a general validator (jsonschema).

Valid files pass both the schema and our own model; each planted damage is refused by both. jsonschema is an
independent implementation of JSON Schema draft 2020-12 (json-schema.org) and shares no code with pydantic.
"""

import copy
import json
from pathlib import Path

import pytest
import yaml
from day_files import EVERY_OPTION
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from rigcheck.main import run
from rigcheck.model import Estimate, FrameRef, PerformerRecord
from rigcheck.model.picking import Pick, PickReason, PoseReading
from rigcheck.model.take import Take, TakeRecord
from rigcheck.records import (
    calibration_text,
    json_schemas,
    performer_text,
    points_template,
    result_text,
)
from rigcheck.records.day_state import InputPrint, StepMade, day_state_text
from rigcheck.records.manifest_file import HandedOver, LeftOut, manifest_text
from rigcheck.records.picks_file import picks_text
from rigcheck.records.schemas import KINDS
from rigcheck.records.take_record import take_record_text
from rigcheck.records.takes_table import TableRow, takes_json

ROOT = Path(__file__).resolve().parents[2]
SCHEMAS = json_schemas()
VALIDATORS = {name: Draft202012Validator(schema) for name, schema in SCHEMAS.items()}
TAKES = "- {name: take 1, footage: [a/upper.mov, a/lower.mov], recorded: '2026-03-02T09:30:00+01:00'}\n"
TRANSFER = "bit_depth: 8\npoints: [[0, 0.0], [128, 0.2], [255, 1.0]]\n"


def made_state():
    made = StepMade(
        command="verify",
        done=True,
        program="0.3.0",
        options={"label": None, "footage": ["a.mov"]},
        inputs={"a.mov": InputPrint(facts="0" * 64, sha256="1" * 64)},
        outputs={"result.json": "2" * 64},
    )
    return day_state_text({"noon": made})


def made_picks(provenance):
    refs = tuple(FrameRef(camera=name, frame_idx=7, origin="a.mov") for name in ("upper", "lower"))
    reason = PickReason(code="seam", sentence="sealed along the whole seam", score=0.9, weight=2.0)
    pick = Pick(
        pose="neutral", reading=PoseReading(refs=refs, cameras={"upper": {}}), score=0.8, reasons=(reason,)
    )
    return picks_text(
        [(1, pick, ["stills/neutral-1-upper.png"])],
        [(2, pick)],
        wanted={"neutral": 1, "bite": 1},
        missing={"bite": ["teeth_apart"]},
        provenance=provenance,
    )


def made_points():
    text = points_template(FrameRef(camera="upper", frame_idx=3, origin="a.png"), (1080, 1440))
    return text.replace("#  chin: [x, y]", "   chin: [540.5, 1100]")


def made_table():
    row = TableRow(
        take="take 1",
        recorded=None,
        performer="heron",
        status="pass",
        use="between",
        share=0.25,
        left_mm=Estimate(value=0.02, sigma=0.01, unit="mm"),
        start_mm=Estimate(value=None, reason="no calibration"),
        because="lies between",
        fault="",
    )
    return takes_json(
        [row], created="2026-03-02T18:00:00+01:00", calibrations={"start": "a" * 64, "end": None}
    )


@pytest.fixture
def files(calibration, single_calibration, report, provenance):
    """Every file that is checked: (format, text)."""
    handed = HandedOver(path="day/result.json", what="numbers", bytes=10, sha256="0" * 64)
    record = TakeRecord(
        take=Take(name="t", footage=("a.mov", "b.mov")), cameras=("upper", "lower"), fault="", hint=""
    )
    return [
        *(("board", path.read_text()) for path in sorted((ROOT / "boards").glob("*.yaml"))),
        *(("rig", path.read_text()) for path in sorted((ROOT / "configs").glob("*.yaml"))),
        ("calibration", calibration_text(calibration)),
        ("calibration", calibration_text(single_calibration)),
        ("result", result_text(report)),
        ("performer", performer_text(PerformerRecord(code_name="heron"))),
        ("points", made_points()),
        ("picks", made_picks(provenance)),
        ("manifest", manifest_text([handed], [LeftOut(path="x", reason="y")], provenance)),
        ("takes", TAKES),
        ("take-table", made_table()),
        ("take-record", take_record_text(record)),
        ("transfer", TRANSFER),
        ("day", EVERY_OPTION),
        ("day-state", made_state()),
    ]


def content_of(text):
    return json.loads(text) if text.startswith("{") else yaml.safe_load(text)


def passes_schema(name, content):
    return VALIDATORS[name].is_valid(content)


def passes_model(name, content):
    kind = KINDS[name]
    try:
        kind.model.model_validate(content if kind.list_of is None else {kind.list_of: content})
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize("name", SCHEMAS)
def test_each_is_a_schema(name):
    Draft202012Validator.check_schema(SCHEMAS[name])
    assert SCHEMAS[name]["title"].startswith(f"rigcheck {name}: ")


def test_files_pass_in_both_and_none_is_forgotten(files):
    for name, text in files:
        errors = [
            error.message for error in Draft202012Validator(SCHEMAS[name]).iter_errors(content_of(text))
        ]
        assert not errors, (name, errors)
        assert passes_model(name, content_of(text)), name
    assert {name for name, _ in files} == set(SCHEMAS)


def damages(content, path=()):
    """Copies of a file's content, each with one fault: a key too many or too few, a value of a wrong type."""
    if isinstance(content, dict):
        yield path, content | {"no_such_key": 1}
        for key in content:
            yield (*path, key), {name: value for name, value in content.items() if name != key}
    yield path, {"neither": "nor"} if not isinstance(content, dict) else ["neither", "nor"]
    inner = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content)
        if isinstance(content, list)
        else ()
    )
    for key, value in list(inner)[:40]:
        for where, damaged in damages(value, (*path, key)):
            whole = copy.copy(content)
            whole[key] = damaged
            yield where, whole


def test_schema_and_model_refuse_the_same(files):
    """Keys of free mappings (options, versions, hashes) may come and go: there both must accept."""
    refused = dict.fromkeys(SCHEMAS, 0)
    for name, text in files:
        for where, damaged in list(damages(content_of(text)))[:120]:
            by_schema, by_model = passes_schema(name, damaged), passes_model(name, damaged)
            assert by_schema == by_model, (name, where)
            refused[name] += not by_schema
    assert min(refused.values()) >= 5, refused


def test_the_command_lists_and_prints(capsys):
    assert run(["formats"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in listed] == list(SCHEMAS)
    assert run(["formats", "board"]) == 0
    assert json.loads(capsys.readouterr().out) == SCHEMAS["board"]
    assert run(["formats", "bord"]) == 2
    assert "calibration" in capsys.readouterr().err
