"""Is it still the same rig: today's views of the board against a stored calibration."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.drift.against_stored import Compared, compare_with_stored
from rigcheck.drift.causes import ABOUT_AS_WELL, SIGNIFICANT_P, Explanation
from rigcheck.drift.face_harm import HarmMap, depth_by_change, exact_harm_mm, harm_estimate, harm_map
from rigcheck.drift.sensors import SensorToday
from rigcheck.drift.stored import stored_rig
from rigcheck.drift.verify_numbers import verify_measurements
from rigcheck.drift.weighing import FittedChange
from rigcheck.geometry.board_views import View
from rigcheck.geometry.fit_residuals import rms_px, view_results
from rigcheck.model import Calibration, Estimate, FitSummary, Rejection, ViewResult
from rigcheck.model._arrays import FloatArray

# Numbers of views for which it is foretold how well the harm would be known.
_FORETOLD = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 30, 40, 50, 60, 80)

__all__ = ["Verification", "verification"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Verification:
    """What today's views say about the stored rig.

    Parameters
    ----------
    calibration : Calibration
        The stored one.
    views : tuple of ViewResult
        Today's, with what the free fit leaves unexplained.
    explained : tuple of Explanation
        Every cause tried, the best first.
    change : FittedChange
        What is reported: the pose, and with it the lens where the best explanation needs one.
    changed : bool
        Whether an untouched rig would show as much less than once in a thousand times.
    harm : Estimate
        RMS depth change over the face, mm.
    harm_map : HarmMap or None
        None for one camera.
    foretold : tuple of (int, Estimate)
        The harm as it would be known from more views of the same kind.
    measurements : dict
    sensors : tuple of SensorToday
        What hot pixels say of each camera; none where they were not looked for.
    """

    calibration: Calibration
    views: tuple[ViewResult, ...]
    explained: tuple[Explanation, ...]
    change: FittedChange
    changed: bool
    harm: Estimate
    harm_map: HarmMap | None
    foretold: tuple[tuple[int, Estimate], ...]
    working_distance_mm: float
    fit: FitSummary
    measurements: dict[str, Estimate]
    rejected: tuple[Rejection, ...] = ()
    notes: tuple[str, ...] = ()
    sensors: tuple[SensorToday, ...] = ()

    @property
    def best(self) -> Explanation:
        """The cause that explains today's views best."""
        return self.explained[0]

    @property
    def alternatives(self) -> tuple[Explanation, ...]:
        """Further causes that explain today's views about as well; none where nothing changed."""
        if self.best.cause.kind == "nothing":
            return ()
        limit = self.best.score + ABOUT_AS_WELL
        return tuple(
            one
            for one in self.explained[1:]
            if one.score <= limit and one.cause.kind != "nothing" and one.fit.left_p >= SIGNIFICANT_P
        )


def verification(
    views: Sequence[View],
    calibration: Calibration,
    *,
    working_distance_mm: float | None = None,
    upright_deg: int = 0,
    rejected: Sequence[Rejection] = (),
    notes: Sequence[str] = (),
) -> Verification:
    """Compare today's views of the board with a stored calibration.

    Parameters
    ----------
    views : sequence of View
        From one on; one entry a camera, in the calibration's order of cameras.
    calibration : Calibration
        Of one camera or of a pair.
    working_distance_mm : float, optional
        From the middle of the baseline to the middle of the face; the calibration's own where not given, else the
        median distance of the board.
    upright_deg : {0, 90, 180, 270}
        How camera 1 is mounted.
    rejected, notes
        Carried along.

    Raises
    ------
    EstimationError
        When no view can be used, or none is seen by both cameras of a pair.

    Notes
    -----
    The board is taken as the one that the calibration was made with: a scale error of its print cancels, its shape
    is solved for anew. A change that moves both cameras and the board alike (a bent boom, a shifted helmet) moves
    nothing against each other and is not seen. References: the module :mod:`rigcheck.drift.weighing`.
    """
    stored = stored_rig(calibration)
    compared = compare_with_stored(views, stored)
    today, change = compared.today, compared.change
    seen = view_results(today.adjustment, today.views, today.board)
    distance = _distance(calibration, working_distance_mm, seen)
    depth = depth_by_change(stored, working_distance_mm=distance, upright_deg=upright_deg)
    exact, mapped = None, None
    if len(stored.models) == 2:
        exact = exact_harm_mm(stored, change, working_distance_mm=distance, upright_deg=upright_deg)
        mapped = harm_map(stored, change, working_distance_mm=distance, upright_deg=upright_deg)
    harm = replace(harm_estimate(change, depth, exact_mm=exact), n=len(seen))
    return Verification(
        calibration=calibration,
        views=seen,
        explained=compared.explained,
        change=change,
        changed=compared.changed,
        harm=harm,
        harm_map=mapped,
        foretold=_foretold(compared, depth, harm.value or 0.0),
        working_distance_mm=distance,
        fit=replace(today.adjustment.summary, rms_px=rms_px(today.adjustment)),
        measurements=verify_measurements(compared, harm),
        rejected=tuple(rejected),
        notes=tuple(notes),
    )


def _distance(calibration: Calibration, given_mm: float | None, seen: Sequence[ViewResult]) -> float:
    if given_mm is not None:
        return given_mm
    if calibration.face_volume is not None:
        return calibration.face_volume.working_distance_mm
    return float(np.median([view.distance_mm for view in seen]))


def _foretold(compared: Compared, depth: FloatArray, known_mm: float) -> tuple[tuple[int, Estimate], ...]:
    """The same harm as more views of the same kind would know it; the calibration's own errors stay."""
    n = len(compared.today.views)
    out = []
    for count in (count for count in _FORETOLD if count > n):
        better = compared.scales.fit(compared.change.columns, more=count / n)
        covariance = better.covariance * compared.unrest
        fit = replace(compared.change, covariance=covariance)
        out.append((count, replace(harm_estimate(fit, depth, known_mm=known_mm), n=count)))
    return tuple(out)
