"""What makes footage unusable before a board is looked for, and what it is where none is found."""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigcheck.errors import ConfigError, InputError
from rigcheck.footage import Clip
from rigcheck.model import CameraDescription, RigDescription

__all__ = ["blank_pictures", "interlaced_words", "refuse_exchanged_names", "refuse_sizes"]

# A board of nine squares of a few pixels; below it nothing is found.
LEAST_SIDE_PX = 64
# Half as much again as the sides of the largest cinema sensors, 8192 px (common practice); a picture of
# 20,000 px squared takes minutes and gigabytes.
MOST_SIDE_PX = 12_000
_ASKED = 3
# A lit board spans more code values than this; noise alone spans about as many.
_EVEN_SPAN = 12.0


def refuse_sizes(clips: Sequence[Clip]) -> None:
    """Raise InputError for pictures too small to hold a board or too large to come from a camera."""
    for clip in clips:
        width, height = clip.info.size_px
        if min(width, height) < LEAST_SIDE_PX:
            raise InputError(
                f"{clip.info.origin} ({clip.info.camera}): pictures of {width} x {height} px found, "
                f"at least {LEAST_SIDE_PX} px each way needed to show a board.",
                hint="give the camera's own recording, not a thumbnail or a placeholder",
            )
        if max(width, height) > MOST_SIDE_PX:
            raise InputError(
                f"{clip.info.origin} ({clip.info.camera}): pictures of {width} x {height} px found, "
                f"up to {MOST_SIDE_PX} px a side can be measured.",
                hint="give the camera's own recording, not an enlarged or stitched one",
            )


def blank_pictures(clip: Clip) -> str | None:
    """Say that pictures are black, white or even, where those asked all are."""
    indices = clip.indices
    asked = sorted({int(indices[k]) for k in np.linspace(0, len(indices) - 1, _ASKED).round().astype(int)})
    spans = [np.percentile(frame.grey8(), (0.5, 99.5)) for frame in clip.frames_at(asked)]
    if any(high - low > _EVEN_SPAN for low, high in spans):
        return None
    low, high = float(np.min(spans)), float(np.max(spans))
    which = "black" if high < 40 else "white" if low > 215 else "of one grey"
    return f"the pictures are {which} (code values {low:.0f} to {high:.0f} of 255)"


def interlaced_words(clip: Clip) -> str:
    """A sentence for a clip without a board whose file says that it is interlaced; empty for others."""
    if not any(finding.code == "interlaced" for finding in clip.info.findings):
        return ""
    return (
        " The file is interlaced: a moving board is then torn into lines of two moments and cannot be read; "
        "record whole (progressive) pictures."
    )


def refuse_exchanged_names(rig: RigDescription | None, clips: Sequence[Clip]) -> None:
    """Raise when files carry the other camera's name or serial, both of them crosswise.

    Raises
    ------
    ConfigError

    Notes
    -----
    Asked are the names of file and folder of every part. Two like cameras with files of neutral names cannot be
    told apart without an earlier calibration (`--prior`).
    """
    if rig is None or len(clips) != 2 or clips[0].shares_pictures(clips[1]):
        return
    told = [[_named(clip, camera) for camera in rig.cameras] for clip in clips]
    if told != [[False, True], [True, False]]:
        return
    first, second = (camera.name for camera in rig.cameras)
    raise ConfigError(
        f"{clips[0].info.origin} and {clips[1].info.origin}: by their names these are of {second} and {first}; "
        f"the rig file {rig.name} lists {first} first.",
        hint="give the footage in the order of the rig file's cameras; if the order is right, rename the files.",
    )


def _named(clip: Clip, camera: CameraDescription) -> bool:
    marks = [mark for mark in (camera.name, camera.serial) if mark is not None]
    places = {word for path in clip_paths(clip) for word in (path.stem, path.parent.name)}
    return any(_words(mark) in _words(place) for mark in marks for place in places)


def clip_paths(clip: Clip) -> list[Path]:
    """The files behind a clip."""
    return [path for part in clip.parts for path in part.files]


def _words(text: str) -> str:
    """Letters and digits in their runs, so that one name can be looked for within another."""
    runs = re.findall(r"[^_\W]+", text.casefold())
    return f"_{'_'.join(runs)}_"
