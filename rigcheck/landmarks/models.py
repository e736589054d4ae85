"""The files of the face networks carried in the package, checked by hash."""

import hashlib
import json
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from rigcheck.errors import DependencyError
from rigcheck.model._arrays import IntArray

__all__ = [
    "SHA256",
    "AttentionRegion",
    "attention_regions",
    "mirror_indices",
    "model_bytes",
]

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
