"""What pairing looks at: the two cameras' pictures with their places in time, part by part."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from rigcheck.errors import InputError
from rigcheck.footage.clip import Clip, ClipPart
from rigcheck.footage.names import numbers_in_names
from rigcheck.footage.pictures import PictureSource
from rigcheck.footage.timecode import StartTimecode
from rigcheck.footage.timing import ON_GRID_FRAMES
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["Side", "places_by_timecode", "sides_of"]

_SAME_RATE = 2e-4  # relative; 59.94 and 60 differ by 1e-3, rounding in containers by 1e-5


@dataclass(frozen=True, kw_only=True, eq=False)
class Side:
    """One camera's share of what is paired.

    Parameters
    ----------
    camera, origin : str
    ids : (N,) int64
        `frame_idx` of the pictures.
    grid : (N,) float64
        Times from the in point, in frame periods.
    regular : bool
        True when picture k lies at place k.
    tick_frames : float
        How finely the file counts time, in frame periods.
    timecode : StartTimecode or None
        Of the file's first picture.
    in_grid : float
        The in point in frame periods from the file's first picture.
    numbers : (N,) int64 or None
        Numbers in the names of pictures.
    """

    camera: str
    origin: str
    ids: IntArray
    grid: FloatArray
    regular: bool = True
    tick_frames: float = 0.0
    timecode: StartTimecode | None = None
    in_grid: float = 0.0
    numbers: IntArray | None = None


def sides_of(clip1: Clip, clip2: Clip) -> list[tuple[Side, Side]]:
    """Both cameras' parts side by side; pictures count as one part.

    Raises
    ------
    InputError
        When the numbers of parts or the frame rates differ.
    """
    if clip1.info.kind == "pictures" or clip2.info.kind == "pictures":
        return [(_whole(clip1), _whole(clip2))]
    if len(clip1.parts) != len(clip2.parts):
        raise InputError(
            f"{clip1.info.origin} and {clip2.info.origin}: {len(clip1.parts)} clips joined for "
            f"{clip1.info.camera}, {len(clip2.parts)} for {clip2.info.camera}; equal numbers are needed, "
            "since they are paired clip by clip.",
            hint="name the clips of both cameras in the same order, take by take",
        )
    _check_rates(clip1, clip2)
    common = clip1.info.frame_rate or clip2.info.frame_rate
    return [
        (_side(clip1, part1, common), _side(clip2, part2, common))
        for part1, part2 in zip(clip1.parts, clip2.parts, strict=True)
    ]


def _check_rates(clip1: Clip, clip2: Clip) -> None:
    rate1, rate2 = clip1.info.frame_rate, clip2.info.frame_rate
    if rate1 is None or rate2 is None or abs(float(rate1 / rate2) - 1) <= _SAME_RATE:
        return
    if any(finding.code == "variable_rate" for clip in (clip1, clip2) for finding in clip.info.findings):
        return  # neither has a rate to speak of: pairing by time tells what fits
    raise InputError(
        f"{clip1.info.origin} and {clip2.info.origin}: {clip1.info.camera} runs at {float(rate1):.6g} frames "
        f"a second, {clip2.info.camera} at {float(rate2):.6g}; equal rates are needed, else the cameras "
        "drift apart.",
        hint="record both cameras at one rate; footage of unequal rates cannot be paired",
    )


def _whole(clip: Clip) -> Side:
    files: list[Path] = [path for part in clip.parts for path in part.files]
    ids = clip.indices
    return Side(
        camera=clip.info.camera,
        origin=clip.info.origin,
        ids=ids,
        grid=np.arange(len(ids), dtype=np.float64),
        numbers=numbers_in_names(files) if clip.info.kind == "pictures" else None,
    )


def _side(clip: Clip, part: ClipPart, common: Fraction | None) -> Side:
    """Look at a part with its times counted in frame periods of the rate that both cameras share."""
    source, table = part.source, part.source.table
    scale = float(common / table.rate) if common and table.rate else 1.0
    grid = part.grid * scale
    tick_frames = (
        float(table.tick_s * table.rate) * scale if table.timed and table.tick_s and table.rate else 0.0
    )
    slack = ON_GRID_FRAMES + tick_frames
    even = bool((np.abs(np.diff(grid) - 1) <= slack).all()) and abs(float(grid[0])) <= slack
    return Side(
        camera=clip.info.camera,
        origin=source.origin_of(0),
        ids=part.base + np.arange(part.first, part.last + 1),
        grid=grid,
        regular=even,
        tick_frames=tick_frames,
        timecode=None if isinstance(source, PictureSource) else source.timecode,
        in_grid=part.in_grid * scale,
    )


def places_by_timecode(side1: Side, side2: Side) -> tuple[FloatArray, FloatArray]:
    """Both cameras' places counted in frames from the first camera's first timecode, across midnight too."""
    if side1.timecode is None or side2.timecode is None:
        raise ValueError("timecode needed in both")
    day = side1.timecode.pictures_per_day
    apart = side2.timecode.start - side1.timecode.start
    apart = (apart + day // 2) % day - day // 2
    places1 = side1.in_grid + side1.grid
    places2 = side2.in_grid + side2.grid + apart
    return np.asarray(places1, dtype=np.float64), np.asarray(places2, dtype=np.float64)
