"""Opening the footage of one camera or of a pair, named and described by the rig file where there is one."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rigcheck.checks import effective_limits
from rigcheck.errors import ConfigError
from rigcheck.footage import Clip, Pairing, open_cameras, pair_clips, parse_footage
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.jobs.inspecting import Light
from rigcheck.landmarks import Looks
from rigcheck.model import CameraDescription, EffectiveLimit, Finding, PerformerLooks, RigDescription
from rigcheck.target.edges import linear_light_table

__all__ = [
    "OpenedFootage",
    "PairingChoice",
    "camera_light",
    "camera_names",
    "camera_setup",
    "footage_paths",
    "landmark_looks",
    "limits_of",
    "number_of_cameras",
    "open_footage_of",
    "refuse_proxy",
]


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


def footage_paths(*footage: str | Path | None) -> tuple[str, ...]:
    """Files and folders that FOOTAGE names, so that nothing is written over or into them.

    Raises
    ------
    InputError
        When the text is no FOOTAGE.
    """
    requests = [parse_footage(str(text)) for text in footage if text is not None]
    return tuple(str(part.path) for request in requests for part in request.parts)


def refuse_proxy(rig: RigDescription | None, needed_by: str = "a calibration") -> None:
    """Raise ConfigError when the rig file marks its footage as a proxy."""
    if rig is not None and rig.proxy is not None:
        raise ConfigError(
            f"{rig.name}: the rig file marks its footage as a proxy (scale {rig.proxy.scale:g}); "
            f"{needed_by} needs the camera original.",
            hint="give the camera original and a rig file without the proxy entry.",
        )


def number_of_cameras(footage1: str, footage2: str | None) -> int:
    """How many cameras the FOOTAGE given holds.

    Raises
    ------
    ConfigError
        When one file holds both and another is given too.
    """
    both_in_one = parse_footage(footage1).layout is not None
    if both_in_one and footage2 is not None:
        raise ConfigError(
            f"{footage1}: holds both cameras, yet {footage2} is given too.",
            hint="give the file that holds both cameras alone.",
        )
    return 2 if both_in_one or footage2 is not None else 1


def limits_of(
    rig: RigDescription | None, given: RigDescription | str | Path | None
) -> tuple[EffectiveLimit, ...]:
    """Limits in force with a rig file's overrides, single cameras' among them.

    Parameters
    ----------
    rig : RigDescription or None
    given : RigDescription, path or None
        As the user gave it: named where an override is wrong.

    Raises
    ------
    ConfigError
        See :func:`rigcheck.checks.effective_limits`.
    """
    if rig is None:
        return effective_limits()
    origin = str(given) if isinstance(given, str | Path) else "rig"
    return effective_limits(rig.limits, origin=origin, cameras=[camera.name for camera in rig.cameras])


def camera_names(rig: RigDescription | None, count: int) -> tuple[str, ...]:
    """Names of the cameras: the rig file's, else camera1 and camera2."""
    if rig is None:
        return tuple(f"camera{number}" for number in range(1, count + 1))
    if len(rig.cameras) != count:
        raise ConfigError(
            f"{rig.name}: the rig file describes {len(rig.cameras)} camera(s), footage of {count} is given.",
            hint="give one footage a camera, in the order of the rig file, or the rig file of this rig.",
        )
    return tuple(camera.name for camera in rig.cameras)


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


def camera_light(camera: CameraDescription) -> Light:
    """How a camera's code values stand to light, by the rig file."""
    table = linear_light_table(
        camera.transfer, black_level=camera.black_level, video_range=camera.value_range == "video"
    )
    return Light(table=table, black_level=camera.black_level)


def landmark_looks(looks: PerformerLooks, camera: CameraDescription | None) -> Looks:
    """What widens the sigma of a face's points, by what is said of the performer and of the camera."""
    return Looks(
        glasses=bool(looks.glasses),
        facial_hair=bool(looks.facial_hair),
        hair_over_brows=bool(looks.hair_over_brows),
        heavy_make_up=bool(looks.heavy_make_up),
        near_infrared=camera is not None and camera.wavelength == "near_infrared",
    )


def camera_setup(clip: Clip, number: int, rig: RigDescription | None) -> CameraSetup:
    """What is known of a clip's camera before solving."""
    rate = clip.info.frame_rate
    return CameraSetup(
        name=clip.info.camera,
        image_size_px=clip.info.size_px,
        frame_rate_hz=None if rate is None else float(rate),
        mount_rotation_deg=0 if rig is None else rig.cameras[number].mount_rotation_deg,
    )
