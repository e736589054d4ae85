"""Footage opened and paired, and what is known of a face before it is looked at; loads no more than this needs."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rigcheck.footage import Clip, Pairing, open_cameras, pair_clips
from rigcheck.landmarks import Looks
from rigcheck.model import CameraDescription, Finding, PerformerLooks

__all__ = ["OpenedFootage", "PairingChoice", "landmark_looks", "open_footage_of"]


@dataclass(frozen=True, kw_only=True)
class PairingChoice:
    """How the two cameras' pictures are paired (see :func:`rigcheck.footage.pair_clips`)."""

    by: Literal["auto", "index", "timecode"] = "auto"
    offset_frames: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class OpenedFootage:
    """The opened clips, paired where there are two."""

    clips: tuple[Clip, ...]
    pairing: Pairing | None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What a person must know of the clips and of their pairing."""
        own = tuple(finding for clip in self.clips for finding in clip.info.findings)
        return own + (() if self.pairing is None else self.pairing.findings)


def open_footage_of(
    names: Sequence[str], footage1: str, footage2: str | None, pairing: PairingChoice | None
) -> OpenedFootage:
    """Open one clip, or two and pair them; `names` are the cameras'."""
    clips = open_cameras([footage1] if footage2 is None else [footage1, footage2], cameras=tuple(names))
    if len(clips) == 1:
        return OpenedFootage(clips=clips, pairing=None)
    how = pairing or PairingChoice()
    return OpenedFootage(
        clips=clips, pairing=pair_clips(clips[0], clips[1], by=how.by, offset_frames=how.offset_frames)
    )


def landmark_looks(looks: PerformerLooks, camera: CameraDescription | None) -> Looks:
    """What widens the sigma of a face's points, by what is said of the performer and of the camera."""
    return Looks(
        glasses=bool(looks.glasses),
        facial_hair=bool(looks.facial_hair),
        hair_over_brows=bool(looks.hair_over_brows),
        heavy_make_up=bool(looks.heavy_make_up),
        near_infrared=camera is not None and camera.wavelength == "near_infrared",
    )
