"""The 478 points of one face: the mesh, and its second look at lips, eyes and irises."""

from dataclasses import dataclass

import numpy as np

from rigcheck.landmarks.models import AttentionRegion, attention_regions, mirror_indices
from rigcheck.landmarks.network import Float32Array, load_network
from rigcheck.landmarks.sampling import PictureLevels, Square, as_input
from rigcheck.model import N_FACE_POINTS
from rigcheck.model._arrays import FloatArray, IntArray
from rigcheck.opencv import cv2

__all__ = ["FaceMesh", "MeshPass", "region_of_points"]

_SIZE = 192
_FEATURES = 48
_MESH_POINTS = 468
_CHANNELS = 32
_HEAD_UNITS = 64  # the heads count 64ths of their window
_REGION = 1.5
_EYE_CORNERS = (33, 263)
_HEAD_OUTPUTS = {
    "lips": (("conv_lips", 80),),
    "eye_1": (("conv_left_eye", 71), ("conv_left_iris", 5)),
    "eye_2": (("conv_right_eye", 71), ("conv_right_iris", 5)),
}
_IRIS_FIRST = {"eye_1": 468, "eye_2": 473}


@dataclass(frozen=True, kw_only=True, eq=False)
class MeshPass:
    """One look: (478, 2) points in picture pixels, the raw face logit, and the square looked at."""

    points_px: FloatArray
    logit: float
    square: Square


class FaceMesh:
    """The mesh with its attention heads. Not thread-safe: each thread loads its own."""

    def __init__(self) -> None:
        self._regions = attention_regions()
        self._mirror = mirror_indices()
        self._backbone = load_network(
            "attn_backbone.tflite",
            outputs={
                "output_mesh": 3 * _MESH_POINTS,
                "conv_faceflag": 1,
                "p_re_lu_3": _CHANNELS * _FEATURES**2,
            },
        )
        heads = {name: 2 * n for outputs in _HEAD_OUTPUTS.values() for name, n in outputs}
        self._heads = load_network("attn_heads.tflite", outputs=heads)

    @property
    def lip_indices(self) -> IntArray:
        """Points of the lips, seen a second time."""
        return np.unique(self._regions[0].indices)

    @property
    def eye_indices(self) -> IntArray:
        """Points of lids and brows, seen a second time."""
        return np.unique(np.concatenate([region.indices for region in self._regions[1:]]))

    def look(self, picture: PictureLevels, square: Square, *, mirrored: bool = False) -> MeshPass:
        """Run once on a square; `mirrored` shows the network the mirror picture, and undoes it in the points."""
        cut = as_input(picture.cut(square, _SIZE, mirrored=mirrored)) / 255.0
        found = self._backbone.run({"input_1": cut})
        points = np.zeros((N_FACE_POINTS, 2))
        points[:_MESH_POINTS] = found["output_mesh"].reshape(_MESH_POINTS, 3)[:, :2]
        self._look_again(points, found["p_re_lu_3"][0])
        own = points / _SIZE
        if mirrored:
            own[:, 0] = 1.0 - own[:, 0]
            own = own[self._mirror]
        return MeshPass(
            points_px=square.to_picture(own),
            logit=float(found["conv_faceflag"].reshape(-1)[0]),
            square=square,
        )

    def _look_again(self, points: FloatArray, features: Float32Array) -> None:
        """Replace lips, eyes and irises of `points` (crop pixels) by what the attention heads see."""
        cell_maps = [_cells_to_features(points, region) for region in self._regions]
        sampled = {
            _input_name(k): _sample(features, cells, region.grid)
            for k, (cells, region) in enumerate(zip(cell_maps, self._regions, strict=True))
        }
        found = self._heads.run(sampled)
        for cells, region in zip(cell_maps, self._regions, strict=True):
            for name, count in _HEAD_OUTPUTS[region.name]:
                own = found[name].reshape(count, 2).astype(np.float64) * (region.grid / _HEAD_UNITS)
                seen = (own @ cells[:, :2].T + cells[:, 2]) * (_SIZE / _FEATURES)
                first = _IRIS_FIRST.get(region.name, 0)
                indices = region.indices if count == len(region.indices) else np.arange(first, first + count)
                points[indices] = seen


def _input_name(number: int) -> str:
    base = "transform_tensor_bilinear_v2"
    return base if number == 0 else f"{base}_{number}"


def _cells_to_features(points: FloatArray, region: AttentionRegion) -> FloatArray:
    """Affine map (2, 3) from the region's grid of cells to feature-map pixels."""
    seen = points[region.indices] * (_FEATURES / _SIZE)
    across = (points[region.level_to] - points[region.level_from]) * (_FEATURES / _SIZE)
    angle = np.arctan2(across[1], across[0])
    cos, sin = np.cos(angle), np.sin(angle)
    axes = np.array([[cos, sin], [-sin, cos]])  # rows: the level x axis, then y
    level = seen @ axes.T
    low, high = level.min(axis=0), level.max(axis=0)
    size = (high - low) * region.scale
    corner = (low + high) / 2 - size / 2
    linear = axes.T * (size / region.grid)
    return np.column_stack([linear, axes.T @ corner])


def _sample(features: Float32Array, cells: FloatArray, grid: int) -> Float32Array:
    """Bilinear sample of the feature map (h, w, C) at the centres of the cells, zero outside; (1, grid, grid, C)."""
    matrix = cells.copy()
    matrix[:, 2] += matrix[:, :2].sum(axis=1) * 0.5 - 0.5
    sampled = cv2.warpAffine(
        features,
        matrix,
        (grid, grid),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    )
    return np.asarray(sampled, dtype=np.float32)[None]


def region_of_points(points_px: FloatArray) -> Square:
    """Square around a face's own points, turned to level the eyes."""
    across = points_px[_EYE_CORNERS[1]] - points_px[_EYE_CORNERS[0]]
    angle = float(np.arctan2(across[1], across[0]))
    cos, sin = np.cos(angle), np.sin(angle)
    axes = np.array([[cos, sin], [-sin, cos]])
    level = points_px[:_MESH_POINTS] @ axes.T
    low, high = level.min(axis=0), level.max(axis=0)
    side = _REGION * float((high - low).max())
    return Square(centre_px=(low + high) / 2 @ axes, side_px=side, angle_rad=angle)
