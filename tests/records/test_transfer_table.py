"""Measured transfer curves: read, and slips named."""

import numpy as np
import pytest

from rigcheck.errors import ConfigError, InputError, SchemaError
from rigcheck.model import CameraDescription
from rigcheck.records import read_transfer_table, transfer_table_path

TABLE = "bit_depth: 8\npoints:\n  - [4, 0]\n  - [128, 30]\n  - [255, 100]\n"


def test_reads_light_of_each_code_value(tmp_path):
    path = tmp_path / "curve.yaml"
    path.write_text(TABLE)
    table = read_transfer_table(path, bit_depth=8)
    assert table.shape == (256,)
    assert table[[0, 4, 66, 128, 255]] == pytest.approx([0, 0, 0.15, 0.3, 1.0])
    assert (np.diff(table) >= 0).all()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[128, 30]", "[3, 30]", r"curve\.yaml:4: points\[1\].*rises"),
        ("[128, 30]", "[128, -1]", "never falls"),
        ("[255, 100]", "[256, 100]", "at most 255"),
        ("[255, 100]", "[255, 10]", "never falls"),
        ("bit_depth: 8", "bit_deph: 8", "bit_depth"),
        ("[4, 0]", "[4]", "at least 2"),
    ],
)
def test_slips(old, new, says, tmp_path):
    path = tmp_path / "curve.yaml"
    path.write_text(TABLE.replace(old, new))
    with pytest.raises(SchemaError, match=says) as caught:
        read_transfer_table(path, bit_depth=8)
    assert caught.value.hint


def test_flat_table_says_nothing_of_light(tmp_path):
    path = tmp_path / "curve.yaml"
    path.write_text("points:\n  - [4, 1]\n  - [255, 1]\n")
    with pytest.raises(SchemaError, match="same light"):
        read_transfer_table(path, bit_depth=8)


def test_table_of_another_depth_and_missing_file(tmp_path):
    path = tmp_path / "curve.yaml"
    path.write_text(TABLE)
    with pytest.raises(ConfigError, match="8 bit found, the pictures have 10"):
        read_transfer_table(path, bit_depth=10)
    with pytest.raises(InputError):
        read_transfer_table(tmp_path / "none.yaml", bit_depth=8)


def test_path_counts_from_the_rig_file(tmp_path):
    camera = CameraDescription(name="a", transfer="table:curves/upper.yaml")
    assert (
        transfer_table_path(camera, tmp_path / "day" / "rig.yaml")
        == tmp_path / "day" / "curves" / "upper.yaml"
    )
    assert transfer_table_path(CameraDescription(name="a", transfer="srgb"), "rig.yaml") is None
