"""The carried networks: changed, missing and half-read ones are refused; another runner gives the same numbers."""

import os

import numpy as np
import pytest

from rigcheck.errors import DependencyError
from rigcheck.landmarks import models
from rigcheck.landmarks.mesh import FaceMesh
from rigcheck.landmarks.models import SHA256, mirror_indices, model_bytes
from rigcheck.landmarks.network import _without_greeting, load_network
from rigcheck.opencv import cv2

OUTPUTS = {
    "attn_backbone.tflite": {"output_mesh": 1404, "conv_faceflag": 1, "p_re_lu_3": 73728},
    "attn_heads.tflite": {
        "conv_lips": 160,
        "conv_left_eye": 142,
        "conv_left_iris": 10,
        "conv_right_eye": 142,
        "conv_right_iris": 10,
    },
    "face_detection_short_range.tflite": {"regressors": 14336, "classificators": 896},
}
SHAPES = {"input_1": (192, 192, 3), "input": (128, 128, 3)}


@pytest.mark.parametrize("name", SHA256)
def test_carried_files_are_those_packed(name):
    assert len(model_bytes(name)) > 100


def test_changed_file_is_named(monkeypatch):
    monkeypatch.setitem(models.SHA256, "attn_heads.tflite", "0" * 64)
    with pytest.raises(
        DependencyError, match=r"attn_heads.tflite: SHA-256 3b25.* found, 0000.* needed.*install rigcheck"
    ):
        FaceMesh()


def test_missing_file_is_named(monkeypatch):
    monkeypatch.setitem(models.SHA256, "gone.tflite", "0" * 64)
    with pytest.raises(DependencyError, match=r"gone\.tflite: missing"):
        model_bytes("gone.tflite")


def test_licence_goes_with_the_files():
    from importlib.resources import files

    data = files("rigcheck.landmarks") / "data"
    assert "Apache License" in (data / "LICENSE").read_text(encoding="utf-8")
    assert "MediaPipe Authors" in (data / "NOTICE").read_text(encoding="utf-8")


def test_outputs_of_another_size_are_refused():
    with pytest.raises(DependencyError, match=r"outputs of \[1404, 1\] numbers found, \[1404, 2\] needed"):
        load_network("attn_backbone.tflite", outputs={"output_mesh": 1404, "conv_faceflag": 2})


def test_a_missing_output_is_refused():
    with pytest.raises(DependencyError, match=r"outputs of \[1404\] numbers found, \[1404, 4\] needed"):
        load_network("attn_backbone.tflite", outputs={"output_mesh": 1404, "other": 4})


def test_a_file_that_cannot_be_run_is_refused(monkeypatch):
    monkeypatch.setattr("rigcheck.landmarks.network.model_bytes", lambda name: b"no network")
    with pytest.raises(DependencyError, match=r"attn_heads\.tflite: cannot be run .*"):
        load_network("attn_heads.tflite", outputs={})


@pytest.mark.parametrize("name", OUTPUTS)
def test_opencv_gives_the_same_numbers(name, portraits):
    """OpenCV's own runner as oracle, on a portrait: points count in pixels of the cut-out, logits to 80."""
    network = load_network(name, outputs=OUTPUTS[name])
    picture = (
        np.asarray(cv2.resize(portraits["astronaut"][:256, 96:352], (192, 192)), dtype=np.float32) / 255.0
    )
    inputs = {}
    for key in network.inputs:
        height, width, channels = SHAPES.get(key, (16, 16, 32))
        shown = np.tile(picture[:height, :width], (1, 1, 11))[..., :channels]
        inputs[key] = np.ascontiguousarray(shown[None])
    other = cv2.dnn.readNetFromTFLite(np.frombuffer(model_bytes(name), dtype=np.uint8))
    for key, values in inputs.items():
        other.setInput(np.ascontiguousarray(values.transpose(0, 3, 1, 2)), key if len(inputs) > 1 else "")
    ours = network.run(inputs)
    for key, theirs in zip(OUTPUTS[name], other.forward(list(OUTPUTS[name])), strict=True):
        own = ours[key].transpose(0, 3, 1, 2) if key == "p_re_lu_3" else ours[key]
        np.testing.assert_allclose(own.ravel(), np.ravel(theirs), rtol=0, atol=1e-3)


def test_the_librarys_greeting_stays_off_the_terminal_and_all_else_is_passed_on(capfd):
    with _without_greeting():
        os.write(2, b"INFO: Created TensorFlow Lite XNNPACK delegate for CPU.\nsomething else\n")
    assert capfd.readouterr().err == "something else\n"


def test_mirror_is_its_own_inverse():
    mirror = mirror_indices()
    np.testing.assert_array_equal(mirror[mirror], np.arange(478))
    assert (mirror[33], mirror[468], mirror[98], mirror[152]) == (263, 473, 327, 152)
