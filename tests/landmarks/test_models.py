"""The carried networks: changed, missing and half-read ones are refused."""

import numpy as np
import pytest

from rigcheck.errors import DependencyError
from rigcheck.landmarks import models
from rigcheck.landmarks.mesh import FaceMesh
from rigcheck.landmarks.models import SHA256, Network, load_network, mirror_indices, model_bytes


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
        load_network(
            "attn_backbone.tflite",
            inputs={"": (1, 3, 192, 192)},
            outputs={"output_mesh": 1404, "conv_faceflag": 2},
        )


def test_an_opencv_that_returns_one_output_is_refused():
    class Old:
        def setInput(self, values, name):
            pass

        def forward(self, names):
            return [np.zeros(3)]

    with pytest.raises(DependencyError, match=r"OpenCV 5\.1 or newer"):
        Network(Old(), {"a": 3, "b": 4}, name="net").run({})


def test_mirror_is_its_own_inverse():
    mirror = mirror_indices()
    np.testing.assert_array_equal(mirror[mirror], np.arange(478))
    assert (mirror[33], mirror[468], mirror[98], mirror[152]) == (263, 473, 327, 152)
