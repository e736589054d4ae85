"""When the pictures of a take were recorded: frames dropped and repeated, timecode, and the time between cameras."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rigcheck.footage import Clip
from rigcheck.footage.clip import ClipPart
from rigcheck.footage.video import VideoSource
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.time_offset import PairedRuns, StereoGeometry, time_offset
from rigcheck.jobs.audit_sampling import RUN, Picture, Samples
from rigcheck.jobs.opened import OpenedFootage
from rigcheck.model import Estimate, PatchMatches, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

_FEWEST_RUNS = 5  # that move across the lines
_MOST_FOLLOWED = 100  # of the matches of a moment
_FOLLOW_BACK_PX = 0.15
_FLOW_SIGMA_PX = 0.06
_WINDOW, _LEVELS = (13, 13), 2  # at half size
_EVEN = 0.25  # of a frame: as footage.timing has it
_AT_REST = "the face hardly moved across the line that joins the cameras"

__all__ = ["frame_faults", "settings_of", "start_timecodes", "time_offset_of_take"]


def settings_of(clip: Clip) -> str:
    """Size, rate and depth as recorded: "1080 × 1440 px, 60 frames/s, 8 bit"."""
    width, height = clip.info.size_px
    rate = clip.info.frame_rate
    speed = "pictures" if rate is None else f"{float(rate):.6g} frames/s"
    return f"{width} × {height} px, {speed}, {clip.info.bit_depth} bit"


def start_timecodes(footage: OpenedFootage) -> dict[str, str]:
    """Timecode of each camera's first picture, where it has one."""
    return {clip.info.camera: clip.info.start_timecode for clip in footage.clips if clip.info.start_timecode}


def frame_faults(footage: OpenedFootage, samples: Samples) -> dict[str, Estimate]:
    """Dropped and repeated pictures of each camera, its rate, and how far the cameras' first pictures lie apart.

    Returns
    -------
    dict
        ``frames.<camera>.dropped``, ``.repeated`` and ``.rate_hz``; ``frames.pair_shift``: pictures by which camera 2
        is shifted against camera 1 where they are paired by timecode.
    """
    out = {}
    for clip in footage.clips:
        name, n = clip.info.camera, clip.info.n_frames
        dropped = sum(_dropped(part) for part in clip.parts)
        repeated = sum(_repeated(part) for part in clip.parts) + samples.repeated.get(name, 0)
        out[f"frames.{name}.dropped"] = Estimate(value=float(dropped), unit="pictures", n=n)
        out[f"frames.{name}.repeated"] = Estimate(value=float(repeated), unit="pictures", n=n)
        rate = clip.info.frame_rate
        out[f"frames.{name}.rate_hz"] = (
            Estimate(value=None, unit="Hz", reason="pictures have no rate")
            if rate is None
            else Estimate(value=float(rate), unit="Hz", n=n)
        )
    pairing = footage.pairing
    if pairing is not None and pairing.basis == "timecode":
        shift = float(np.median(pairing.indices[:, 1] - pairing.indices[:, 0]))
        out["frames.pair_shift"] = Estimate(value=shift, unit="frames", n=pairing.n_pairs)
    return out


def _dropped(part: ClipPart) -> int:
    steps = np.diff(part.grid)
    whole = np.rint(steps)
    return int(np.maximum(whole - 1, 0)[np.abs(steps - whole) <= _EVEN].sum())


def _repeated(part: ClipPart) -> int:
    """Times that occur twice, and pictures stored as exact copies of the one before."""
    twice = int((np.diff(part.grid) < _EVEN).sum())
    if not isinstance(part.source, VideoSource):
        return twice
    copies = part.source.repeats
    return twice + int(((copies > part.first) & (copies <= part.last)).sum())


def time_offset_of_take(
    footage: OpenedFootage, samples: Samples, matches: Sequence[PatchMatches], rig: StereoRig
) -> Estimate:
    """By how much camera 2's pictures are taken later than camera 1's, ms.

    Parameters
    ----------
    footage : OpenedFootage
    samples : Samples
    matches : sequence of PatchMatches
        One a sampled moment; fewer where a face was missing.
    rig : StereoRig

    Returns
    -------
    Estimate
        Without a value where the face hardly moved across the line that joins the cameras, or too few moments were
        matched. See :func:`rigcheck.geometry.time_offset.time_offset`.

    Notes
    -----
    Each place matched at a sampled moment is followed through the two pictures after it, in each camera, by its own
    flow at half size; what it then leaves its epipolar line by is held against its speed.
    """
    missing = _why_no_runs(footage, samples, matches)
    if missing or footage.pairing is None:
        return Estimate(value=None, unit="ms", reason=missing)
    period_s = _period_s(footage)
    runs = _followed(samples, matches)
    if len(runs) < _FEWEST_RUNS:
        reason = f"{len(runs)} moments could be followed, {_FEWEST_RUNS} needed"
        return Estimate(value=None, unit="ms", reason=reason)
    found = time_offset(_paired(runs, period_s), _geometry(rig), fewest_runs=_FEWEST_RUNS)
    if not found.speed_is_enough:
        return Estimate(value=None, unit="ms", reason=_AT_REST)
    offset_s = found.offset_s - found.shift_frames * period_s
    return Estimate(value=1e3 * offset_s, sigma=1e3 * found.sigma_s, unit="ms", n=found.n_corners)


def _why_no_runs(footage: OpenedFootage, samples: Samples, matches: Sequence[PatchMatches]) -> str:
    pairing = footage.pairing
    if pairing is None:
        return "one camera"
    if any(clip.info.frame_rate is None for clip in footage.clips):
        return "pictures have no times"
    if len(matches) != len(samples.moments) or len(matches) < _FEWEST_RUNS:
        return f"{len(matches)} moments were matched, {_FEWEST_RUNS} needed"
    if len(samples.runs) != len(matches) or not all(samples.runs):
        return "the take is too short"
    return ""


def _period_s(footage: OpenedFootage) -> float:
    rate = footage.clips[0].info.frame_rate
    return 1.0 / float(rate) if rate else 0.0


_Run = tuple[FloatArray, FloatArray, FloatArray]


def _followed(samples: Samples, matches: Sequence[PatchMatches]) -> list[_Run]:
    """Places of each run in both cameras, (L, N, 2) px each, and their sigmas (N,)."""
    out = []
    for run, one in zip(samples.runs, matches, strict=True):
        if one.n == 0:
            continue
        some = evenly(np.argsort(one.points1_px[:, 1]).tolist(), _MOST_FOLLOWED)
        tracks = [
            _tracked([moment[camera] for moment in run], start[some])
            for camera, start in ((0, one.points1_px), (1, one.points2_px))
        ]
        out.append((tracks[0], tracks[1], one.sigma_px[some]))
    return out


def _tracked(pictures: Sequence[Picture], start_px: FloatArray) -> FloatArray:
    """Places (N, 2) of the first picture through all of them, (L, N, 2) px; NaN where the way back misses.

    The pictures are of half size, the places of the whole.
    """
    start = (start_px - 0.5) / 2
    room = _WINDOW[0] * 2**_LEVELS
    low = np.maximum(np.floor(start.min(axis=0)).astype(int) - room, 0)
    high = np.ceil(start.max(axis=0)).astype(int) + room
    parts = [np.ascontiguousarray(each[low[1] : high[1], low[0] : high[0]]) for each in pictures]
    places = [start - low]
    for now, then in pairwise(parts):
        places.append(_flow(now, then, places[-1]))
    return np.asarray(2 * (np.stack(places) + low) + 0.5, dtype=np.float64)


def _flow(now: NDArray[np.uint8], then: NDArray[np.uint8], places: FloatArray) -> FloatArray:
    """Where places go, NaN where the way back misses."""
    known = np.asarray(np.isfinite(places).all(axis=1))
    start = np.where(known[:, None], places, 0.0).astype(np.float32).reshape(-1, 1, 2)
    there, good, _ = cv2.calcOpticalFlowPyrLK(now, then, start, None, winSize=_WINDOW, maxLevel=_LEVELS)
    back, _, _ = cv2.calcOpticalFlowPyrLK(then, now, there, None, winSize=_WINDOW, maxLevel=_LEVELS)
    miss = np.linalg.norm((np.asarray(back) - start).reshape(-1, 2), axis=1)
    kept = known & (np.asarray(good).ravel() > 0) & (2 * miss < _FOLLOW_BACK_PX)
    return np.where(kept[:, None], np.asarray(there, dtype=np.float64).reshape(-1, 2), np.nan)


def _paired(runs: Sequence[_Run], period_s: float) -> PairedRuns:
    most = max(run[0].shape[1] for run in runs)
    shape = (len(runs), RUN, most)
    pixels = [np.full((*shape, 2), np.nan) for _ in range(2)]
    sigma = np.full(shape, _FLOW_SIGMA_PX)
    second = np.full(shape, _FLOW_SIGMA_PX)
    for m, (first, other, own) in enumerate(runs):
        n = first.shape[1]
        both = np.asarray(np.isfinite(first).all(axis=(0, 2)) & np.isfinite(other).all(axis=(0, 2)))
        pixels[0][m, :, :n] = np.where(both[None, :, None], first, np.nan)
        pixels[1][m, :, :n] = np.where(both[None, :, None], other, np.nan)
        second[m, :, :n] = np.hypot(own, _FLOW_SIGMA_PX)
    return PairedRuns(
        pixels1=pixels[0], pixels2=pixels[1], sigma1_px=sigma, sigma2_px=second, period_s=period_s
    )


def _geometry(rig: StereoRig) -> StereoGeometry:
    pose = rig.camera2_from_camera1
    return StereoGeometry(
        intrinsics=(intrinsics_vector(rig.camera1), intrinsics_vector(rig.camera2)),
        models=(rig.camera1.model, rig.camera2.model),
        rotation=pose.rotation,
        translation=pose.translation_mm,
    )
