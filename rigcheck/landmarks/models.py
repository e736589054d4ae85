"""The face networks carried in the package: files checked by hash, run by OpenCV alone."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import DependencyError
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = [
    "SHA256",
    "AttentionRegion",
    "Float32Array",
    "Network",
    "as_input",
    "attention_regions",
    "load_network",
    "mirror_indices",
    "model_bytes",
]

Float32Array = NDArray[np.float32]

_REINSTALL = "install rigcheck again: python -m pip install --force-reinstall --no-deps rigcheck"

SHA256 = {
    "attention_regions.json": "12449f16a9a79a3e9578d656f6b6025978f53d2e054e9101749455031de591fe",
    "attn_backbone.tflite": "1109ad291708f419abbe439e9f22861e8fcde8c6afa6f18c97b99b75ee2e391b",
    "attn_heads.tflite": "3b25d54443ccac1f712594a547fa4f22a53fc8b13c5f7608b1a17a5ef6e70420",
    "face_detection_short_range.tflite": "bbff11cebd1eb27a1e004cae0b0e63ec8c551cbf34a4451148b4908b8db3eca8",
    "mirror.json": "e51475effee6b88f3632e14cd8120f51dd9a55a91de72a96de66264e40aed862",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class AttentionRegion:
    """A part of the face that the mesh looks at a second time: which of its points, turned level by which two."""

    name: str
    indices: IntArray
    level_from: int
    level_to: int
    scale: float
    grid: int


class Network:
    """One network with named inputs and outputs of known size.

    Not thread-safe: OpenCV keeps the activations in the network itself. Each thread loads its own.
    """

    def __init__(self, net: Any, outputs: dict[str, int], *, name: str) -> None:  # noqa: ANN401 - no types in cv2
        self._net = net
        self._outputs = outputs
        self._name = name

    def run(self, inputs: dict[str, Float32Array]) -> dict[str, Float32Array]:
        """Run on inputs by name, each (1, channels, height, width) float32; returns copies by name.

        Raises
        ------
        DependencyError
            When outputs are missing or of another size than this network has.
        """
        for name, values in inputs.items():
            self._net.setInput(values, name)
        found = self._net.forward(list(self._outputs))
        sizes = {name: int(np.size(values)) for name, values in zip(self._outputs, found, strict=False)}
        if sizes != self._outputs:
            raise DependencyError(
                f"{self._name}: outputs of {list(sizes.values())} numbers found, "
                f"{list(self._outputs.values())} needed (OpenCV {cv2.__version__}).",
                hint="OpenCV 5.1 or newer is needed: python -m pip install --upgrade opencv-contrib-python",
            )
        return {
            name: np.array(values, dtype=np.float32)
            for name, values in zip(self._outputs, found, strict=True)
        }


def model_bytes(name: str) -> bytes:
    """Read one carried file and check its hash.

    Raises
    ------
    DependencyError
        When it is missing or is not the file that was packed.
    """
    try:
        data = files("rigcheck.landmarks").joinpath("data", name).read_bytes()
    except OSError as error:
        raise DependencyError(
            f"rigcheck/landmarks/data/{name}: missing, needed to find faces.", hint=_REINSTALL
        ) from error
    found = hashlib.sha256(data).hexdigest()
    if found != SHA256[name]:
        raise DependencyError(
            f"rigcheck/landmarks/data/{name}: SHA-256 {found} found, {SHA256[name]} needed.", hint=_REINSTALL
        )
    return data


def load_network(name: str, *, inputs: Mapping[str, Sequence[int]], outputs: dict[str, int]) -> Network:
    """Load a carried network and try it once.

    Parameters
    ----------
    name : str
        File name in the package's data.
    inputs : dict
        Shape of each input, by name.
    outputs : dict
        Count of numbers of each output, by name.

    Raises
    ------
    DependencyError
        When the file is not the one packed, or this OpenCV cannot run it whole.
    """
    data = np.frombuffer(model_bytes(name), dtype=np.uint8)
    try:
        network = Network(cv2.dnn.readNetFromTFLite(data), outputs, name=name)
        network.run({key: np.zeros(shape, dtype=np.float32) for key, shape in inputs.items()})
    except cv2.error as error:
        raise DependencyError(
            f"{name}: OpenCV {cv2.__version__} cannot run it ({error.err}).",
            hint="OpenCV 5.1 or newer is needed: python -m pip install --upgrade opencv-contrib-python",
        ) from error
    return network


def attention_regions() -> tuple[AttentionRegion, ...]:
    """Regions that the mesh looks at a second time: lips, then the eyes."""
    content = json.loads(model_bytes("attention_regions.json"))
    return tuple(
        AttentionRegion(
            name=each["region"],
            indices=np.array(each["indices"], dtype=np.int64),
            level_from=each["rotation_from"],
            level_to=each["rotation_to"],
            scale=each["scale"],
            grid=each["grid"],
        )
        for each in content["regions"]
    )


def mirror_indices() -> IntArray:
    """(478,) for each point of the mesh, which point of the mirror picture it is: its own inverse.

    Found by matching each point of two portraits with the nearest of their mirror pictures, over jittered cut-outs.
    """
    return np.array(json.loads(model_bytes("mirror.json"))["mirror"], dtype=np.int64)


def as_input(picture: FloatArray | Float32Array) -> Float32Array:
    """Turn (H, W, 3) into the (1, 3, H, W) float32 a network takes."""
    return np.ascontiguousarray(picture.transpose(2, 0, 1)[None], dtype=np.float32)
