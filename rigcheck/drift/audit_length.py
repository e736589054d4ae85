"""The baseline's length, which takes do not show, as far as the distance between a performer's eyes bounds it.

Every length that a pair measures grows with its baseline. Adults' pupils stand apart by a known spread: a loose bound.
One performer's own eyes stay as far apart as they are: a tighter one, from take to take.

References
----------
Gordon et al., 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007, public file (handbook section 1.1,
recomputed): interpupillary distance 64.02 ± 3.42 mm (men, n = 4082), 61.71 ± 3.62 mm (women, n = 1986), for distant
gaze. Military personnel, adults.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.drift.change_point import Behaviour, behaviour
from rigcheck.geometry.pair import triangulate
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import Estimate, StereoRig
from rigcheck.model._arrays import FloatArray

# (mean, sd) in mm of men and women; fixating at 200 mm brings pupils 3.3 mm closer (eye radius 10.5 mm, handbook).
_MEN, _WOMEN = (64.02, 3.42), (61.71, 3.62)
_NEAR_GAZE_MM = 3.3
_MAD = 1.4826

__all__ = ["EyeLengths", "baseline_from_eyes", "eye_distance", "usual_eye_distance"]


@dataclass(frozen=True, kw_only=True, eq=False)
class EyeLengths:
    """What the eyes say of the baseline's length.

    `population` is the scale of the baseline against the calibration's, 1 when right, with the spread of adults
    (None's reason where the points are not pupils); `own` each take's scale against the day's median; `behaviour`
    how that goes over the day.
    """

    population: Estimate
    own: tuple[Estimate, ...]
    behaviour: Behaviour


def usual_eye_distance() -> Estimate:
    """Interpupillary distance of adults, both sexes alike, somewhere between far and near gaze; mm."""
    mean = 0.5 * (_MEN[0] + _WOMEN[0]) - 0.5 * _NEAR_GAZE_MM
    within = 0.5 * (_MEN[1] ** 2 + _WOMEN[1] ** 2)
    apart = (0.5 * (_MEN[0] - _WOMEN[0])) ** 2
    gaze = _NEAR_GAZE_MM**2 / 12.0
    return Estimate(value=mean, sigma=float(np.sqrt(within + apart + gaze)), unit="mm", n=6068)


def eye_distance(
    points1_px: FloatArray, points2_px: FloatArray, rig: StereoRig, *, sigma_px: float
) -> Estimate:
    """Distance of two points of the face that both cameras see.

    Parameters
    ----------
    points1_px, points2_px : (2, 2) float64, px as recorded
        One point a row, in the picture of camera 1 and of camera 2.
    rig : StereoRig
    sigma_px : float
        Of each coordinate.

    Returns
    -------
    Estimate
        mm; without a value where the rays do not meet before the cameras.
    """
    distance = _distance(points1_px, points2_px, rig)
    if not np.isfinite(distance):
        return Estimate(value=None, unit="mm", reason="the eyes' rays do not meet before the cameras")
    slopes = []
    for picture in (0, 1):
        for place in np.ndindex(2, 2):
            moved = [points1_px.astype(np.float64), points2_px.astype(np.float64)]
            moved[picture][place] += 0.5
            slopes.append((_distance(moved[0], moved[1], rig) - distance) / 0.5)
    return Estimate(value=distance, sigma=float(sigma_px * np.linalg.norm(slopes)), unit="mm", n=2)


def _distance(points1: FloatArray, points2: FloatArray, rig: StereoRig) -> float:
    pose = rig.camera2_from_camera1
    found = triangulate(
        points1,
        points2,
        (intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        (rig.camera1.model, rig.camera2.model),
        rotation=pose.rotation,
        translation=pose.translation_mm,
    )
    return float(np.linalg.norm(found[0] - found[1]))


def baseline_from_eyes(eyes_mm: Sequence[Estimate], *, pupils: bool) -> EyeLengths:
    """Bound the baseline's scale by the eyes of one performer.

    Parameters
    ----------
    eyes_mm : sequence of Estimate
        One a take, measured with the calibration, in the order of the day.
    pupils : bool
        Whether the points are pupils: only they have a published spread.

    Notes
    -----
    A true baseline longer than the calibration's makes every length look too short: scale = true length over
    measured. Gaze moves pupils by up to 3 mm, corners of the eyes by less; a take's own sigma must hold that. What is
    wrong alike in all takes cancels in `own`.
    """
    known = [one for one in eyes_mm if one.value is not None and one.value > 0 and one.sigma]
    if not known:
        none = Estimate(value=None, reason="the eyes were not found in both pictures of any take")
        nothing = Behaviour(kind="too few", curve=np.zeros(0))
        return EyeLengths(population=none, own=tuple(none for _ in eyes_mm), behaviour=nothing)
    values = np.array([one.value for one in known], dtype=np.float64)
    sigmas = np.array([one.sigma for one in known], dtype=np.float64)
    middle = float(np.median(values))
    own = tuple(
        Estimate(value=middle / one.value, sigma=one.sigma * middle / one.value**2, n=one.n)
        if one.value and one.sigma
        else Estimate(value=None, reason=one.reason or "the eyes' distance has no uncertainty")
        for one in eyes_mm
    )
    scales = middle / values
    going = behaviour(np.arange(len(values), dtype=np.float64), scales, sigmas * middle / values**2)
    return EyeLengths(population=_population(middle, sigmas, pupils), own=own, behaviour=going)


def _population(middle: float, sigmas: FloatArray, pupils: bool) -> Estimate:
    if not pupils:
        return Estimate(value=None, reason="only pupils have a published spread")
    usual = usual_eye_distance()
    mean, spread = usual.value or 0.0, usual.sigma or 0.0
    sigma = float(np.hypot(spread, np.median(sigmas)))
    return Estimate(value=mean / middle, sigma=sigma / middle, n=len(sigmas))
