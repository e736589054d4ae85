"""What looks through a clip for picks, set up from rig file, calibration and record."""

from rigcheck.face.picks_glance import LOOK_EVERY_S, Glancer
from rigcheck.face.picks_reading import MomentReader
from rigcheck.jobs.fitting_inputs import ReadInputs
from rigcheck.jobs.opening import OpenedFootage, landmark_looks
from rigcheck.jobs.picks_looking import Glances
from rigcheck.landmarks import Looks

__all__ = ["glancers", "linear", "mount", "reader"]

_MOST_SHAPES = 1200  # of the face in the first look


def mount(read: ReadInputs, camera_idx: int) -> int:
    """By how much a camera's pictures are turned clockwise to stand upright, degrees, by the rig file."""
    described = read.described(camera_idx)
    return 0 if described is None else described.mount_rotation_deg


def _black(read: ReadInputs, camera_idx: int) -> float:
    described = read.described(camera_idx)
    return 0.0 if described is None else described.black_level or 0.0


def linear(read: ReadInputs) -> list[str]:
    """Names of cameras that record linear code values."""
    return [] if read.rig is None else [each.name for each in read.rig.cameras if each.transfer == "linear"]


def glancers(read: ReadInputs, footage: OpenedFootage) -> list[Glancer]:
    """Make one a camera; the face's shape is read less often in long clips, so that reading costs no more."""
    rate = footage.clips[0].info.frame_rate
    seconds = len(footage.clips[0]) / float(rate) if rate else 0.0
    return [
        Glancer(
            mount_rotation_deg=mount(read, k),
            black_dn=_black(read, k),
            look_every_s=max(LOOK_EVERY_S, seconds / _MOST_SHAPES),
            looks=landmark_looks(read.looks, read.described(k)),
        )
        for k in range(len(read.names))
    ]


def _least_sure(read: ReadInputs) -> Looks:
    """Looks for a reader of all cameras: those of the camera that is least sure, one in near infrared."""
    every = [landmark_looks(read.looks, read.described(k)) for k in range(len(read.names))]
    return next((each for each in every if each.near_infrared), every[0])


def reader(read: ReadInputs, glances: Glances) -> MomentReader:
    """Make a reader of both cameras' moments."""
    return MomentReader(
        mounts_deg={name: mount(read, k) for k, name in enumerate(read.names)},
        turned_deg=glances.turned_deg,
        black_dn={name: _black(read, k) for k, name in enumerate(read.names)},
        rig=read.pair,
        looks=_least_sure(read),
    )
