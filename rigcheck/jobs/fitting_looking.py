"""Looking for the performer's face in the footage of one camera: the mesh's points, or marked ones followed."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import ConfigError, InputError
from rigcheck.face.fitting_run import CameraSeen
from rigcheck.face.framing_cover import work_picture
from rigcheck.face.framing_points import upright_face
from rigcheck.face.framing_pose import Optics
from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.upright import upright_picture
from rigcheck.jobs.fitting_opening import widest_opening
from rigcheck.landmarks import FaceFinder, Looks, NoFace, find_faces, follow_marked
from rigcheck.model import FaceLandmarks, Finding, Frame, MarkedPoints
from rigcheck.opencv import cv2
from rigcheck.records import points_template
from rigcheck.report import OnProgress

__all__ = ["MOST_LOOKS", "FaceNotFound", "LookedCamera", "Marking", "look_for_face", "positions_to_look_at"]

# Moments looked at in a clip, however long: an open mouth lasts about a second.
MOST_LOOKS = 120
# Marked points are followed from picture to picture, so that more of them are needed.
_MOST_FOLLOWED = 240
# What no marking by hand can mend.
_NOT_TO_MARK = ("black", "empty", "board", "turned")
# Marked points and the mesh's show the same face up to this many joint sigmas.
_SAME_FACE = 3.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Marking:
    """A picture for a person to mark, as PNG, and the points file to fill in."""

    camera: str
    picture_png: bytes
    template: str


class FaceNotFound(InputError):
    """No face was found; carries the picture to mark where marking would help."""

    def __init__(self, message: str, *, hint: str, marking: Marking | None) -> None:
        super().__init__(message, hint=hint)
        self.marking = marking


@dataclass(frozen=True, kw_only=True, eq=False)
class LookedCamera:
    """What was seen by one camera, and the pictures without a usable face."""

    seen: CameraSeen
    rejected: tuple[NoFace, ...]


def positions_to_look_at(count: int, *, marked: bool = False, at: int | None = None) -> list[int]:
    """Which of `count` moments to look at: evenly spread; `at` is among them."""
    most = _MOST_FOLLOWED if marked else MOST_LOOKS
    return sorted({*evenly(range(count), most), *(() if at is None else (at,))})


def look_for_face(
    clip: Clip,
    indices: Sequence[int],
    optics: Optics,
    *,
    looks: Looks,
    marked: MarkedPoints | None,
    on_progress: OnProgress,
) -> LookedCamera:
    """Find the face of one camera in these pictures.

    Parameters
    ----------
    clip : Clip
    indices : sequence of int
        `frame_idx` of the pictures to look at.
    optics : Optics
    looks : Looks
        What widens the landmarks' sigma.
    marked : MarkedPoints or None
        Points of this camera that a person marked; they override the mesh's.
    on_progress : callable

    Raises
    ------
    FaceNotFound
        When no picture shows a usable face.
    """
    mount = optics.mount_rotation_deg
    small: dict[int, NDArray[np.float32]] = {}

    def frames() -> Iterator[Frame]:
        for done, frame in enumerate(clip.frames_at(list(indices)), start=1):
            small[frame.ref.frame_idx] = work_picture(upright_picture(frame.grey8(), mount))
            on_progress(done, len(indices))
            yield frame

    finder = FaceFinder(looks)
    if marked is not None:
        faces, rejected, turned, findings = _marked(list(frames()), marked, finder, mount)
    else:
        found = find_faces(frames(), finder, mount_rotation_deg=mount)
        faces, rejected, turned = found.faces, found.rejected, found.turned_deg
        findings = found.findings
    if not faces:
        raise _not_found(clip, rejected, len(indices))
    quarters, turn_deg = turned // 90, (mount + turned) % 360
    return LookedCamera(
        seen=CameraSeen(
            optics=optics,
            name=clip.info.camera,
            faces=faces,
            pictures=tuple(
                np.ascontiguousarray(np.rot90(small[face.ref.frame_idx], k=-quarters)) for face in faces
            ),
            looked=len(indices),
            turned_deg=turned,
            findings=(*findings, *_often(faces)),
            opening=widest_opening(
                clip, [upright_face(face, turn_deg) for face in faces], rejected, turn_deg
            ),
        ),
        rejected=rejected,
    )


def _marked(
    frames: list[Frame], marked: MarkedPoints, finder: FaceFinder, mount: int
) -> tuple[tuple[FaceLandmarks, ...], tuple[NoFace, ...], int, tuple[Finding, ...]]:
    """Follow marked points; where the mesh sees the same face, keep its other points."""
    outcomes = follow_marked(marked, frames)
    faces: list[FaceLandmarks] = []
    rejected: list[NoFace] = []
    merged = 0
    for frame, outcome in zip(frames, outcomes, strict=True):
        if isinstance(outcome, NoFace):
            rejected.append(outcome)
            continue
        mesh = finder.find(frame, mount_rotation_deg=mount)
        same = isinstance(mesh, FaceLandmarks) and _same_face(outcome, mesh)
        merged += same
        faces.append(_overridden(mesh, outcome) if same and isinstance(mesh, FaceLandmarks) else outcome)
    if 0 < merged < len(faces):
        # One kind of points through the clip: a mixture would jump.
        faces = [outcome for outcome in outcomes if isinstance(outcome, FaceLandmarks)]
    which = "with the mesh's other points" if merged == len(faces) else "alone"
    finding = Finding(
        code="marked_points",
        sentence=f"{marked.camera}: {len(marked.points_px)} points marked on frame {marked.frame_idx} were followed "
        f"through the clip and used {which}.",
    )
    return tuple(faces), tuple(rejected), 0, (finding,)


def _same_face(marked: FaceLandmarks, mesh: FaceLandmarks) -> bool:
    known = np.isfinite(marked.points_px[:, 0])
    apart = np.linalg.norm(marked.points_px[known] - mesh.points_px[known], axis=1)
    sigma = np.hypot(marked.sigma_px[known], mesh.sigma_px[known])
    return bool(np.median(apart / sigma) < _SAME_FACE)


def _overridden(mesh: FaceLandmarks, marked: FaceLandmarks) -> FaceLandmarks:
    known = np.isfinite(marked.points_px[:, 0])
    return replace(
        mesh,
        points_px=np.where(known[:, None], marked.points_px, mesh.points_px),
        sigma_px=np.where(known, marked.sigma_px, mesh.sigma_px),
        found_by="followed",
    )


def _often(faces: Sequence[FaceLandmarks]) -> list[Finding]:
    """Findings of single pictures, once each, with how many pictures show it."""
    counts = Counter((finding.code, finding.sentence) for face in faces for finding in face.findings)
    return [
        Finding(
            code=code,
            sentence=f"{faces[0].ref.camera}, {count} of {len(faces)} pictures: {sentence}",
        )
        for (code, sentence), count in counts.items()
    ]


def _not_found(clip: Clip, rejected: Sequence[NoFace], looked: int) -> FaceNotFound:
    codes = Counter(one.code for one in rejected)
    code = codes.most_common(1)[0][0]
    mine = [one for one in rejected if one.code == code]
    example = mine[len(mine) // 2]
    camera = clip.info.camera
    message = f"{clip.info.origin} ({camera}): no usable face in {looked} picture(s). Most often, {example.sentence}"
    if code in _NOT_TO_MARK:
        return FaceNotFound(message, hint=example.hint, marking=None)
    frame = next(clip.frames_at([example.ref.frame_idx]))
    return FaceNotFound(message, hint=example.hint, marking=_marking(frame))


def _marking(frame: Frame) -> Marking:
    done, encoded = cv2.imencode(".png", frame.grey8())
    if not done:
        raise ConfigError(
            f"{frame.ref.label}: cannot be written as PNG.", hint="give a picture of at least one pixel."
        )
    return Marking(
        camera=frame.ref.camera,
        picture_png=encoded.tobytes(),
        template=points_template(frame.ref, frame.size_px),
    )
