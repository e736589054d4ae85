"""Where the chin goes when the jaw opens fully, from published openings and a simple jaw.

References
----------
Maximum opening between the incisors: 51.3 (sd 8.3) and 44.3 (6.7) mm, men and women, adult Indians, n 894, 2012;
49.9 (6.6) and 48.3 (6.0), Taiwanese, n 1442; 54.2 (5.2) and 49.6 (3.7), Chinese, n 452.
Share of rotation: Ferrario et al., Arch Oral Biol 2005. Condyle path: Travers et al., Arch Oral Biol 2000.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from rigcheck.face.framing_pose import HeadFit, Optics, picture_points
from rigcheck.face.head_model import head_points
from rigcheck.model._arrays import FloatArray

__all__ = ["FULL_OPENING_MM", "chin_after", "chin_drop_px", "opening_by_turn_mm"]


@dataclass(frozen=True, kw_only=True)
class _Known:
    mean: float
    sigma: float


# Mean of the six means; the spread within a group and that of the group means together.
FULL_OPENING_MM = _Known(mean=49.6, sigma=6.9)
# The jaw's geometry in the face frame, as fractions of its average.
_FORWARD_MM = _Known(mean=77.0, sigma=5.0)  # chin before the condyle
_BELOW_MM = _Known(mean=88.0, sigma=7.0)  # chin below the condyle
_TURN_PER_MM = _Known(mean=1.0, sigma=0.06)  # on the turn that an opening takes
_JAW = (FULL_OPENING_MM, _FORWARD_MM, _BELOW_MM, _TURN_PER_MM)
_JAW_MEANS = np.array([each.mean for each in _JAW])
_JAW_SIGMAS = np.array([each.sigma for each in _JAW])
# Turn (deg), slide of the condyle (forward, down; mm) and what they open the incisors by (mm).
_TURNS_DEG = np.array([0.0, 10.0, 20.0, 30.0, 34.0, 45.0])
_SLIDES_MM = np.array([[0.0, 0.0], [3.0, 2.3], [6.0, 4.5], [9.0, 7.0], [9.5, 7.2], [11.0, 8.0]])
# Lower incisors from the chin, (forward, down) mm: between -2 (an average jaw assumed in the literature's frame) and
# +9 (the mesh's) forward.
_INCISORS_FROM_CHIN_MM = np.array([4.0, -45.0])
_OPENINGS_MM = np.linspace(0.0, 65.0, 27)
# Lips parted by less than this share of the outer-eye distance do not show how far the jaw is open.
_LIPS_ALONE = 0.2


def _moved(point_mm: FloatArray, turn_deg: float | FloatArray) -> FloatArray:
    """Where a point of the jaw, (forward, down) of the condyle, goes for each turn (...) of the jaw, (..., 2)."""
    angle = np.radians(turn_deg)
    slide = np.stack([np.interp(turn_deg, _TURNS_DEG, _SLIDES_MM[:, k]) for k in range(2)], axis=-1)
    forward, down = point_mm
    turned = [
        np.cos(angle) * forward - np.sin(angle) * down,
        np.sin(angle) * forward + np.cos(angle) * down,
    ]
    return np.asarray(np.stack(turned, axis=-1) + slide)


def turn_for(opening_mm: float, chin_mm: FloatArray) -> float:
    """Turn of the jaw, deg, that opens the incisors by so much; `chin_mm` is (forward, down) of the condyle."""
    incisor = chin_mm + _INCISORS_FROM_CHIN_MM
    openings = np.linalg.norm(_moved(incisor, _TURNS_DEG) - incisor, axis=-1)
    return float(np.interp(max(opening_mm, 0.0), openings, _TURNS_DEG))


@lru_cache(maxsize=64)
def chin_after(
    opening_mm: float, *, forward_mm: float = 77.0, below_mm: float = 88.0, turn_factor: float = 1.0
) -> FloatArray:
    """How far the chin of an average face moves when the mouth opens, (down, back) mm, face frame.

    Parameters
    ----------
    opening_mm : float
        Between the incisors.
    forward_mm, below_mm : float
        Where the chin lies from the condyle.
    turn_factor : float
        On the turn of an average jaw.
    """
    chin = np.array([forward_mm, below_mm])
    moved = _moved(chin, turn_factor * turn_for(opening_mm, chin)) - chin
    found = np.array([moved[1], -moved[0]])
    found.flags.writeable = False  # kept for the next who asks the same
    return found


def chin_drop_px(
    fit: HeadFit, optics: Optics, *, gap_px: float, eye_distance_px: float
) -> tuple[float, float]:
    """How much further down in the upright picture the chin will be at full opening, px, and its sigma.

    Parameters
    ----------
    fit : HeadFit
        The face as it is now.
    optics : Optics
        The lens's own bending of the picture counts where a calibration tells it: towards the edge, where an open jaw
        goes, it takes 4 to 7 % off the drop on the demo's lens.
    gap_px : float
        Opening between the inner lips now, px: so far the jaw is open already.
    eye_distance_px : float
        Between the outer eye corners.

    Returns
    -------
    (float, float)
        The mean over people, to second order in how they differ. Sigma holds the spread of openings and jaws over
        people, and what the fit leaves open of pose, size and distance.
    """
    now_mm = max(gap_px - _LIPS_ALONE * eye_distance_px, 0.0) / fit.px_per_mm
    jaws = _JAW_MEANS + np.vstack([np.zeros(4), np.diag(_JAW_SIGMAS), -np.diag(_JAW_SIGMAS)])
    places = np.array([_chin_places(now_mm, jaw) for jaw in jaws])

    def drop(parameters: FloatArray, places: FloatArray) -> FloatArray:
        ideal = fit.pixels_at(parameters, places.reshape(-1, 3))
        down = picture_points(ideal, optics)[..., 1].reshape(*ideal.shape[:-2], -1, 2)
        return np.asarray(down[..., 1] - down[..., 0])

    usual, *ends = drop(fit.parameters, places)
    high, low = np.array(ends).reshape(2, -1)
    own = fit.sigma_of(lambda parameters: drop(parameters, places[:1])[..., 0])
    # Of a mean: the drop grows less and less as the jaw opens, so that people's mean lies below the mean person's drop.
    mean = usual + np.sum((high + low) / 2.0 - usual)
    return float(mean), float(np.sqrt(own**2 + np.sum(((high - low) / 2.0) ** 2)))


def _chin_places(now_mm: float, jaw: FloatArray) -> FloatArray:
    """The average head's chin with the mouth open as it is now and in full, (2, 3) mm, face frame, for one jaw."""
    opened, forward, below, factor = (float(each) for each in jaw)
    moves = [
        chin_after(opening, forward_mm=forward, below_mm=below, turn_factor=factor)
        for opening in (min(now_mm, opened), opened)
    ]
    return np.array([head_points()["chin"] + np.array([0.0, down, back]) for down, back in moves])


def opening_by_turn_mm(fit: HeadFit, shrink: float) -> float:
    """Opening between the incisors, mm, by how much shorter the skin from lower lip to chin looks than at rest.

    Parameters
    ----------
    fit : HeadFit
        The face at rest.
    shrink : float
        Height of that skin in the upright picture over its height at rest.

    Returns
    -------
    float
        Of an average jaw, at most 65: its turn carries the chin back, under the lip.

    Notes
    -----
    How far the chin drops tells less: seen from above it has dropped by three quarters of its way when the jaw is half
    open. On 22 rendered performers, both cameras, the opening came out within 8 mm: 28 mm as 28 to 35, 47 mm as 41
    to 53.
    """
    rest = np.array([head_points()[name] for name in ("lower_lip_inner", "chin")])
    # Forward and down of the condyle; the face frame has z into the head.
    chin = np.array([_FORWARD_MM.mean, _BELOW_MM.mean])
    jaw = chin + (rest - rest[1]) @ np.array([[0.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
    turns = np.array([turn_for(opening, chin) for opening in _OPENINGS_MM])
    moves = np.stack([_moved(point, turns) - point for point in jaw], axis=1)
    opened = rest + np.stack([np.zeros(moves.shape[:2]), moves[..., 1], -moves[..., 0]], axis=-1)
    seen = fit.pixels_at(fit.parameters, opened.reshape(-1, 3))[:, 1].reshape(-1, 2)
    heights = seen[:, 1] - seen[:, 0]
    return float(np.interp(-shrink, -heights / heights[0], _OPENINGS_MM))
