"""The exposure of a fitting's clip: a few moments in full depth and colour, and a run of neighbours for flicker."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_curve import NoiseLevel, noise_levels
from rigcheck.face.exposure_flicker import LightSeries
from rigcheck.face.exposure_light import LightCurve, light_curve
from rigcheck.face.exposure_moment import ExposureMoment, exposure_moment, skin_level
from rigcheck.face.exposure_run import CameraExposed, ExposureRun, exposure_run
from rigcheck.face.fitting_run import CameraSeen
from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.jobs.fitting_beats import sparse_light
from rigcheck.model import CameraDescription, PerformerLooks, RigDescription
from rigcheck.records import read_transfer_table, transfer_table_path

__all__ = ["PROXY_LIGHT", "measure_light", "transfer_tables"]

PROXY_LIGHT = "the rig file marks the footage as a proxy: its light is not the camera's"

# Moments looked at, spread over the clip, and pictures among them whose noise is held against the transfer curve.
_MOMENTS, _NOISE_PICTURES = 8, 3
# Neighbouring pictures for flicker: a beat of 1 Hz shows in 2.5 s; more costs decoding.
_RUN_S, _MOST_RUN, _LEAST_RUN = 2.5, 150, 24


def measure_light(
    clips: Sequence[Clip],
    seen: Sequence[CameraSeen],
    *,
    rig: RigDescription | None,
    looks: PerformerLooks,
    tables: Mapping[str, Path] | None = None,
) -> ExposureRun:
    """Measure the exposure of one camera's clip, or two.

    Parameters
    ----------
    clips : sequence of Clip
    seen : sequence of CameraSeen
        The faces found in each.
    rig : RigDescription, optional
        Of the same cameras, in order; gives transfer curve, black level, range and shutter.
    looks : PerformerLooks
        Facial hair and hair over the brows are left out of the skin.
    tables : mapping, optional
        Camera name to the file of its measured transfer curve.

    Returns
    -------
    ExposureRun

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    described = [None] * len(clips) if rig is None else list(rig.cameras)
    rate = None if rig is None or rig.frame_rate is None else float(rig.frame_rate)
    return exposure_run(
        [
            _camera(clip, one, tables or {}, described=camera, looks=looks, rate=rate)
            for clip, one, camera in zip(clips, seen, described, strict=True)
        ]
    )


def _camera(
    clip: Clip,
    seen: CameraSeen,
    tables: Mapping[str, Path],
    *,
    described: CameraDescription | None,
    looks: PerformerLooks,
    rate: float | None,
) -> CameraExposed:
    curve = _curve(clip, described, tables, full_range=clip.info.colour)
    faces = {face.ref.frame_idx: face for face in evenly(seen.faces, _MOMENTS)}
    noisy = set(list(faces)[:: max(len(faces) // _NOISE_PICTURES, 1)][:_NOISE_PICTURES])
    moments: list[ExposureMoment] = []
    noise: list[NoiseLevel] = []
    for frame in clip.frames_at(sorted(faces), colour=clip.info.colour):
        index = frame.ref.frame_idx
        moments.append(
            exposure_moment(
                frame,
                faces[index],
                curve,
                facial_hair=bool(looks.facial_hair),
                hair_over_brows=bool(looks.hair_over_brows),
            )
        )
        if index in noisy and moments[-1].layout is not None:
            noise += noise_levels(frame, moments[-1].layout, curve)
    of_clip = None if clip.info.frame_rate is None else float(clip.info.frame_rate)
    luma = _curve(clip, described, tables, full_range=False) if clip.info.colour else curve
    return CameraExposed(
        name=clip.info.camera,
        curve=curve,
        moments=tuple(moments),
        series=_series(clip, moments, curve, of_clip or rate),
        sparse=sparse_light(clip, seen, luma, of_clip or rate),
        noise=tuple(noise),
        frame_rate=of_clip or rate,
        shutter_s=None if described is None else described.shutter_s,
    )


def transfer_tables(rig: RigDescription | None, rig_file: str | Path | None) -> dict[str, Path]:
    """Files of measured transfer curves that a rig file names, by camera."""
    if rig is None or rig_file is None:
        return {}
    found = {camera.name: transfer_table_path(camera, rig_file) for camera in rig.cameras}
    return {name: path for name, path in found.items() if path is not None}


def _curve(
    clip: Clip, described: CameraDescription | None, tables: Mapping[str, Path], *, full_range: bool
) -> LightCurve:
    """The stated curve; the range that the file states where the rig file does not."""
    if described is not None and described.value_range is None and clip.info.value_range is not None:
        described = replace(described, value_range=clip.info.value_range)
    path, depth = tables.get(clip.info.camera), clip.info.bit_depth
    table = None if path is None else read_transfer_table(path, bit_depth=depth)
    return light_curve(described, bit_depth=depth, full_range=full_range, table=table)


def _series(
    clip: Clip, moments: Sequence[ExposureMoment], curve: LightCurve, rate: float | None
) -> LightSeries | None:
    """Light of the skin over neighbouring pictures around the middle; None where neighbours are not known in time."""
    laid = [(moment.ref, moment.layout) for moment in moments if moment.layout is not None]
    if not laid or curve.light is None or rate is None:
        return None
    ref, layout = laid[len(laid) // 2]
    run = _run(clip.indices, ref.frame_idx, min(max(round(_RUN_S * rate), _LEAST_RUN), _MOST_RUN))
    times, light = [], []
    for count, frame in enumerate(clip.frames_at(run, colour=clip.info.colour)):
        times.append(count / rate if frame.ref.time_s is None else frame.ref.time_s)
        light.append(skin_level(frame, layout, curve))
    return LightSeries(times_s=np.array(times), light=np.array(light))


def _run(indices: NDArray[np.int64], around: int, length: int) -> NDArray[np.int64]:
    """Neighbouring indices around one of them."""
    place = int(np.searchsorted(indices, around))
    first = min(max(place - length // 2, 0), max(len(indices) - length, 0))
    return np.asarray(indices[first : first + length])
