"""What `fitting` takes beside the footage: read, and fitted to each other."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rigcheck.errors import ConfigError
from rigcheck.jobs.opening import PairingChoice, camera_names, number_of_cameras
from rigcheck.jobs.wearing import WornSaid, said_now
from rigcheck.model import (
    Calibration,
    CameraDescription,
    MarkedPoints,
    PerformerLooks,
    PerformerRecord,
    Report,
    RigDescription,
    StereoRig,
)
from rigcheck.records import (
    file_sha256,
    read_calibration,
    read_performer,
    read_points,
    read_result,
    read_rig,
)

UNNAMED = "unnamed"

__all__ = ["UNNAMED", "FittingInputs", "ReadInputs", "asked", "read_inputs", "read_inputs_for"]


@dataclass(frozen=True, kw_only=True)
class FittingInputs:
    """What `fitting` takes beside the footage; all optional.

    `looks` are said now and override the record's; what nobody has said stays open. `worn` is added to the record.
    """

    rig: RigDescription | str | Path | None = None
    calibration: Calibration | str | Path | None = None
    points: Sequence[str | Path] = ()
    approved: str | Path | None = None
    performer: PerformerRecord | str | Path | None = None
    code_name: str | None = None
    looks: PerformerLooks | None = None
    worn: WornSaid | None = None
    pairing: PairingChoice | None = None

    @property
    def files(self) -> tuple[str, ...]:
        """Paths among the inputs."""
        single = (self.rig, self.calibration, self.approved, self.performer)
        return tuple(str(each) for each in (*single, *self.points) if isinstance(each, str | Path))


@dataclass(frozen=True, kw_only=True, eq=False)
class ReadInputs:
    """The inputs as read and fitted to each other."""

    rig: RigDescription | None
    calibration: Calibration | None
    names: tuple[str, ...]
    marked: dict[str, MarkedPoints]
    approved: Report | None
    approved_sha256: str
    record: PerformerRecord
    looks: PerformerLooks
    notes: tuple[str, ...]

    @property
    def pair(self) -> StereoRig | None:
        """The calibrated pair; None for one camera, and without a calibration."""
        known = self.calibration
        return None if known is None or known.stereo is None else known.rig

    def described(self, camera_idx: int) -> CameraDescription | None:
        """What the rig file says of a camera; None without a rig file."""
        return None if self.rig is None else self.rig.cameras[camera_idx]


def asked(given: FittingInputs, ask: Callable[[str], bool]) -> FittingInputs:
    """Ask about the looks that neither the record nor the options say; once known they stay in the record.

    Parameters
    ----------
    given : FittingInputs
    ask : callable
        Name of a look to yes or no.
    """
    looks = _said(_record(given), given.looks)
    for name in looks.unknown:
        looks = looks.answered(name, ask(name))
    return replace(given, looks=looks)


def read_inputs(footage1: str, footage2: str | None, given: FittingInputs) -> ReadInputs:
    """Read what is given beside the footage, and refuse what does not belong together.

    Raises
    ------
    RigcheckError
        InputError, ConfigError or SchemaError.
    """
    return read_inputs_for(number_of_cameras(footage1, footage2), given)


def read_inputs_for(count: int, given: FittingInputs) -> ReadInputs:
    """Read what is given beside the pictures of one camera or two, as `read_inputs` does."""
    rig = given.rig if isinstance(given.rig, RigDescription) or given.rig is None else read_rig(given.rig)
    calibration = given.calibration
    if isinstance(calibration, str | Path):
        calibration = read_calibration(calibration)
    notes: list[str] = []
    names = camera_names(rig, count)
    if rig is not None and rig.proxy is not None and calibration is not None:
        notes.append("The rig file marks the footage as a proxy: its calibration is not used.")
        calibration = None
    if calibration is not None:
        calibration, names = _fitting_calibration(calibration, rig, names)
    marked = _points(given.points, names)
    approved = None if given.approved is None else read_result(given.approved)
    if approved is not None and approved.command != "fitting":
        raise ConfigError(
            f"{given.approved}: a result of '{approved.command}' found, one of 'fitting' needed.",
            hint="give the result.json that the approved fitting wrote.",
        )
    if approved is not None and approved.verdict == "fail":
        notes.append("A check had failed in the fitting given as approved.")
    record = said_now(_record(given), given.worn or WornSaid())
    return ReadInputs(
        rig=rig,
        calibration=calibration,
        names=names,
        marked=marked,
        approved=approved,
        approved_sha256="" if given.approved is None else file_sha256(given.approved),
        record=record,
        looks=_said(record, given.looks),
        notes=tuple(notes),
    )


def _fitting_calibration(
    calibration: Calibration, rig: RigDescription | None, names: tuple[str, ...]
) -> tuple[Calibration, tuple[str, ...]]:
    """The calibration of these cameras in their order, and their names."""
    known = [entry.camera.name for entry in calibration.cameras]
    if rig is None and len(known) == len(names):
        return calibration, tuple(known)
    if list(names) == known:
        return calibration, names
    if rig is not None and len(names) == 1 and names[0] in known:
        entry = calibration.cameras[known.index(names[0])]
        return replace(calibration, cameras=(entry,), stereo=None), names
    raise ConfigError(
        f"The calibration is of {', '.join(known)}; the footage of {', '.join(names)}.",
        hint="give the calibration of these cameras, and the footages in the order of the rig file; one camera of "
        "a pair takes a rig file that names it.",
    )


def _points(paths: Sequence[str | Path], names: tuple[str, ...]) -> dict[str, MarkedPoints]:
    marked: dict[str, MarkedPoints] = {}
    for path in paths:
        found = read_points(path)
        if found.camera not in names or found.camera in marked:
            wrong = "twice" if found.camera in marked else "which is none of these"
            raise ConfigError(
                f"{path}: points of camera {found.camera!r} found, {wrong}; the cameras are {', '.join(names)}.",
                hint="give one file of points a camera, with the camera's name as in the rig file.",
            )
        marked[found.camera] = found
    return marked


def _record(given: FittingInputs) -> PerformerRecord:
    """The record as given, or a new one, with what is said of the looks now."""
    known = given.performer
    if known is None:
        record = PerformerRecord(code_name=given.code_name or UNNAMED)
    else:
        record = known if isinstance(known, PerformerRecord) else read_performer(known)
        if given.code_name is not None and given.code_name != record.code_name:
            raise ConfigError(
                f"The record is of {record.code_name!r}, the code name given is {given.code_name!r}.",
                hint="give the record of this performer, or leave the code name out.",
            )
    return record


def _said(record: PerformerRecord, looks: PerformerLooks | None) -> PerformerLooks:
    if looks is None:
        return record.looks
    said = {name: value for name, value in vars(looks).items() if value not in (None, "")}
    return replace(record.looks, **said)
