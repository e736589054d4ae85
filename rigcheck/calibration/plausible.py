"""Whether sizes and order fit what was known beforehand: the working distance, an earlier calibration's pose."""

import numpy as np

from rigcheck.model import Calibration, CalibrationRun, Estimate

__all__ = ["order_measurements", "size_measurements"]

# Axes that meet at less than this angle meet anywhere.
_LEAST_CONVERGENCE_DEG = 5.0


def size_measurements(run: CalibrationRun, working_distance_mm: float | None) -> dict[str, Estimate]:
    """How large the board is taken to be against the rig's working distance.

    Parameters
    ----------
    run : CalibrationRun
    working_distance_mm : float, optional
        As the rig file says.

    Returns
    -------
    dict of str to Estimate
        ``board.size_ratio``: distance at which the pair's axes pass nearest to each other, from the middle of the
        baseline, over the working distance; for one camera, or a pair that hardly converges, the board's median
        distance over it. Every length grows with the size that the board file gives the squares: a ratio of 10
        asks whether they are a tenth of it.
        ``board.size_factor``: how far from 1 that is, either way: the larger of the ratio and its inverse.
        ``stereo.axes_meet_mm``: that distance; pairs that converge only.
    """
    if working_distance_mm is None:
        reason = "the rig file gives no working distance"
        return {"board.size_factor": Estimate(value=None, reason=reason)}
    meet = _axes_meet_mm(run)
    distance = float(np.median([view.distance_mm for view in run.views])) if meet is None else meet
    ratio, n = distance / working_distance_mm, len(run.views)
    found = {} if meet is None else {"stereo.axes_meet_mm": Estimate(value=meet, unit="mm", n=n)}
    return found | {
        "board.size_ratio": Estimate(value=ratio, n=n),
        "board.size_factor": Estimate(value=max(ratio, 1.0 / ratio), n=n),
    }


def _axes_meet_mm(run: CalibrationRun) -> float | None:
    stereo = run.calibration.stereo
    if stereo is None:
        return None
    pose = stereo.camera2_from_camera1.inverse()
    axis1, axis2, centre2 = np.array([0.0, 0.0, 1.0]), pose.rotation[:, 2], pose.translation_mm
    if np.degrees(np.arccos(np.clip(axis1 @ axis2, -1.0, 1.0))) < _LEAST_CONVERGENCE_DEG:
        return None
    along = np.linalg.lstsq(np.column_stack([axis1, -axis2]), centre2, rcond=None)[0]
    if min(along) <= 0.0:
        return None
    nearest = 0.5 * (along[0] * axis1 + centre2 + along[1] * axis2)
    return float(np.linalg.norm(nearest - 0.5 * centre2))


def order_measurements(run: CalibrationRun, prior: Calibration) -> dict[str, Estimate]:
    """Whether the two cameras stand to each other as in an earlier calibration, or the other way round.

    Parameters
    ----------
    run : CalibrationRun
    prior : Calibration
        Of the same cameras by name, in either order.

    Returns
    -------
    dict of str to Estimate
        ``prior.baseline_turned_deg``: angle between the direction to camera 2, in camera 1's frame, then and
        now.
        ``prior.exchanged_turned_deg``: the same were today's clips exchanged. Empty without two pairs.

    Notes
    -----
    Two like cameras, mounted alike and parallel, one beside the other, differ by 180 degrees when exchanged; toed-in
    ones by 180 less the convergence.
    """
    stereo, before = run.calibration.stereo, prior.stereo
    if stereo is None or before is None:
        return {}
    then = before.camera2_from_camera1
    if [e.camera.name for e in prior.cameras] != [e.camera.name for e in run.calibration.cameras]:
        then = then.inverse()
    now = stereo.camera2_from_camera1
    turned = _between_deg(then.inverse().translation_mm, now.inverse().translation_mm)
    exchanged = _between_deg(then.inverse().translation_mm, now.translation_mm)
    n = len(run.views)
    return {
        "prior.baseline_turned_deg": Estimate(value=turned, unit="deg", n=n),
        "prior.exchanged_turned_deg": Estimate(value=exchanged, unit="deg", n=n),
    }


def _between_deg(one: np.ndarray, other: np.ndarray) -> float:
    cosine = one @ other / (np.linalg.norm(one) * np.linalg.norm(other))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
