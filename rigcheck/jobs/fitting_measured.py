"""Framing, focus and exposure of a fitting put together, and the pictures that the report shows of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rigcheck.checks import EXPOSURE_CHECKS, FOCUS_CHECKS, FRAMING_CHECKS, Limits, run_checks
from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.exposure_run import ExposureRun
from rigcheck.face.fitting_run import CameraSeen, FittingRun
from rigcheck.face.focus_moment import FocusMoment
from rigcheck.face.focus_run import FocusRun
from rigcheck.footage import Clip
from rigcheck.geometry.upright import upright_picture
from rigcheck.jobs.fitting_focus import measure_focus
from rigcheck.jobs.fitting_inputs import ReadInputs
from rigcheck.jobs.fitting_light import measure_light
from rigcheck.jobs.fitting_looking import LookedCamera
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.model import CheckResult, Estimate
from rigcheck.report import ProgressSink
from rigcheck.report.fitting_page import FocusShown, LightShown

__all__ = ["Measured", "shown_focus", "shown_frames", "shown_light"]


def shown_frames(
    run: FittingRun, clips: Sequence[Clip], seen: Sequence[CameraSeen]
) -> dict[str, NDArray[np.uint8]]:
    """Give the picture of each camera that the report shows, upright."""
    out = {}
    for framing, clip, one in zip(run.cameras, clips, seen, strict=True):
        frame = next(clip.frames_at([framing.face.ref.frame_idx]))
        out[framing.name] = upright_picture(frame.grey8(), one.turn_deg)
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """All that a fitting's checks judge."""

    framing: FittingRun
    focus: FocusRun | None
    light: ExposureRun | None

    def measurements(self) -> dict[str, Estimate]:
        """All numbers, named as in result.json."""
        parts = (part for part in (self.framing, self.focus, self.light) if part is not None)
        return {name: number for part in parts for name, number in part.measurements.items()}

    def judged(self, limits: Limits) -> tuple[CheckResult, ...]:
        """What the checks make of them."""
        focus = () if self.focus is None else run_checks(FOCUS_CHECKS, self.focus, limits)
        light = () if self.light is None else run_checks(EXPOSURE_CHECKS, self.light, limits)
        return (*run_checks(FRAMING_CHECKS, self.framing, limits), *focus, *light)


def shown_light(
    footage: OpenedFootage,
    looked: Sequence[LookedCamera],
    read: ReadInputs,
    tables: Mapping[str, Path],
    progress: ProgressSink,
) -> LightShown | None:
    """Give the exposure of the camera original; None for a proxy."""
    if read.rig is not None and read.rig.proxy is not None:
        return None
    track = progress.track("Measuring the light")
    track(0, 1)
    seen = [one.seen for one in looked]
    found = measure_light(footage.clips, seen, rig=read.rig, looks=read.looks, tables=tables)
    turns = {one.name: one.turn_deg for one in seen}
    shown = {camera.name: camera.shown for camera in found.cameras}
    pictures = _pictures(footage.clips, shown, turns)
    track(1, 1)
    return LightShown(run=found, pictures=pictures, turns=turns)


def shown_focus(
    footage: OpenedFootage, looked: Sequence[LookedCamera], read: ReadInputs, progress: ProgressSink
) -> FocusShown | None:
    """Give the focus of the camera original; None for a proxy."""
    if read.rig is not None and read.rig.proxy is not None:
        return None
    track = progress.track("Measuring the focus")
    track(0, 1)
    seen = [one.seen for one in looked]
    found = measure_focus(footage.clips, seen, pairing=footage.pairing, rig=read.pair, described=read.rig)
    turns = {one.name: one.turn_deg for one in seen}
    shown = {camera.name: camera.shown for camera in found.cameras}
    pictures = _pictures(footage.clips, shown, turns)
    track(1, 1)
    return FocusShown(run=found, pictures=pictures, turns=turns)


def _pictures(
    clips: Sequence[Clip],
    shown: Mapping[str, FocusMoment | ExposureMoment | None],
    turns: Mapping[str, int],
) -> dict[str, NDArray[np.uint8]]:
    """Each camera's picture of its shown moment, upright."""
    out = {}
    for clip in clips:
        moment = shown[clip.info.camera]
        if moment is not None:
            frame = next(clip.frames_at([moment.ref.frame_idx]))
            out[clip.info.camera] = upright_picture(frame.grey8(), turns[clip.info.camera])
    return out
