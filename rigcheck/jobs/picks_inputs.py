"""What `picks` takes beside the footage."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rigcheck.errors import ConfigError
from rigcheck.jobs.fitting_inputs import FittingInputs
from rigcheck.jobs.opening import PairingChoice
from rigcheck.model import Calibration, PerformerRecord, RigDescription
from rigcheck.model.picking import PICK_POSES, PickPose

__all__ = ["PicksInputs", "read_want"]

_MOST_WANTED = 12


@dataclass(frozen=True, kw_only=True)
class PicksInputs:
    """What `picks` takes beside the footage; all optional.

    `want` says how many frames of each pose; `reference` is the number of a picture of camera 1 that a person declares
    a right neutral.
    """

    rig: RigDescription | str | Path | None = None
    calibration: Calibration | str | Path | None = None
    approved: str | Path | None = None
    performer: PerformerRecord | str | Path | None = None
    want: Mapping[PickPose, int] | None = None
    reference: int | None = None
    pairing: PairingChoice | None = None

    @property
    def for_reading(self) -> FittingInputs:
        """The same as a fitting takes them."""
        return FittingInputs(
            rig=self.rig,
            calibration=self.calibration,
            approved=self.approved,
            performer=self.performer,
            pairing=self.pairing,
        )


def read_want(text: str) -> dict[PickPose, int]:
    """Read which poses are wanted, as in ``neutral,bite,side,side``.

    Raises
    ------
    ConfigError
        For an unknown pose, none, or more than twelve.
    """
    names = [name.strip() for name in text.split(",") if name.strip()]
    wanted: dict[PickPose, int] = {}
    for name in names:
        pose = next((each for each in PICK_POSES if each == name.casefold()), None)
        if pose is None:
            raise ConfigError(
                f"--want: {name!r} found, one of {', '.join(PICK_POSES)} needed.",
                hint="as in --want neutral,bite.",
            )
        wanted[pose] = wanted.get(pose, 0) + 1
    if not 0 < len(names) <= _MOST_WANTED:
        raise ConfigError(
            f"--want: {len(names)} frames asked for, 1 to {_MOST_WANTED} needed.",
            hint="as in --want neutral,bite.",
        )
    return wanted
