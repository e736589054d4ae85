"""Files of every format written, read, damaged, edited and restored in any order.

Reading gives a value or one of our errors, which names the file; a value that was read is written and read back.
"""

import json
import os
import random
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
import yaml
from face_clips import calibration_of
from faults.damage import HOSTILE_TEXTS, NUMBERS, OTHERS, cut, exchanged, flipped, places
from faults.stage import CURVE, POINTS, RIG, TAKES
from hypothesis import HealthCheck, settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from rendered import BOARD_YAML
from results_made import START, made

from rigcheck.demo.head_rig import head_rig
from rigcheck.errors import RigcheckError, SchemaError
from rigcheck.model import PerformerRecord
from rigcheck.records import (
    calibration_text,
    performer_text,
    read_board,
    read_calibration,
    read_performer,
    read_points,
    read_result,
    read_rig,
    read_transfer_table,
    result_text,
)
from rigcheck.records.manifest_file import HandedOver, manifest_text, read_manifest
from rigcheck.records.picks_file import picks_text, read_picks
from rigcheck.records.takes_file import read_takes

VALUES = [*HOSTILE_TEXTS.values(), *NUMBERS.values(), *OTHERS.values()]


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A format: the file's name, a right text, how it is read, and how a value of it is written, where it can be."""

    name: str
    text: str
    read: Callable[[Path], object]
    write: Callable[[object], str] | None = None


def _result():
    return made(START, rng=np.random.default_rng([96, 0]), command="calibrate")


def _kinds() -> dict[str, Kind]:
    provenance = _result().provenance
    handed = HandedOver(path="a/b.yaml", what="a calibration", bytes=3, sha256="ab" * 32)
    record = PerformerRecord(code_name="heron", helmet="two", head_borne_kg=0.9, notes=("a", "b"))
    kinds = (
        Kind(name="board.yaml", text=BOARD_YAML, read=read_board),
        Kind(name="rig.yaml", text=RIG, read=read_rig),
        Kind(name="curve.yaml", text=CURVE, read=lambda path: read_transfer_table(path, bit_depth=8)),
        Kind(name="points.yaml", text=POINTS.format(camera="upper", width=360, height=480), read=read_points),
        Kind(name="takes.yaml", text=TAKES, read=read_takes),
        Kind(
            name="calibration.yaml",
            text=calibration_text(calibration_of(head_rig(size_px=(60, 80)))),
            read=read_calibration,
            write=calibration_text,
        ),
        Kind(name="performer.yaml", text=performer_text(record), read=read_performer, write=performer_text),
        Kind(name="result.json", text=result_text(_result()), read=read_result, write=result_text),
        Kind(
            name="manifest.json",
            text=manifest_text([handed], [], provenance),
            read=lambda path: read_manifest(path.parent),
            write=lambda files: manifest_text(files, [], provenance),
        ),
        Kind(
            name="picks.json",
            text=picks_text([], [], wanted={"neutral": 1}, missing={"neutral": ["x"]}, provenance=provenance),
            read=read_picks,
        ),
    )
    return {kind.name: kind for kind in kinds}


KINDS = _kinds()


def same(first: object, second: object) -> bool:
    """Deep equality of frozen values that hold arrays, to the last digit."""
    if isinstance(first, np.ndarray):
        return np.array_equal(first, second)
    if isinstance(first, tuple | list):
        return len(first) == len(second) and all(map(same, first, second))
    if hasattr(first, "__dataclass_fields__"):
        return type(first) is type(second) and all(
            same(getattr(first, name), getattr(second, name)) for name in first.__dataclass_fields__
        )
    return first == second


class FileLife(RuleBasedStateMachine):
    """One file of one format, through what can happen to it."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="format-"))
        self.kind: Kind | None = None
        self.right = True

    def teardown(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)

    @property
    def path(self) -> Path:
        return self.folder / self.kind.name

    @initialize(name=st.sampled_from(sorted(KINDS)))
    def begin(self, name):
        self.kind = KINDS[name]
        self.restore()

    @rule()
    def restore(self):
        self.path.write_text(self.kind.text, encoding="utf-8")
        self.right = True

    @rule(seed=st.integers(0, 10_000), bits=st.integers(1, 20))
    def flip(self, seed, bits):
        self.path.write_bytes(flipped(self.path.read_bytes(), seed, bits))
        self.right = False

    @rule(share=st.floats(0.0, 0.999))
    def cut_short(self, share):
        self.path.write_bytes(cut(self.path.read_bytes(), share))
        self.right = False

    @rule(seed=st.integers(0, 10_000))
    def exchange(self, seed):
        self.path.write_bytes(exchanged(self.path.read_bytes(), seed))
        self.right = False

    @precondition(lambda self: self.right)
    @rule(seed=st.integers(0, 10_000), value=st.sampled_from(VALUES))
    def edit(self, seed, value):
        document = self._document()
        place = random.Random(seed).choice(list(places(document)))
        self._set(document, place, value)

    @precondition(lambda self: self.right)
    @rule(seed=st.integers(0, 10_000))
    def leave_out(self, seed):
        document = self._document()
        place = random.Random(seed).choice(list(places(document)))
        parent = document
        for step in place[:-1]:
            parent = parent[step]
        del parent[place[-1]]
        self._write(document)

    @precondition(lambda self: self.right and self.kind.name != "takes.yaml")
    @rule(version=st.integers(2, 10**20))
    def newer(self, version):
        document = self._document()
        document["version"] = version
        self._write(document)
        with pytest.raises(SchemaError) as caught:
            self.kind.read(self.path)
        assert "version" in str(caught.value)

    @precondition(lambda self: self.kind is not None)
    @invariant()
    def reads_or_says_why(self):
        try:
            value = self.kind.read(self.path)
        except RigcheckError as error:
            self._judge(error)
            return
        if self.kind.write is not None:
            again = self.folder / "again" / self.path.name
            again.parent.mkdir(exist_ok=True)
            again.write_text(self.kind.write(value), encoding="utf-8")
            assert same(self.kind.read(again), value)

    def _judge(self, error):
        assert not self.right, error
        assert self.path.name in error.message
        assert len(error.hint) > 8

    def _document(self):
        text = self.path.read_text(encoding="utf-8")
        return json.loads(text) if self.path.suffix == ".json" else yaml.safe_load(text)

    def _set(self, document, place, value):
        parent = document
        for step in place[:-1]:
            parent = parent[step]
        parent[place[-1]] = value
        self._write(document)

    def _write(self, document):
        if self.path.suffix == ".json":
            text = json.dumps(document)
        else:
            text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True)
        self.path.write_text(text, encoding="utf-8")
        self.right = False


TestFileLife = FileLife.TestCase
TestFileLife.settings = settings(
    max_examples=int(os.environ.get("RIGCHECK_FORMAT_EXAMPLES", "60")),
    stateful_step_count=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_the_right_text_is_read(name, tmp_path):
    path = tmp_path / name
    path.write_text(KINDS[name].text, encoding="utf-8")
    value = KINDS[name].read(path)
    if KINDS[name].write is not None:
        path.write_text(KINDS[name].write(value), encoding="utf-8")
        assert same(KINDS[name].read(path), value)


def test_a_reader_that_lets_a_key_error_out_is_seen(tmp_path):
    """Planted: a reader without validation."""
    planted = Kind(
        name="board.yaml", text=BOARD_YAML, read=lambda path: yaml.safe_load(path.read_text())["kind"]
    )
    life = FileLife()
    life.kind, life.right = planted, True
    life.restore()
    life.cut_short(0.1)
    with pytest.raises((KeyError, TypeError, yaml.YAMLError)):
        life.reads_or_says_why()
    life.teardown()
