"""What residuals cannot say of the print: stretched one way, or of the wrong size altogether.

A print stretched along one direction comes out as pixels that are not square; one that is too large both
ways leaves no trace at all but in a length that somebody measured.
"""

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.evidence import corner_ids
from rigcheck.calibration.solve import Solution
from rigcheck.geometry.pair import triangulate
from rigcheck.geometry.robust import OUTLIER_WEIGHT
from rigcheck.model import Estimate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Standard uncertainty of a caliper reading when the board file gives none: common practice for a 150 mm
# caliper on ink edges, no source.
CALIPER_U_MM = 0.03
# Standard deviation from the median absolute deviation of normal values, and of a median over that of a mean.
_MAD_TO_SIGMA = 1.4826
_MEDIAN_TO_MEAN = float(np.sqrt(np.pi / 2.0))
_MIN_PAIRS = 3

__all__ = ["CALIPER_U_MM", "known_length_measurements", "pixel_measurements"]


def pixel_measurements(solution: Solution) -> dict[str, Estimate]:
    """Ratio of the two focal lengths, per camera: 1 for square pixels.

    Parameters
    ----------
    solution : Solution

    Returns
    -------
    dict of str to Estimate
        ``<camera>.focal_ratio``: fx / fy.
        ``<camera>.pixel_aspect_error``: how far that is from 1, without its sign.

    Notes
    -----
    The two focal lengths are known together far better apart than each: sigma comes from their joint
    covariance. A print stretched by a share along the picture's x raises fx / fy by that share while boards
    are held upright; boards turned in the picture's plane show a stretch in the residuals as well.
    """
    out, adjustment = {}, solution.adjustment
    layout = adjustment.layout
    for camera, setup in enumerate(solution.setups):
        fx, fy = (float(v) for v in adjustment.state.intrinsics[camera][:2])
        gradient = np.zeros(layout.size)
        start = layout.intrinsics_slices[camera].start
        gradient[start : start + 2] = 1.0 / fy, -fx / fy**2
        sigma = solution.covariance.sigma(gradient)
        n = int((adjustment.observations.camera_idx == camera).sum())
        out[f"{setup.name}.focal_ratio"] = Estimate(value=fx / fy, sigma=sigma, n=n)
        out[f"{setup.name}.pixel_aspect_error"] = Estimate(value=abs(fx / fy - 1.0), sigma=sigma, n=n)
    return out


def known_length_measurements(solution: Solution) -> dict[str, Estimate]:
    """The board's diagonal as it enters the calibration, and as the pair sees it, against calipers.

    Parameters
    ----------
    solution : Solution
        Its board's `held_out_length_mm` is the distance from the first inner corner to the last (top left to
        bottom right, ids 0 and N - 1), measured on the print and not used for the scale.

    Returns
    -------
    dict of str to Estimate
        ``board.known_length_mm``: as measured.
        ``board.length_from_pitch_mm``: from the board's pitch, on which the calibration's scale rests.
        ``board.length_seen_mm`` (pairs): both corners triangulated, median over the pairs of pictures.
        ``board.length_error``: relative difference from the known length of the length seen, or with one
        camera, or too few pairs that show both corners, of the length from the pitch; signed, positive when
        the calibration takes the board as larger than it is.

    Notes
    -----
    Sigmas: of a caliper reading, `measured.u_mm` of the board or else CALIPER_U_MM; of the pitch, the board's
    own scale where it was measured; of the length seen, the pairs' spread (median absolute deviation). The
    errors of the calipers in both measurements count as independent: what they share (a worn jaw) is not
    seen. A print that is stretched one way only shows in the length from the pitch and in the pixels' ratio.
    """
    board = solution.board
    known = board.held_out_length_mm
    if known is None:
        reason = "no known length: the board file has no held_out_length_mm"
        return {"board.length_error": Estimate(value=None, reason=reason)}
    u = board.measured.u_mm if board.measured is not None else CALIPER_U_MM
    corners = board.corners_mm
    from_pitch = float(np.linalg.norm(corners[-1] - corners[0]))
    scale = board.scale_sigma or 0.0
    out = {
        "board.known_length_mm": Estimate(value=known, sigma=u, unit="mm", n=1),
        "board.length_from_pitch_mm": Estimate(value=from_pitch, sigma=scale * from_pitch, unit="mm", n=1),
    }
    judged, n, seen_sigma = from_pitch, 1, 0.0
    if len(solution.setups) == 2:
        seen = _seen(solution)
        out["board.length_seen_mm"] = seen
        if seen.value is not None:
            judged, n, seen_sigma = seen.value, seen.n, seen.sigma or 0.0
    sigma = float(np.sqrt((u / known) ** 2 + scale**2 + (seen_sigma / judged) ** 2))
    out["board.length_error"] = Estimate(value=judged / known - 1.0, sigma=sigma, n=n)
    return out


def _seen(solution: Solution) -> Estimate:
    """Median distance of the triangulated outermost corners; sigma of the pictures only, scale apart."""
    first, last = _rows_of(solution, 0), _rows_of(solution, len(solution.board.corners_mm) - 1)
    both = (first >= 0).all(0) & (last >= 0).all(0)
    if both.sum() < _MIN_PAIRS:
        reason = f"{int(both.sum())} pairs show the first and the last corner in both pictures"
        return Estimate(value=None, unit="mm", reason=f"{reason}, {_MIN_PAIRS} are needed")
    ends = [_triangulated(solution, rows[:, both]) for rows in (first, last)]
    lengths = np.sqrt(((ends[1] - ends[0]) ** 2).sum(1))
    lengths = lengths[np.isfinite(lengths)]
    middle = float(np.median(lengths))
    spread = _MAD_TO_SIGMA * float(np.median(np.abs(lengths - middle)))
    n = len(lengths)
    return Estimate(value=middle, sigma=_MEDIAN_TO_MEAN * spread / float(np.sqrt(n)), unit="mm", n=n)


def _rows_of(solution: Solution, corner: int) -> IntArray:
    """Where a corner stands among all, by camera and view, (2, V); -1 unless seen and believed."""
    adjustment = solution.adjustment
    ids = corner_ids(solution)
    rows = np.flatnonzero((ids == corner) & (adjustment.weights >= OUTLIER_WEIGHT))
    out = np.full((2, len(solution.views)), -1, dtype=np.int64)
    out[adjustment.observations.camera_idx[rows], adjustment.observations.view_idx[rows]] = rows
    return out


def _triangulated(solution: Solution, rows: IntArray) -> FloatArray:
    adjustment = solution.adjustment
    state, models = adjustment.state, adjustment.layout.models
    return triangulate(
        adjustment.observations.pixels[rows[0]],
        adjustment.observations.pixels[rows[1]],
        (state.intrinsics[0], state.intrinsics[1]),
        (models[0], models[1]),
        rotation=state.rotation,
        translation=state.translation,
    )
