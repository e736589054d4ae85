"""Files of marked points: what is taken, and the sentence for each slip."""

import pytest
import yaml

from rigcheck.errors import InputError, SchemaError
from rigcheck.model import FACE_POINTS, FrameRef
from rigcheck.records import points_template, read_points
from rigcheck.records.schemas import FORMATS, json_schemas

GOOD = """\
format: rigcheck-points
version: 1
camera: upper
frame: 42
image_size_px: [1080, 1440]
points:
  eye_outer_right: [300.5, 600]
  eye_outer_left: [780, 610.25]
  subnasale: [540, 830]
  chin: [545, 1200]
"""


def written(folder, text):
    path = folder / "points.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_reads_what_was_marked(tmp_path):
    marked = read_points(written(tmp_path, GOOD))
    assert (marked.camera, marked.frame_idx, marked.image_size_px) == ("upper", 42, (1080, 1440))
    assert marked.points_px["eye_outer_left"] == (780, 610.25)
    assert marked.sigma_px == pytest.approx(5.76)  # 0.4 % of 1440


def test_sigma_as_stated(tmp_path):
    assert read_points(written(tmp_path, GOOD + "sigma_px: 1.5\n")).sigma_px == 1.5


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("subnasale", "subnasal", r":9: points.subnasal: .*did you mean 'subnasale'"),
        ("[540, 830]", "[1540, 830]", r"inside 1080 × 1440"),
        ("[540, 830]", "[540]", r"at least 2 entries"),
        ("[540, 830]", "[545, 1200]", r"'subnasale' has too"),
        ("eye_outer_right: [300.5, 600]", "eye_outer_right: [900, 600]", r"wrong way round"),
        ("[540, 830]", "[540, .nan]", r"finite|NaN|not a number"),
        ("version: 1", "version: 2", r"newer rigcheck"),
        (
            "format: rigcheck-points",
            "format: rigcheck-result",
            r"a result found, a file of marked points needed",
        ),
        ("camera: upper\n", "", r"'camera' is missing"),
        ("frame: 42", "frame: 42.5", r"a whole number needed"),
        ("frame: 42", "frame: 42\nframes: 3", r"unknown key 'frames'"),
    ],
)
def test_slips(old, new, says, tmp_path):
    with pytest.raises(SchemaError, match=says):
        read_points(written(tmp_path, GOOD.replace(old, new)))


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_sides_are_told_however_the_camera_is_mounted(turns, tmp_path):
    """A face turned by quarter turns keeps its sides; mirrored it does not."""
    content = yaml.safe_load(GOOD)
    for _ in range(turns):
        content["points"] = {name: [1439 - y, x] for name, (x, y) in content["points"].items()}
        content["image_size_px"] = [1440, 1440]
    read_points(written(tmp_path, yaml.safe_dump(content)))
    content["points"] = {name: [1439 - x, y] for name, (x, y) in content["points"].items()}
    with pytest.raises(SchemaError, match="performer's own"):
        read_points(written(tmp_path, yaml.safe_dump(content)))


def test_template_is_refused_empty_and_read_filled(tmp_path):
    text = points_template(FrameRef(camera="upper", frame_idx=7, origin="a.mov"), (1080, 1440))
    with pytest.raises(SchemaError, match="points"):
        read_points(written(tmp_path, text))
    filled = text
    for number, name in enumerate(("nose_tip", "chin")):
        filled = filled.replace(f"#  {name}: [x, y]", f"  {name}: [{500 + number}, {800 + 200 * number}]")
    marked = read_points(written(tmp_path, filled))
    assert marked.frame_idx == 7
    assert set(marked.points_px) == {"nose_tip", "chin"}
    assert all(f"#  {name}: [x, y]" in text for name in FACE_POINTS)


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="a file of marked points needed"):
        read_points(tmp_path / "none.yaml")


def test_schema_describes_the_file():
    content = yaml.safe_load(GOOD)
    FORMATS["points"].model_validate(content)
    schema = json_schemas()["points"]
    assert set(schema["required"]) <= set(content) <= set(schema["properties"])
    assert schema["additionalProperties"] is False
