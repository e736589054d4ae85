"""Performer records: round trip, and what is refused."""

from dataclasses import replace

import pytest

from rigcheck.errors import SchemaError
from rigcheck.model import ApprovedFitting, Knock, PerformerLooks, PerformerRecord, Worn
from rigcheck.records import json_schemas, performer_text, read_performer

FULL = PerformerRecord(
    code_name="heron 3",
    helmet="shell M, serial 12",
    pads="front 6 mm",
    boom_mark="line 4",
    lens_marks="blue at 200",
    head_borne_kg=0.5,
    overhang_mm=250.0,
    rig="kestrel",
    calibration="2026-02-03T04:05:06+01:00",
    looks=PerformerLooks(glasses=False, facial_hair=True, hair_note="tied: 'back'"),
    worn=(
        Worn(on="2026-03-02T09:15:00+01:00", off="2026-03-02T10:40:00+01:00"),
        Worn(on="2026-03-02T11:00:00+01:00"),
    ),
    knocks=(Knock(when="2026-03-02T09:50:00+01:00", note="boom hit by a prop"),),
    notes=("1e-3", "off"),
    approved=ApprovedFitting(
        when="2026-03-02T09:30:00+01:00", result_sha256="ab" * 32, looks=PerformerLooks(glasses=True)
    ),
)


def read(tmp_path, text):
    path = tmp_path / "performer.yaml"
    path.write_text(text)
    return read_performer(path)


def test_round_trip(tmp_path):
    assert read(tmp_path, performer_text(FULL)) == FULL
    short = PerformerRecord(code_name="rook")
    assert read(tmp_path, performer_text(short)) == short


def test_a_hand_written_record_needs_only_the_code_name(tmp_path):
    record = read(
        tmp_path, "format: rigcheck-performer\nversion: 1\ncode_name: heron 3\nlooks: {glasses: true}\n"
    )
    assert record.looks.glasses is True
    assert record.looks.unknown == ("accessories", "heavy_make_up", "hair_over_brows", "facial_hair")


def test_moment_as_in_the_handbook():
    """Handbook §7: 9.81·m·d; 0.3 kg at 20 and 25 cm 59 and 74 N·cm, 0.5 kg at 25 cm 123."""
    assert FULL.moment_ncm == pytest.approx(123, abs=0.5)
    assert replace(FULL, head_borne_kg=0.3, overhang_mm=200.0).moment_ncm == pytest.approx(59, abs=0.5)
    assert replace(FULL, head_borne_kg=0.3).moment_ncm == pytest.approx(74, abs=0.5)
    assert replace(FULL, head_borne_kg=None).moment_ncm is None


def test_what_changed_between_looks():
    before = PerformerLooks(glasses=True, facial_hair=None, hair_note="loose")
    after = PerformerLooks(glasses=False, facial_hair=True, hair_note="tied")
    assert after.changed_from(before) == ("glasses", "hair_note")
    assert before.changed_from(before) == ()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("hight: 3", "unknown key"),
        ("head_borne_kg: 50", "at most 5"),
        ("code_name: 'a/b'", "short name"),
        ("worn: [{on: yesterday}]", "2026-03-02T09:15:00"),
        ("worn: [{on: '2026-03-02T09:15:00'}]", "offset"),
        ("worn: [{on: '2026-03-02T09:15:00+01:00', off: '2026-03-02T08:15:00+01:00'}]", "before it went on"),
        ("looks: {glasses: maybe}", "true or false"),
        ("version: 2", "at most 1"),
        ("approved: {when: '2026-03-02T09:15:00+01:00', result_sha256: short}", "short"),
    ],
)
def test_refused(tmp_path, line, words):
    key = line.split(":")[0]
    lines = {"format": "format: rigcheck-performer", "version": "version: 1", "code_name": "code_name: heron"}
    lines[key] = line
    with pytest.raises(SchemaError) as caught:
        read(tmp_path, "\n".join(lines.values()) + "\n")
    assert words in str(caught.value)


def test_another_format_is_named(tmp_path):
    with pytest.raises(SchemaError, match="a rig file found, a performer record needed"):
        read(tmp_path, "name: kestrel\ncameras:\n  - name: upper\n")


def test_schema_is_published():
    assert json_schemas()["performer"]["required"] == ["format", "version", "code_name"]
