"""What to film next, in words for a hand: taken from what the footage at hand is thin in."""

import math
from collections.abc import Sequence

import numpy as np

from rigcheck.calibration.filming_words import PLACES
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.model import CalibrationRun

__all__ = [
    "camera_names",
    "empty_places",
    "filming_advice",
    "gaps_in_words",
    "in_words",
    "working_distance_mm",
]

# A place counts as empty when fewer of its cells than this saw a corner.
_EMPTY_SHARE = 0.25
# More than this are not worth naming one by one.
_MOST_PLACES = 4
# Views spread in distance by less than this ratio tie focal length to distance only weakly.
_LEAST_DISTANCE_RATIO = 1.3
_USUAL_DISTANCE_MM = 200.0
_MOST_REPEATS = 9.0
_GIVEN_BESIDE = "give the new clip beside this one, joined by a comma."


def camera_names(run: CalibrationRun) -> tuple[str, ...]:
    """Names of the cameras, in order."""
    return tuple(entry.camera.name for entry in run.calibration.cameras)


def working_distance_mm(run: CalibrationRun) -> float:
    """Distance of the face: as known, else the median distance of the board, else 200 mm."""
    known = run.measurements.get("views.working_distance_mm")
    if known is not None and known.value is not None:
        return known.value
    volume = run.calibration.face_volume
    if volume is not None:
        return volume.working_distance_mm
    distances = [view.distance_mm for view in run.views]
    return float(np.median(distances)) if distances else _USUAL_DISTANCE_MM


def empty_places(run: CalibrationRun, camera: str) -> tuple[str, ...]:
    """Parts of a camera's picture, as recorded, where hardly a corner was seen; a 3 x 3 division."""
    seen = run.coverage_maps.get(camera)
    if seen is None or min(seen.shape) < 3:
        return ()
    found = []
    for names, band in zip(PLACES, np.array_split(seen > 0, 3, axis=0), strict=True):
        for name, cells in zip(names, np.array_split(band, 3, axis=1), strict=True):
            if cells.mean() < _EMPTY_SHARE:
                found.append(name)
    return tuple(found)


def gaps_in_words(run: CalibrationRun, camera: str) -> str:
    """Where a camera's picture is empty: "the bottom of upper's picture"; empty text when nowhere."""
    places = empty_places(run, camera)
    if not places:
        return ""
    where = in_words(places) if len(places) <= _MOST_PLACES else "outer parts, all the way round,"
    return f"the {where} of {camera}'s picture"


def in_words(items: Sequence[str]) -> str:
    """Join as in a sentence: "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def filming_advice(run: CalibrationRun, limits: Limits, *, too_large_by: float = 1.0) -> str:
    """Say what to film next.

    Parameters
    ----------
    run : CalibrationRun
    limits : Limits
    too_large_by : float
        Ratio of the present uncertainty to the wanted one.

    Returns
    -------
    str
        One or two sentences: the first of the views wanted, where there are any; else what is thin. When
        tilts, places and distances are all there, only more of the same helps, and uncertainty falls with
        the square root of its length.
    """
    if run.wanted_views:
        return _first_wanted(run)
    wishes = [*_tilts(run, limits), *_places(run, limits), *_distances(run)]
    if wishes:
        return f"Film six more seconds {in_words(wishes)}, pausing at each place; {_GIVEN_BESIDE}"
    repeats = min(max(too_large_by**2, 2.0), _MOST_REPEATS)
    return (
        f"Film about {math.ceil(repeats)} times as long with the same variety of tilts and places, pausing "
        "at each; if that cannot be had, raise the corners' quality: more light, shorter shutter, a board "
        "in focus."
    )


def _first_wanted(run: CalibrationRun) -> str:
    first, more = run.wanted_views[0], len(run.wanted_views) - 1
    others = (
        "" if not more else f", then in the {'other' if more == 1 else f'other {more}'} drawn in the report"
    )
    gain = f"{first.depth_before_mm:.3f} to {first.depth_after_mm:.3f} mm"
    return (
        f"Film the board held still in one more pose{others}: {first.words} (expected depth sigma on the face: "
        f"{gain}); {_GIVEN_BESIDE}"
    )


def _tilts(run: CalibrationRun, limits: Limits) -> list[str]:
    band = limits.band("tilt.spread_deg")
    spreads = [run.measurements.get(f"{name}.tilt_spread_deg") for name in camera_names(run)]
    thin = any(
        spread is not None and judge(spread, band) in ("caution", "fail", "inconclusive")
        for spread in spreads
    )
    return ["with the board tilted 30 to 45 degrees towards each of its four sides in turn"] if thin else []


def _places(run: CalibrationRun, limits: Limits) -> list[str]:
    band = limits.band("coverage.share")
    wishes = []
    for name in camera_names(run):
        share = run.measurements.get(f"{name}.coverage")
        gaps = gaps_in_words(run, name)
        if gaps and share is not None and judge(share, band) == "caution":
            wishes.append(f"with the board in {gaps}")
    return wishes


def _distances(run: CalibrationRun) -> list[str]:
    distances = [view.distance_mm for view in run.views]
    if not distances or max(distances) >= _LEAST_DISTANCE_RATIO * min(distances):
        return []
    face = working_distance_mm(run)
    return [
        f"with the board once nearer and once farther than the face ({0.75 * face:.0f} and {1.25 * face:.0f} "
        "mm)"
    ]
