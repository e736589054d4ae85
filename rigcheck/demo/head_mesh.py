"""The demo's head as triangles: what the data file holds, made finer, and which triangle is what.

The mesh is a public-domain one (data/SOURCE.txt). Here it is turned into the head frame: millimetres, x towards
the performer's left, y down, z from the face into the head.
"""

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["LABELS", "LABEL_OF", "PARTS", "HeadData", "Surface", "head_data", "head_surface"]

PARTS = ("skin", "eye_left", "eye_right", "upper_teeth", "lower_teeth", "tongue")
# What a pixel shows. The first are the face's own; the order is that of `FaceTruth.labels`.
LABELS = ("background", "skin", "lips", "eye", "teeth", "tongue", "mouth", "occluder")
LABEL_OF = {name: number for number, name in enumerate(LABELS)}
_TO_HEAD_FRAME = np.array([1.0, -1.0, -1.0])  # the file has y up and z towards the viewer


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadData:
    """What the file holds, float64, in the head's orientation (origin as in the file).

    `vertices_mm` (V, 3); `identities_mm` (8, V, 3) and `units_mm`, name to (V, 3), are offsets;
    `brow` (V,) 0–1; `masks`, name to (512, 512) float32, 0–1, in texture coordinates (u right, v up).
    """

    vertices_mm: FloatArray
    identities_mm: FloatArray
    units_mm: dict[str, FloatArray]
    brow: FloatArray
    masks: dict[str, NDArray[np.float32]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Triangles after one refinement, and how their vertices come from the file's.

    Parameters
    ----------
    refine : (V', V) sparse
        Refined vertices as weighted sums of the file's; the first V are the file's own, smoothed.
    triangles : (T, 3) int
    texture : (T, 3, 2) float
        Texture coordinates of each triangle's corners.
    part : (T,) int
        Index into `PARTS`.
    """

    refine: csr_array
    triangles: IntArray
    texture: FloatArray
    part: IntArray


@lru_cache(maxsize=1)
def _file() -> dict[str, NDArray[np.generic]]:
    with (files("rigcheck.demo") / "data" / "head.npz").open("rb") as stream, np.load(stream) as held:
        return {name: held[name] for name in held.files}


@lru_cache(maxsize=1)
def head_data() -> HeadData:
    """Read the head's vertices, identities and expression units from the package."""
    held = _file()
    units = dict(zip(held["unit_names"].tolist(), held["unit_delta_mm"], strict=True))
    return HeadData(
        vertices_mm=held["vertices_mm"].astype(np.float64) * _TO_HEAD_FRAME,
        identities_mm=held["identity_delta_mm"].astype(np.float64) * _TO_HEAD_FRAME,
        units_mm={name: offset.astype(np.float64) * _TO_HEAD_FRAME for name, offset in units.items()},
        brow=held["brow_weight"].astype(np.float64),
        masks={
            name: held[f"mask_{name}"].astype(np.float32) / np.float32(255)
            for name in ("lips", "mouth_inside", "eyelids")
        },
    )


@lru_cache(maxsize=1)
def head_surface() -> Surface:
    """Refine the file's triangles once: each into four, smoothly.

    References
    ----------
    Loop, "Smooth subdivision surfaces based on triangles", thesis, University of Utah, 1987, with Warren's
    weights for the old vertices (3/16 for three neighbours, 3/(8n) otherwise).
    """
    held = _file()
    triangles = held["faces"].astype(np.int64)
    n_vertices = len(held["vertices_mm"])
    edges, edge_of = _edges(triangles)
    refine = _refinement(triangles, edges, edge_of, n_vertices)
    middle = edge_of + n_vertices  # (T, 3): new vertex on the edge opposite to no corner: edge k joins k, k+1
    a, b, c = triangles.T
    ab, bc, ca = middle.T
    finer = np.concatenate([np.stack(corner, axis=1) for corner in _four((a, b, c), (ab, bc, ca))])
    uv = held["uv"].astype(np.float64)[held["faces_uv"]]
    corners = (uv[:, 0], uv[:, 1], uv[:, 2])
    halves = ((uv[:, 0] + uv[:, 1]) / 2, (uv[:, 1] + uv[:, 2]) / 2, (uv[:, 2] + uv[:, 0]) / 2)
    texture = np.concatenate([np.stack(corner, axis=1) for corner in _four(corners, halves)])
    return Surface(
        refine=refine,
        triangles=finer,
        texture=texture,
        part=np.tile(held["face_part"].astype(np.int64), 4),
    )


def _four(
    corners: tuple[NDArray[np.generic], ...], halves: tuple[NDArray[np.generic], ...]
) -> list[tuple[NDArray[np.generic], ...]]:
    """Corners of the four triangles that each triangle becomes."""
    (a, b, c), (ab, bc, ca) = corners, halves
    return [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]


def _edges(triangles: IntArray) -> tuple[IntArray, IntArray]:
    """Edges (E, 2), each once; and the edge (T, 3) that joins corner k with the next of each triangle."""
    both = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    edges, edge_of = np.unique(np.sort(both, axis=1), axis=0, return_inverse=True)
    return edges, edge_of.reshape(-1, 3)


def _refinement(triangles: IntArray, edges: IntArray, edge_of: IntArray, n_vertices: int) -> csr_array:
    """Weights of the file's vertices in the refined ones."""
    uses = np.bincount(edge_of.ravel(), minlength=len(edges))
    inner = uses == 2
    new = n_vertices + np.arange(len(edges))
    ends = np.where(inner, 3 / 8, 1 / 2)
    rows, columns, weights = [new, new], [edges[:, 0], edges[:, 1]], [ends, ends]
    opposite = np.roll(triangles, -2, axis=1)  # edge k, k+1 has corner k+2 opposite
    seen = inner[edge_of]
    rows.append(n_vertices + edge_of[seen])
    columns.append(opposite[seen])
    weights.append(np.full(int(seen.sum()), 1 / 8))
    on_rim = np.zeros(n_vertices, dtype=bool)
    on_rim[edges[~inner].ravel()] = True
    kept = np.ones(n_vertices)
    for used, share_of in ((inner, _inner_share), (~inner, _rim_share)):
        pair = edges[used]
        to = np.concatenate([pair[:, 0], pair[:, 1]])
        near = np.concatenate([pair[:, 1], pair[:, 0]])
        belongs = on_rim[to] if share_of is _rim_share else ~on_rim[to]
        to, near = to[belongs], near[belongs]
        share = share_of(np.bincount(to, minlength=n_vertices))[to]
        np.subtract.at(kept, to, share)
        rows.append(to)
        columns.append(near)
        weights.append(share)
    rows.append(np.arange(n_vertices))
    columns.append(np.arange(n_vertices))
    weights.append(kept)
    where = (np.concatenate(rows), np.concatenate(columns))
    shape = (n_vertices + len(edges), n_vertices)
    return csr_array(coo_array((np.concatenate(weights), where), shape=shape))


def _inner_share(neighbours: IntArray) -> FloatArray:
    return np.where(neighbours == 3, 3 / 16, 3 / (8 * np.maximum(neighbours, 1)))


def _rim_share(neighbours: IntArray) -> FloatArray:
    return np.where(neighbours == 2, 1 / 8, 0.0)
