"""What makes footage unusable before a board is looked for, and what it is where none is found."""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rigcheck.errors import ConfigError, InputError
from rigcheck.footage import Clip
from rigcheck.model import CameraDescription, RigDescription

__all__ = [
    "blank_pictures",
    "clip_paths",
    "interlaced_words",
    "refuse_exchanged_names",
    "refuse_sizes",
]

# A board of nine squares of a few pixels; below it nothing is found.
LEAST_SIDE_PX = 64
# Half as much again as the sides of the largest cinema sensors, 8192 px (common practice); a picture of
# 20,000 px squared takes minutes and gigabytes.
MOST_SIDE_PX = 12_000
_ASKED = 3
# A shorter one may be a reel's number.
_LEAST_SERIAL = 3
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
    """Raise when files carry the other camera's name or serial, both crosswise; or state the other's serial.

    Raises
    ------
    ConfigError

    Notes
    -----
    Asked are the names of file and folder of every part, and what video files state of the device that recorded
    them. Names are given by people: they are believed where both are crosswise; a serial written by the camera is
    believed by itself. Two like cameras with files that say nothing cannot be told apart here: see `--prior`, and
    the sensors' hot pixels (:mod:`rigcheck.drift.sensors`).
    """
    if rig is None or len(clips) != 2 or clips[0].shares_pictures(clips[1]):
        return
    for own, clip in enumerate(clips):
        _refuse_other_serial(clip, rig, own)
    told = [[_named(clip, camera) for camera in rig.cameras] for clip in clips]
    if told != [[False, True], [True, False]]:
        return
    first, second = (camera.name for camera in rig.cameras)
    raise ConfigError(
        f"{clips[0].info.origin} and {clips[1].info.origin}: by their names these are of {second} and {first}; "
        f"the rig file {rig.name} lists {first} first.",
        hint="give the footage in the order of the rig file's cameras; if the order is right, rename the files.",
    )


def _refuse_other_serial(clip: Clip, rig: RigDescription, own: int) -> None:
    stated = [_words(text) for text in clip.info.devices]
    theirs = [
        camera
        for camera in rig.cameras
        if camera.serial is not None
        and len(camera.serial) >= _LEAST_SERIAL
        and any(_words(camera.serial) in text for text in stated)
    ]
    if not theirs or rig.cameras[own] in theirs:
        return
    raise ConfigError(
        f"{clip.info.origin}: the file states the serial {theirs[0].serial}, which is that of {theirs[0].name}; it is "
        f"given as the footage of {rig.cameras[own].name}.",
        hint="give the footage in the order of the rig file's cameras; if the order is right, cameras or cards were "
        "exchanged, or the rig file's serials are.",
    )


def _named(clip: Clip, camera: CameraDescription) -> bool:
    marks = [mark for mark in (camera.name, camera.serial) if mark is not None]
    places = {word for path in clip_paths(clip) for word in (path.stem, path.parent.name)} | {
        *clip.info.devices
    }
    return any(_words(mark) in _words(place) for mark in marks for place in places)


def clip_paths(clip: Clip) -> list[Path]:
    """The files behind a clip."""
    return [path for part in clip.parts for path in part.files]


def _words(text: str) -> str:
    """Letters and digits in their runs, so that one name can be looked for within another."""
    runs = re.findall(r"[^_\W]+", text.casefold())
    return f"_{'_'.join(runs)}_"
