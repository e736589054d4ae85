"""Light at moments far apart, for beats too slow for a run of neighbours: mostly from pictures already looked at."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_slow import MOST_SLOW_S, SparseLight
from rigcheck.face.exposure_spots import UPPER_PLACES, face_moves, spot_light
from rigcheck.face.fitting_run import CameraSeen
from rigcheck.face.framing_cover import work_picture
from rigcheck.face.framing_points import UprightFace, upright_face
from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.upright import upright_picture
from rigcheck.model import FrameRef

__all__ = ["sparse_light"]

# Moments looked at for the face will do when they lie no further apart; else key pictures are read between them, so
# many at most: each is decoded alone, about 10 ms.
_FAR_APART_S, _MOST_KEYS = 1.0, 48


def sparse_light(clip: Clip, seen: CameraSeen, curve: LightCurve, rate: float | None) -> SparseLight | None:
    """Light of the upper face over up to `MOST_SLOW_S` around the middle of the clip.

    Parameters
    ----------
    clip : Clip
    seen : CameraSeen
        Faces with their small pictures.
    curve : LightCurve
        Of luma as recorded.
    rate : float or None
        Frames a second.

    Returns
    -------
    SparseLight or None
        None without a curve, a frame rate or small pictures.

    Raises
    ------
    InputError
        When a picture cannot be decoded.

    Notes
    -----
    Key pictures, read where faces were looked for too seldom, have no landmarks of their own: those of the nearest face
    stand in, and nothing is known of moves.
    """
    if curve.light is None or rate is None or len(seen.pictures) != len(seen.faces) or len(seen.faces) < 2:
        return None
    faces = [upright_face(face, seen.turn_deg) for face in seen.faces]
    indices = np.array([face.ref.frame_idx for face in faces])
    times = np.array([_time_s(face.ref, clip, rate) for face in faces])
    near = np.abs(times - times[len(times) // 2]) <= MOST_SLOW_S / 2.0
    light = np.array([spot_light(seen.pictures[k], faces[k], curve) for k in np.flatnonzero(near)])
    inside = [faces[k] for k in np.flatnonzero(near)]
    if near.sum() > 1 and np.median(np.diff(times[near])) <= _FAR_APART_S:
        return SparseLight(times_s=times[near], light=light, moves=face_moves(inside))
    middle = int(indices[len(indices) // 2])
    keys = _keys(clip, indices, middle, reach=round(MOST_SLOW_S / 2.0 * rate))
    key_times, key_light = _read(clip, keys, faces=faces, turn_deg=seen.turn_deg, curve=curve, rate=rate)
    return SparseLight(
        times_s=np.concatenate([times[near], key_times]),
        light=np.concatenate([light, key_light]),
        moves=np.zeros((len(light) + len(key_light), 0)),
    )


def _time_s(ref: FrameRef, clip: Clip, rate: float) -> float:
    # Each file of a clip counts its times from its own start.
    return ref.frame_idx / rate if ref.time_s is None or len(clip.parts) > 1 else ref.time_s


def _keys(clip: Clip, looked: NDArray[np.int64], middle: int, *, reach: int) -> list[int]:
    """Key pictures around the middle that were not looked at."""
    keys = clip.key_indices
    near = keys[(np.abs(keys - middle) <= reach) & ~np.isin(keys, looked)]
    return evenly(near.tolist(), _MOST_KEYS)


def _read(
    clip: Clip,
    keys: Sequence[int],
    *,
    faces: Sequence[UprightFace],
    turn_deg: int,
    curve: LightCurve,
    rate: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and light of pictures without landmarks of their own."""
    indices = np.array([face.ref.frame_idx for face in faces])
    times, light = [], []
    for frame in clip.frames_at(keys):
        face = faces[int(np.argmin(np.abs(indices - frame.ref.frame_idx)))]
        small = work_picture(upright_picture(frame.grey8(), turn_deg))
        times.append(_time_s(frame.ref, clip, rate))
        light.append(spot_light(small, face, curve))
    return np.array(times), np.array(light).reshape(len(light), len(UPPER_PLACES))
