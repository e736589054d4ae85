"""Things before the face: a boom, a cable, a microphone, the frame of a pair of glasses."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from rigcheck.demo.head_performer import PosedHead
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["Capsule", "Things", "capsules", "glasses_frame"]

_AROUND = 16
_CAP_RINGS, _RING_MM = 3, 6.0


@dataclass(frozen=True, kw_only=True)
class Capsule:
    """A round bar with round ends, fixed to the rig: from `start_mm` to `end_mm`, rig frame."""

    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    radius_mm: float = 5.0
    luminance: float = 0.03


@dataclass(frozen=True, kw_only=True, eq=False)
class Things:
    """Triangles (T, 3) over vertices (V, 3) mm with outward normals (V, 3) and reflectance (V,)."""

    vertices_mm: FloatArray
    normals: FloatArray
    luminance: FloatArray
    triangles: IntArray


def capsules(bars: tuple[Capsule, ...]) -> Things:
    """Turn bars into triangles, rig frame."""
    parts = [_bar(np.array(bar.start_mm), np.array(bar.end_mm), bar.radius_mm, bar.luminance) for bar in bars]
    return _joined(parts)


def glasses_frame(posed: PosedHead) -> Things:
    """Rims before the eyes, a bridge and two temples, head frame; they follow the resting skull."""
    left, right = (eye.centre_mm for eye in posed.eyes)
    radius = 0.36 * float(np.linalg.norm(left - right))
    before = posed.eyes[0].radius_mm + 16.0
    parts = []
    inner = []
    for centre in (left, right):
        out = np.sign(centre[0])
        turn = np.linspace(0, 2 * np.pi, 25)
        ring = centre + np.stack(
            [
                1.12 * radius * np.cos(turn) + 2.0 * out,
                0.86 * radius * np.sin(turn) + 3.0,
                np.full(25, -before),
            ],
            axis=1,
        )
        parts += [_bar(a, b, 1.3, 0.03) for a, b in pairwise(ring)]
        outer = ring[0] if out > 0 else ring[12]
        inner.append(ring[12] if out > 0 else ring[0])
        parts.append(_bar(outer, outer + np.array([10.0 * out, -2.0, 110.0]), 1.6, 0.03))
    parts.append(_bar(inner[0], inner[1], 1.3, 0.03))
    return _joined(parts)


def _joined(parts: list[Things]) -> Things:
    if not parts:
        empty = np.zeros((0, 3))
        return Things(
            vertices_mm=empty,
            normals=empty,
            luminance=np.zeros(0),
            triangles=np.zeros((0, 3), dtype=np.int64),
        )
    starts = np.cumsum([0] + [len(part.vertices_mm) for part in parts[:-1]])
    return Things(
        vertices_mm=np.concatenate([part.vertices_mm for part in parts]),
        normals=np.concatenate([part.normals for part in parts]),
        luminance=np.concatenate([part.luminance for part in parts]),
        triangles=np.concatenate([part.triangles + start for part, start in zip(parts, starts, strict=True)]),
    )


def _bar(start: FloatArray, end: FloatArray, radius: float, luminance: float) -> Things:
    along = end - start
    length = float(np.linalg.norm(along))
    along = along / max(length, 1e-9)
    side = np.cross(along, [0.0, 0.0, 1.0] if abs(along[2]) < 0.9 else [1.0, 0.0, 0.0])
    side = side / np.linalg.norm(side)
    other = np.cross(along, side)
    turn = 2 * np.pi * np.arange(_AROUND) / _AROUND
    around = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other
    # Rings close enough that the lens bends no edge between them visibly.
    rings = max(int(np.ceil(length / _RING_MM)), 1) + 1
    quarter = np.linspace(0, np.pi / 2, _CAP_RINGS + 1)
    tilt = np.concatenate([-quarter[:0:-1], np.zeros(rings), quarter[1:]])
    way = np.concatenate([np.zeros(_CAP_RINGS), np.linspace(0, 1, rings), np.ones(_CAP_RINGS)])
    normals = (np.cos(tilt)[:, None, None] * around + np.sin(tilt)[:, None, None] * along).reshape(-1, 3)
    centres = start + way[:, None] * (end - start)
    vertices = np.repeat(centres, _AROUND, axis=0) + radius * normals
    ring, step = np.meshgrid(np.arange(len(tilt) - 1), np.arange(_AROUND), indexing="ij")
    a = (ring * _AROUND + step).ravel()
    b = (ring * _AROUND + (step + 1) % _AROUND).ravel()
    c, d = a + _AROUND, b + _AROUND
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([b, d, c], axis=1)])
    return Things(
        vertices_mm=vertices,
        normals=normals,
        luminance=np.full(len(vertices), luminance),
        triangles=triangles,
    )
