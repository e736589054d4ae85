"""The face through a clip: how it stands, and frames in which it is where it cannot be."""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np

from rigcheck.geometry.upright import upright_points
from rigcheck.landmarks.finder import FaceFinder
from rigcheck.landmarks.gates import face_shape
from rigcheck.landmarks.noface import NoFace, no_face
from rigcheck.model import FaceLandmarks, Finding, Frame
from rigcheck.model._arrays import FloatArray

__all__ = ["FaceClip", "find_faces"]

_VOTES = 5  # pictures that decide together how the face stands
_DOTLESS = 2  # faces without dots after which none are looked for
_NEIGHBOURS = 4  # found faces before and after that say where a face is to be expected
_MOST_MOVE = 0.4  # eye distances off the neighbours' median
_MOST_GROWTH = 1.3
_MOST_ROLL_DEG = 25.0


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceClip:
    """Faces of one camera's pictures, in order, and the pictures without one.

    `turned_deg` is by how much further than the mounting says the pictures have to be turned clockwise: 0 as
    expected. `findings` are sentences about the clip as a whole.
    """

    faces: tuple[FaceLandmarks, ...]
    rejected: tuple[NoFace, ...]
    turned_deg: int = 0
    findings: tuple[Finding, ...] = ()


def find_faces(
    frames: Iterable[Frame], finder: FaceFinder, *, mount_rotation_deg: int = 0, dots_once: bool = False
) -> FaceClip:
    """Find the face in each picture of one camera.

    Parameters
    ----------
    frames : iterable of Frame
        In order of time. At most five are held at once.
    finder : FaceFinder
    mount_rotation_deg : int
        From the rig file: 0, 90, 180 or 270.
    dots_once : bool
        Where the first two faces show no painted dots look for none on the others.

    Notes
    -----
    Where the first pictures show a face only turned further, and agree on the turn (at least three of the
    first five, and more than show it upright), all are looked at turned; `turned_deg` and a finding say
    so. A face that lies 0.4 eye distances off the median of its neighbours in time, is larger or smaller by a
    factor of 1.3 or rolled by 25° against them is left out: in a helmet a face hardly moves.
    """
    stream = iter(frames)
    held = list(itertools.islice(stream, _VOTES))
    look: _Look = partial(finder.find, mount_rotation_deg=mount_rotation_deg)
    outcomes = _looked_at(held, look, dots_once=dots_once)
    turned = voted_turn(outcomes)
    if turned:
        look = partial(finder.find_turned, mount_rotation_deg=mount_rotation_deg, turned_deg=turned)
        outcomes = _looked_at(held, look, dots_once=dots_once)
    elif sum(isinstance(outcome, FaceLandmarks) for outcome in outcomes) > _VOTES // 2:
        # It stands as expected: no need to try each doubtful picture turned.
        look = partial(finder.find_turned, mount_rotation_deg=mount_rotation_deg, turned_deg=0)
    held.clear()
    outcomes = _looked_at(stream, look, dots_once=dots_once, after=outcomes)
    findings = (_turned_finding(turned, mount_rotation_deg),) if turned else ()
    return _steady(outcomes, mount_rotation_deg, turned, findings)


class _Look(Protocol):
    def __call__(self, frame: Frame, *, dotted: bool) -> FaceLandmarks | NoFace: ...


def _looked_at(
    frames: Iterable[Frame], look: _Look, *, dots_once: bool, after: Sequence[FaceLandmarks | NoFace] = ()
) -> list[FaceLandmarks | NoFace]:
    """Outcomes of pictures, behind those of earlier ones."""
    outcomes = list(after)
    for frame in frames:
        faces = [outcome for outcome in outcomes if isinstance(outcome, FaceLandmarks)]
        plain = len(faces) >= _DOTLESS and not any(
            one.code == "dots" for face in faces for one in face.findings
        )
        outcomes.append(look(frame, dotted=not (dots_once and plain)))
    return outcomes


def voted_turn(outcomes: Iterable[FaceLandmarks | NoFace]) -> int:
    """Turn that pictures agree on: at least three, and more than stand as expected or turned otherwise; else 0."""
    votes = {0: 0, 90: 0, 180: 0, 270: 0}
    for outcome in outcomes:
        if isinstance(outcome, FaceLandmarks):
            votes[0] += 1
        elif outcome.code == "turned":
            votes[outcome.turned_deg] += 1
    turn = max(votes, key=lambda each: votes[each])
    others = sum(votes.values()) - votes[turn]
    return turn if votes[turn] >= 3 and votes[turn] > others else 0


def _turned_finding(turned: int, mount_rotation_deg: int) -> Finding:
    wanted = (mount_rotation_deg + turned) % 360
    return Finding(
        code="face_turned",
        sentence=f"The face only fits when the pictures are turned by {turned}° clockwise beyond the mounting in the "
        f"rig file: write mount_rotation_deg: {wanted} there if the camera is mounted so.",
    )


def _steady(
    outcomes: list[FaceLandmarks | NoFace],
    mount_rotation_deg: int,
    turned: int,
    findings: tuple[Finding, ...],
) -> FaceClip:
    """Leave out faces that jump against their neighbours in time."""
    faces = [outcome for outcome in outcomes if isinstance(outcome, FaceLandmarks)]
    rejected = [outcome for outcome in outcomes if isinstance(outcome, NoFace)]
    if len(faces) < 3:
        return FaceClip(faces=tuple(faces), rejected=tuple(rejected), turned_deg=turned, findings=findings)
    turn_deg = (mount_rotation_deg + turned) % 360
    rows = np.array([_place(face, turn_deg) for face in faces])
    kept = []
    for k, face in enumerate(faces):
        around = np.r_[max(0, k - _NEIGHBOURS) : k, k + 1 : min(len(faces), k + 1 + _NEIGHBOURS)]
        fault = _jump(rows[k], np.median(rows[around], axis=0))
        if fault is None:
            kept.append(face)
        else:
            rejected.append(no_face(face.ref, "jump", detail=fault))
    order = sorted(rejected, key=lambda each: each.ref.frame_idx)
    return FaceClip(faces=tuple(kept), rejected=tuple(order), turned_deg=turned, findings=findings)


def _place(face: FaceLandmarks, turn_deg: int) -> FloatArray:
    """Base of the nose (x, y), log eye distance and roll in degrees, upright."""
    points = upright_points(face.points_px, face.image_size_px, turn_deg)
    shape = face_shape(points)
    return np.array([*points[2], np.log(shape.eye_distance_px), shape.roll_deg])


def _jump(row: FloatArray, usual: FloatArray) -> str | None:
    move = float(np.linalg.norm(row[:2] - usual[:2]) / np.exp(usual[2]))
    if move > _MOST_MOVE:
        return f"it is {move:.1f} eye distances away"
    if abs(row[2] - usual[2]) > np.log(_MOST_GROWTH):
        return f"its size changes by a factor of {np.exp(row[2] - usual[2]):.2f}"
    if abs(row[3] - usual[3]) > _MOST_ROLL_DEG:
        return f"it is rolled by {row[3] - usual[3]:.0f}°"
    return None
