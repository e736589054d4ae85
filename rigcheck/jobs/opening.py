"""Opening the footage of one camera or of a pair, named and described by the rig file where there is one."""

from pathlib import Path

from rigcheck.checks import effective_limits
from rigcheck.errors import ConfigError
from rigcheck.footage import Clip, parse_footage
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.jobs.inspecting import Light
from rigcheck.jobs.opened import OpenedFootage, PairingChoice, landmark_looks, open_footage_of
from rigcheck.model import CameraDescription, EffectiveLimit, RigDescription
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


def camera_light(camera: CameraDescription) -> Light:
    """How a camera's code values stand to light, by the rig file."""
    table = linear_light_table(
        camera.transfer, black_level=camera.black_level, video_range=camera.value_range == "video"
    )
    return Light(table=table, black_level=camera.black_level)


def camera_setup(clip: Clip, number: int, rig: RigDescription | None) -> CameraSetup:
    """What is known of a clip's camera before solving."""
    rate = clip.info.frame_rate
    return CameraSetup(
        name=clip.info.camera,
        image_size_px=clip.info.size_px,
        frame_rate_hz=None if rate is None else float(rate),
        mount_rotation_deg=0 if rig is None else rig.cameras[number].mount_rotation_deg,
    )
