"""What is usual for this performer in this clip, and how far a moment is from it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

import numpy as np
import scipy

from rigcheck.face.head_model import EYE_SPAN_MM
from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_pair import gaze_deg
from rigcheck.face.picks_seam import SEAM_PLACES
from rigcheck.face.picks_shape import SHAPE_SIGMAS
from rigcheck.model._arrays import FloatArray
from rigcheck.model.picking import PoseReading

__all__ = [
    "ClipUsual",
    "Sample",
    "away",
    "clip_usual",
    "commonest",
    "least_common",
    "sample_of_glances",
    "sample_of_reading",
    "seam_excess",
]

_MODES = (
    "mouth_width",
    "lip_height",
    "brow_height_right",
    "brow_height_left",
    "jaw_aside",
    "turn_deg",
)
_MOUTH = ("mouth_width", "lip_height", "jaw_aside")
_TURN_WIDTH_DEG = 3.0
_ASKEW = 0.014  # how far a chin at rest, as the mesh sees it, lies off the middle, standard deviation
_OPEN_SHARE = 0.7  # lids at least so far open, of the widest, count as open
# Eye aspect ratio; shut is commonly taken below 0.20 to 0.25. Eyes shut all through a clip are not its open eyes.
_NARROWEST_OPEN = 0.15
_WIDEST, _LOWEST = 90.0, 15.0  # per cent
# A mouth this near its usual width, with the chin this near its usual place, may be sealed at rest. A jaw held to one
# side shears the seam: what is wide at one place is narrow at another.
_REST_WIDTH, _REST_JAW = 0.018, 2.5 * SHAPE_SIGMAS["jaw_aside"]
_MOST_REST_GAP = 0.03
_FEWEST = 3
_SEAM_WIDTH = 0.0008  # how well a seam's median width repeats
_VERGENCE_WIDTH, _AHEAD = 0.004, 0.008
_OFTEN = 0.25  # of the commonest width's density


@dataclass(frozen=True, kw_only=True, eq=False)
class Sample:
    """Numbers of one moment: of each camera by name, and the width of the seam at each place."""

    cameras: Mapping[str, Mapping[str, float]]
    seams: Mapping[str, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipUsual:
    """Of each camera: its usual numbers by name, and the sealed seam's width at each place, NaN where unknown.

    `vergence` is the least with which the eyes were seen turned towards each other, in shares of the eye distance:
    the farthest look of the clip, since eyes do not turn further apart than parallel.
    """

    numbers: Mapping[str, Mapping[str, float]]
    seams: Mapping[str, FloatArray]
    n: int


def sample_of_glances(glances: Sequence[Glance]) -> Sample:
    """One moment as both cameras saw it in passing."""
    return Sample(
        cameras={glance.ref.camera: glance.shape for glance in glances if glance.shape},
        seams={glance.ref.camera: glance.seam for glance in glances if glance.seam is not None},
    )


def sample_of_reading(reading: PoseReading) -> Sample:
    """One moment as read in full."""
    cameras, seams = {}, {}
    for camera, measures in reading.cameras.items():
        known = {name: each.value for name, each in measures.items() if each.value is not None}
        if not known:
            continue
        cameras[camera] = known
        seams[camera] = np.array([known.get(f"seam_{k:02d}", np.nan) for k in range(SEAM_PLACES)])
    return Sample(cameras=cameras, seams=seams)


def clip_usual(samples: Sequence[Sample], *, reference: Sample | None = None) -> ClipUsual:
    """Find what is usual.

    Parameters
    ----------
    samples : sequence of Sample
        Evenly spread over the clip, so that what the performer mostly does weighs most.
    reference : Sample, optional
        A moment that a person declares right: where it has a number, that number is usual.

    Notes
    -----
    The commonest value of mouth, brows, jaw and turn: faults differ from each other, rest does not.
    Open lids: the median of those at least 0.7 of the widest, but no less than an aspect ratio of 0.15. The sealed
    seam: a low share of the widths seen while the mouth is about as wide as usual, the chin about where it usually is
    and the mouth not open. A clip in which the lips are never sealed therefore passes for sealed unless the gap is
    wide; one in which the performer never looks far has its farthest look taken for far.
    """
    names = list(dict.fromkeys(camera for sample in samples for camera in sample.cameras))
    shut = _shut(samples)
    given = reference.cameras if reference is not None else {}
    numbers = {
        camera: _usual_numbers(_rows(samples, camera), _rows(shut, camera))
        | _from_reference(given.get(camera, {}))
        for camera in names
    }
    seams: dict[str, FloatArray] = {camera: _sealed(shut or samples, camera, numbers) for camera in names}
    if reference is not None:
        seams |= reference.seams
    return ClipUsual(numbers=numbers, seams=seams, n=len(samples))


def _rows(samples: Sequence[Sample], camera: str) -> list[Mapping[str, float]]:
    return [sample.cameras[camera] for sample in samples if camera in sample.cameras]


def _shut(samples: Sequence[Sample]) -> list[Sample]:
    """Moments with the mouth shut as at least one camera sees it: the mesh takes some shut mouths for open."""
    gaps = np.array(
        [
            min((row.get("lip_gap", np.inf) for row in sample.cameras.values()), default=np.inf)
            for sample in samples
        ]
    )
    least = float(np.percentile(gaps, _LOWEST, method="lower")) if len(gaps) else np.inf
    return [sample for sample, gap in zip(samples, gaps, strict=True) if gap <= least + _MOST_REST_GAP]


def _usual_numbers(
    rows: Sequence[Mapping[str, float]], shut: Sequence[Mapping[str, float]]
) -> dict[str, float]:
    usual = {}
    for name in _MODES:
        values = _values(shut if name in _MOUTH else rows, name)
        if len(values):
            weights = np.exp(-0.5 * (values / _ASKEW) ** 2) if name == "jaw_aside" else None
            usual[name] = commonest(values, SHAPE_SIGMAS.get(name, _TURN_WIDTH_DEG), weights=weights)
    open_rows = list(rows)
    for side in ("right", "left"):
        lids = _values(rows, f"lid_opening_{side}")
        if len(lids):
            widest = float(np.percentile(lids, _WIDEST))
            own = float(np.median(lids[lids >= _OPEN_SHARE * widest]))
            usual[f"lid_opening_{side}"] = max(own, _NARROWEST_OPEN)
            open_rows = [
                row for row in open_rows if row.get(f"lid_opening_{side}", 0.0) >= _OPEN_SHARE * widest
            ]
    for name in ("gaze_across", "gaze_down"):
        both = np.array([_both_eyes(row, name) for row in open_rows])
        both = both[np.isfinite(both)]
        if len(both):
            usual[name] = commonest(both, SHAPE_SIGMAS[f"{name}_right"])
    # Looking aside, the two eyes' irises do not move by the same share: left out here.
    ahead = usual.get("gaze_across", np.nan)
    vergence = np.array(
        [_vergence(row) for row in open_rows if abs(_both_eyes(row, "gaze_across") - ahead) < _AHEAD]
    )
    vergence = vergence[np.isfinite(vergence)]
    if len(vergence):
        usual["vergence"] = least_common(vergence, _VERGENCE_WIDTH)
    return usual


def _from_reference(row: Mapping[str, float]) -> dict[str, float]:
    if not row:
        return {}
    given = {name: row[name] for name in (*_MODES, "lid_opening_right", "lid_opening_left") if name in row}
    found = {
        "vergence": _vergence(row),
        "gaze_across": _both_eyes(row, "gaze_across"),
        "gaze_down": _both_eyes(row, "gaze_down"),
    }
    return given | {name: value for name, value in found.items() if math.isfinite(value)}


def _sealed(samples: Sequence[Sample], camera: str, usual: Mapping[str, Mapping[str, float]]) -> FloatArray:
    """Seam's width at each place while the lips are sealed at rest: the narrowest that is seen often enough."""
    seen = [sample for sample in samples if camera in sample.seams]
    rest = [sample for sample in seen if _rests(sample, usual)]
    chosen = rest if len(rest) >= _FEWEST else seen
    widths = np.array([sample.seams[camera] for sample in chosen]).reshape(len(chosen), SEAM_PLACES)
    widths = widths[np.isfinite(widths).all(axis=1)]
    if len(widths) == 0:
        return np.full(SEAM_PLACES, np.nan)
    middle = np.median(widths, axis=1)
    peak = least_common(middle, _SEAM_WIDTH)
    return np.asarray(np.median(widths[np.abs(middle - peak) <= 1.5 * _SEAM_WIDTH], axis=0))


def _rests(sample: Sample, usual: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether the mouth is about as wide as usual and the chin where it usually is, the mean of the cameras."""
    wider, aside = (
        [
            row[name] - usual[camera][name]
            for camera, row in sample.cameras.items()
            if name in row and name in usual.get(camera, {})
        ]
        for name in ("mouth_width", "jaw_aside")
    )
    return bool(wider) and abs(fmean(wider)) < _REST_WIDTH and (not aside or abs(fmean(aside)) < _REST_JAW)


def _vergence(row: Mapping[str, float]) -> float:
    return row.get("gaze_across_right", np.nan) - row.get("gaze_across_left", np.nan)


def _both_eyes(row: Mapping[str, float], name: str) -> float:
    return (row.get(f"{name}_right", np.nan) + row.get(f"{name}_left", np.nan)) / 2.0


def _values(rows: Sequence[Mapping[str, float]], name: str) -> FloatArray:
    values = np.array([row.get(name, np.nan) for row in rows])
    return np.asarray(values[np.isfinite(values)])


def commonest(values: FloatArray, width: float, *, weights: FloatArray | None = None) -> float:
    """Commonest value: where a Gaussian of this standard deviation about each value adds up to most.

    Parameters
    ----------
    values : (N,) float64, N at least 1
    width : float
        How well a value repeats; two rests nearer than that count as one.
    weights : (N,) float64, optional
        How likely each value is beforehand.

    References
    ----------
    Parzen, On estimation of a probability density function and mode, Annals of Mathematical Statistics 33, 1962.
    """
    places, density = _density(values, width)
    likely = density if weights is None else density * np.interp(places, *_by_place(values, weights))
    best = places[int(likely.argmax())]
    # One step of mean shift: between the values about the densest place.
    near = np.exp(-0.5 * ((values - best) / width) ** 2)
    return float((near * values).sum() / near.sum())


def _density(values: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    """Gaussian kernel density of values on a grid of a fifth of its width; a clip of an hour has thousands."""
    step = width / 5.0
    first = np.floor(values.min() / step) - 1
    cells = np.bincount(np.rint(values / step - first).astype(np.int64))
    cells = np.append(cells, [0])
    return step * (first + np.arange(len(cells))), scipy.ndimage.gaussian_filter1d(
        cells.astype(np.float64), 5.0, mode="constant"
    )


def _by_place(values: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(values)
    return values[order], weights[order]


def least_common(values: FloatArray, width: float) -> float:
    """Least of the values that are common: at least a quarter as common as the commonest, and the peak there.

    Parameters
    ----------
    values : (N,) float64, N at least 1
    width : float
        How well a value repeats.
    """
    places, density = _density(values, width)
    least = float(places[density >= _OFTEN * density.max()].min())
    about = (places >= least) & (places <= least + 3.0 * width)
    return float(places[about][density[about].argmax()])


def away(sample: Sample, usual: ClipUsual) -> dict[str, float]:
    """How far a moment is from usual, by name; missing where it cannot be said.

    Returns
    -------
    dict
        `lids` share of the own open eye, the narrower eye; `vergence_deg` more than in the clip's farthest look;
        `gaze_aside_deg`, `gaze_down_deg` off the usual look; `mouth_width`, `lip_height`, `brow_right`, `brow_left`,
        `jaw_aside` (shares of the eye distance), `turn_deg`: more than usual; `seam_open` the excess width of the
        dark line at the worst fifth of the seam in the worse camera; the mouth's own numbers as they are.
    """
    found: dict[str, float] = {}
    per_camera = [
        _camera_away(row, usual.numbers[camera])
        for camera, row in sample.cameras.items()
        if camera in usual.numbers
    ]
    for name in dict.fromkeys(key for each in per_camera for key in each):
        values = [each[name] for each in per_camera if math.isfinite(each.get(name, math.nan))]
        if values:
            found[name] = _JOINED.get(name, fmean)(values)
    if "lids_right" in found and "lids_left" in found:
        eyes = found.pop("lids_right"), found.pop("lids_left")
        found["lids"] = min(fmean(eyes), min(eyes) * _ONE_EYE)
    opened = [
        value
        for camera, seam in sample.seams.items()
        if camera in usual.seams and np.isfinite(value := seam_excess(seam, usual.seams[camera]))
    ]
    if opened:
        found["seam_open"] = max(opened)
    return found


# A gap seen by one camera is there; an opening that one camera does not see is a mouth taken for open.
_JOINED: Mapping[str, Callable[[Sequence[float]], float]] = {
    "row_gap": max,
    "seam_width": max,
    "lip_gap": min,
    "teeth": min,
}
_ONE_EYE = 1.4  # a single eye's opening is less certain than that of both
_BRIGHTER, _WIDE = (
    0.95,
    0.5,
)  # teeth over the lips' brightness (cavity and tongue are darker), and share of the mouth's width
# Of the opening, by the points: rows of teeth that are closed leave no cavity. Rendered bites 0.55 to 0.85, an open
# mouth with a lit tongue 0.3.
_FILLED = 0.45
_AS_IT_IS = ("teeth_shown", "teeth_wide", "teeth_brightness", "row_gap", "lip_gap", "seam_width")


def _camera_away(row: Mapping[str, float], usual: Mapping[str, float]) -> dict[str, float]:
    found = {name: row[name] for name in _AS_IT_IS if name in row}
    if "teeth_shown" in row:
        likely = row.get("teeth_brightness", 0.0) > _BRIGHTER and row.get("teeth_wide", 0.0) > _WIDE
        likely = likely and row["teeth_shown"] > _FILLED * row.get("lip_gap", 0.0)
        found["teeth"] = row["teeth_shown"] if likely else 0.0
    for side in ("right", "left"):
        lid, own = row.get(f"lid_opening_{side}"), usual.get(f"lid_opening_{side}")
        if lid is not None and own:
            found[f"lids_{side}"] = lid / own
        found[f"brow_{side}"] = row.get(f"brow_height_{side}", np.nan) - usual.get(
            f"brow_height_{side}", np.nan
        )
    for name in ("mouth_width", "lip_height", "jaw_aside", "turn_deg"):
        found[name] = row.get(name, np.nan) - usual.get(name, np.nan)
    found["vergence_deg"] = 2.0 * _turn((_vergence(row) - usual.get("vergence", np.nan)) / 2.0)
    found["gaze_aside_deg"] = _turn(_both_eyes(row, "gaze_across") - usual.get("gaze_across", np.nan))
    found["gaze_down_deg"] = _turn(_both_eyes(row, "gaze_down") - usual.get("gaze_down", np.nan))
    return {name: value for name, value in found.items() if math.isfinite(value)}


def _turn(share: float) -> float:
    return gaze_deg(share * EYE_SPAN_MM)


def seam_excess(width: FloatArray, sealed: FloatArray) -> float:
    """Excess of the seam's width over the sealed one where it is largest over a fifth of the seam; NaN if unknown."""
    excess = width - sealed
    known = excess[np.isfinite(excess)]
    part = max(len(excess) // 5, 1)
    if len(known) < 2 * part:
        return float("nan")
    windows = np.lib.stride_tricks.sliding_window_view(known, part)
    return float(np.median(windows, axis=1).max())
