"""The focus of a fitting's clip: a few moments of each camera with their neighbours, and of both cameras together."""

from collections.abc import Mapping, Sequence

from rigcheck.face.fitting_run import CameraSeen
from rigcheck.face.focus_moment import FocusMoment, focus_moment
from rigcheck.face.focus_pair import FocusPair, focus_pair
from rigcheck.face.focus_regions import region_outlines, whole_mask
from rigcheck.face.focus_run import CameraFocused, FocusRun, focus_run
from rigcheck.footage import Clip, Pairing
from rigcheck.geometry.spread import evenly
from rigcheck.matching import PairMatcher
from rigcheck.model import FaceLandmarks, Frame, RigDescription, StereoRig
from rigcheck.model._arrays import BoolArray

__all__ = ["PROXY_FOCUS", "face_mask", "measure_focus"]

PROXY_FOCUS = "the rig file marks the footage as a proxy: scaling and coding have taken its fine detail"

# Moments looked at, spread over the clip; and those among them whose skin is matched between the cameras.
_MOMENTS, _MATCHED = 8, 6


def measure_focus(
    clips: Sequence[Clip],
    seen: Sequence[CameraSeen],
    *,
    pairing: Pairing | None = None,
    rig: StereoRig | None = None,
    described: RigDescription | None = None,
) -> FocusRun:
    """Measure the focus of one camera's clip, or two.

    Parameters
    ----------
    clips : sequence of Clip
        Camera originals.
    seen : sequence of CameraSeen
        The faces found in each.
    pairing : Pairing, optional
        Which pictures of two clips belong together.
    rig : StereoRig, optional
        The calibrated pair: gives the depth of the plane of focus. Without it sharpness alone is measured.
    described : RigDescription, optional
        Of the same cameras, in order; gives the lens.

    Returns
    -------
    FocusRun

    Raises
    ------
    InputError
        When a picture cannot be decoded.
    """
    chosen = _shared(seen, pairing) if pairing is not None else []
    wanted = [tuple(moment[k] for moment in chosen) for k in range(len(seen))] if chosen else None
    cameras, frames = [], []
    for k, (clip, one) in enumerate(zip(clips, seen, strict=True)):
        faces = wanted[k] if wanted is not None else evenly(one.faces, _MOMENTS)
        moments, kept = _camera(clip, faces)
        frames.append(kept)
        entry = None if described is None else described.cameras[k]
        cameras.append(CameraFocused(name=one.name, moments=moments, described=entry))
    pairs = () if rig is None or not chosen else _pairs(chosen, frames, rig)
    return focus_run(cameras, pairs, rig)


def face_mask(face: FaceLandmarks) -> BoolArray | None:
    """Where skin may be matched, (H, W): all regions together; None where the face cannot be laid out."""
    return whole_mask(region_outlines(face), face.image_size_px)


def _shared(seen: Sequence[CameraSeen], pairing: Pairing) -> list[tuple[FaceLandmarks, FaceLandmarks]]:
    """Moments in which both cameras see the face, spread over the clip."""
    first, second = ({face.ref.frame_idx: face for face in one.faces} for one in seen)
    both = [
        (first[int(a)], second[int(b)]) for a, b in pairing.indices if int(a) in first and int(b) in second
    ]
    return evenly(both, _MOMENTS)


def _camera(
    clip: Clip, faces: Sequence[FaceLandmarks]
) -> tuple[tuple[FocusMoment, ...], Mapping[int, Frame]]:
    """Each moment measured with the picture just before it, and its picture by index."""
    indices = {int(index): place for place, index in enumerate(clip.indices)}
    before = {
        face.ref.frame_idx: int(clip.indices[indices[face.ref.frame_idx] - 1])
        for face in faces
        if indices[face.ref.frame_idx] > 0
    }
    asked = sorted({*(face.ref.frame_idx for face in faces), *before.values()})
    read = {frame.ref.frame_idx: frame for frame in clip.frames_at(asked)}
    moments = tuple(
        focus_moment(read[face.ref.frame_idx], face, before=read.get(before.get(face.ref.frame_idx, -1)))
        for face in faces
    )
    return moments, {face.ref.frame_idx: read[face.ref.frame_idx] for face in faces}


def _pairs(
    chosen: Sequence[tuple[FaceLandmarks, FaceLandmarks]],
    frames: Sequence[Mapping[int, Frame]],
    rig: StereoRig,
) -> tuple[FocusPair, ...]:
    matcher = PairMatcher(rig)
    out = []
    for faces in evenly(chosen, _MATCHED):
        pictures = [of[face.ref.frame_idx] for of, face in zip(frames, faces, strict=True)]
        masks = [face_mask(face) for face in faces]
        if masks[0] is None or masks[1] is None:
            continue
        matches = matcher.match(pictures[0].grey8(), pictures[1].grey8(), mask1=masks[0], mask2=masks[1])
        out.append(focus_pair(pictures, faces, matches, rig))
    return tuple(out)
