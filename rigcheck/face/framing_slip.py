"""Movement of the helmet on the head within a clip: the rigid part of the face moves in the picture."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.framing_points import UprightFace
from rigcheck.face.head_model import MESH_PLACES
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray

__all__ = ["Slip", "helmet_slip"]

# What the expression hardly moves. Brow and cheek lift a helmet's pads; they do not move these on the skull.
STABLE = ("eye_outer_right", "eye_inner_right", "sellion", "eye_inner_left", "eye_outer_left")
_SEGMENTS = 6
_FEWEST_PICTURES = 6
_FEWEST_A_SEGMENT = 2
_FEW = f"fewer than {_FEWEST_PICTURES} pictures of one clip show the eyes' corners"


@dataclass(frozen=True, kw_only=True, eq=False)
class Slip:
    """How the rigid part of the face moved: one row a part of the clip.

    `moved_px` (S, 2) is its place against the first part, `turned_deg` (S,) its roll, `grown` (S,) its size less one.
    """

    slip_px: Estimate
    turn_deg: Estimate
    moved_px: FloatArray
    turned_deg: FloatArray
    grown: FloatArray


def helmet_slip(faces: Sequence[UprightFace]) -> Slip:
    """Measure how far the rigid part of the face moved in the picture within one clip.

    Parameters
    ----------
    faces : sequence of UprightFace
        Of one camera, in the order of time.

    Returns
    -------
    Slip
        `slip_px` is the largest distance between the places in any two of up to six parts of the clip, less what
        noise alone would make of it; `turn_deg` the same of the roll. Without a value for few pictures.

    Notes
    -----
    Each picture's stable points are laid on the median picture's by a similarity (Umeyama, IEEE PAMI 13(4), 1991,
    without reflection). A place's noise is taken from the pictures of its own part about their median, so a steady
    error of the landmarks does not count; one that changes with the expression does. A performer who pushes the
    helmet and lets it come back within one part is not seen.
    """
    places = [MESH_PLACES[name] for name in STABLE]
    points = np.array([face.points_px[places] for face in faces])
    known = np.isfinite(points).all(axis=2)
    usable = known.mean(axis=0) > 0.8 if len(faces) else np.zeros(len(STABLE), dtype=bool)
    rows = known[:, usable].all(axis=1)
    if usable.sum() < 2 or rows.sum() < _FEWEST_PICTURES:
        nothing = Estimate(value=None, unit="px", reason=_FEW)
        turn = Estimate(value=None, unit="deg", reason=_FEW)
        empty = np.zeros(0)
        return Slip(
            slip_px=nothing, turn_deg=turn, moved_px=empty.reshape(0, 2), turned_deg=empty, grown=empty
        )
    kept = points[rows][:, usable]
    moves = np.array([_similarity(np.median(kept, axis=0), each) for each in kept])
    parts = np.array_split(moves, min(_SEGMENTS, len(moves) // _FEWEST_A_SEGMENT))
    middle = np.array([np.median(part, axis=0) for part in parts])
    noise = np.sqrt(np.mean([np.var(part, axis=0, ddof=1) for part in parts], axis=0))
    sigma = 1.25 * noise / np.sqrt(len(moves) / len(parts))
    turned = np.degrees(middle[:, 2])
    return Slip(
        slip_px=_largest(middle[:, :2], float(np.hypot(*sigma[:2]) / np.sqrt(2.0)), "px", len(moves)),
        turn_deg=_largest(turned[:, None], float(np.degrees(sigma[2])), "deg", len(moves)),
        moved_px=middle[:, :2] - middle[0, :2],
        turned_deg=turned - turned[0],
        grown=middle[:, 3] - middle[0, 3],
    )


def _similarity(reference: FloatArray, seen: FloatArray) -> FloatArray:
    """Shift (x, y) px of the centre, turn in rad and relative growth that lay the reference on what is seen."""
    centre, other = reference.mean(axis=0), seen.mean(axis=0)
    a, b = (reference - centre) @ [1.0, 1.0j], (seen - other) @ [1.0, 1.0j]
    ratio = np.vdot(a, b) / np.vdot(a, a)
    return np.array([*(other - centre), np.angle(ratio), np.abs(ratio) - 1.0])


def _largest(places: FloatArray, sigma: float, unit: str, n: int) -> Estimate:
    """Largest distance between two places, with what noise adds to a distance taken off."""
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    largest = float(apart.max())
    # A difference of two places has twice their variance per axis.
    noise = places.shape[1] * 2.0 * sigma**2
    return Estimate(
        value=float(np.sqrt(max(largest**2 - noise, 0.0))), sigma=float(np.sqrt(2.0) * sigma), unit=unit, n=n
    )
