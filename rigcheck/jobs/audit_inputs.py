"""What `audit` takes beside the takes: read, and fitted to each other."""

from dataclasses import dataclass, field
from pathlib import Path

from rigcheck.errors import ConfigError, InputError
from rigcheck.jobs.opening import refuse_proxy
from rigcheck.model import Calibration, PerformerLooks, PerformerRecord, Report, RigDescription
from rigcheck.model.take import Take
from rigcheck.records import file_sha256, read_calibration, read_performer, read_result, read_rig
from rigcheck.records.takes_file import camera_names_of, read_takes

__all__ = ["AuditInputs", "ReadAudit", "read_audit"]


@dataclass(frozen=True, kw_only=True)
class AuditInputs:
    """What `audit` takes beside the takes; all optional.

    Parameters
    ----------
    calibration, end_calibration : paths of calibration files
        At the start and at the end of the day.
    rig : path of a rig file
    approved : path of the result.json of an approved fitting
        Helmet slip is counted from there.
    performer : path of a performer record
    workers : int, optional
        Processes; as many as cores when not given.
    scheduler : str, optional
        Address of a Dask scheduler that is given the takes instead.
    pictures : bool
        False keeps every picture of the performer out of records and report.
    """

    calibration: str | Path | None = None
    end_calibration: str | Path | None = None
    rig: str | Path | None = None
    approved: str | Path | None = None
    performer: str | Path | None = None
    workers: int | None = None
    scheduler: str | None = None
    pictures: bool = True

    @property
    def files(self) -> tuple[str, ...]:
        """Paths among the inputs."""
        given = (self.calibration, self.end_calibration, self.rig, self.approved, self.performer)
        return tuple(str(each) for each in given if each is not None)

    @property
    def options(self) -> dict[str, object]:
        """The options as typed."""
        named = ("calibration", "end_calibration", "rig", "approved", "performer")
        given = {name: None if (each := getattr(self, name)) is None else str(each) for name in named}
        return given | {"workers": self.workers, "dask": self.scheduler, "pictures": self.pictures}


@dataclass(frozen=True, kw_only=True, eq=False)
class ReadAudit:
    """The inputs as read."""

    takes: tuple[Take, ...]
    cameras: tuple[str, ...]
    calibration: Calibration | None
    end: Calibration | None
    rig: RigDescription | None
    approved: Report | None
    record: PerformerRecord | None
    hashes: dict[str, str]
    notes: tuple[str, ...] = field(default=())

    @property
    def looks(self) -> PerformerLooks:
        """The performer's looks by the record."""
        return PerformerLooks() if self.record is None else self.record.looks

    def sha256(self, path: str | Path | None) -> str:
        """Hash of a file given; empty for none."""
        return "" if path is None else self.hashes[str(path)]


def read_audit(takes: str | Path, given: AuditInputs) -> ReadAudit:
    """Read everything given, and refuse what does not belong together.

    Raises
    ------
    RigcheckError
    """
    rig = None if given.rig is None else read_rig(given.rig)
    refuse_proxy(rig, "an audit")
    calibration = None if given.calibration is None else read_calibration(given.calibration)
    end = None if given.end_calibration is None else read_calibration(given.end_calibration)
    if end is not None and calibration is None:
        raise ConfigError(
            f"{given.end_calibration}: a calibration of the end of the day is given, none of its start.",
            hint="give the one the day began with by --calibration; with one only, give it there.",
        )
    cameras = _cameras(rig, calibration, end, given)
    listed = read_takes(takes, cameras=cameras)
    cameras = cameras or camera_names_of(listed)
    if not any(take.footage for take in listed):
        raise InputError(
            f"{takes}: none of {len(listed)} take(s) can be used. The first: {listed[0].fault}",
            hint=listed[0].hint,
        )
    listed = tuple(_of_these_cameras(take, cameras) for take in listed)
    approved = None if given.approved is None else read_result(given.approved)
    if approved is not None and approved.command != "fitting":
        raise ConfigError(
            f"{given.approved}: a result of '{approved.command}' found, one of 'fitting' needed.",
            hint="give the result.json that the approved fitting wrote.",
        )
    record = None if given.performer is None else read_performer(given.performer)
    return ReadAudit(
        takes=listed,
        cameras=cameras,
        calibration=calibration,
        end=end,
        rig=rig,
        approved=approved,
        record=record,
        hashes={path: file_sha256(path) for path in given.files},
        notes=_notes(listed, calibration),
    )


def _cameras(
    rig: RigDescription | None, calibration: Calibration | None, end: Calibration | None, given: AuditInputs
) -> tuple[str, ...]:
    """Names of the cameras, on which all that is given must agree."""
    sources = [
        (str(given.rig), () if rig is None else tuple(camera.name for camera in rig.cameras)),
        (str(given.calibration), _names(calibration)),
        (str(given.end_calibration), _names(end)),
    ]
    known = [(path, names) for path, names in sources if names]
    for path, names in known[1:]:
        if names != known[0][1]:
            raise ConfigError(
                f"{path}: cameras {', '.join(names)} found, {', '.join(known[0][1])} needed as in {known[0][0]}.",
                hint="give rig file and calibrations of one rig, with its cameras in one order.",
            )
    return known[0][1] if known else ()


def _names(calibration: Calibration | None) -> tuple[str, ...]:
    return () if calibration is None else tuple(entry.camera.name for entry in calibration.cameras)


def _of_these_cameras(take: Take, cameras: tuple[str, ...]) -> Take:
    """Give a take of another number of cameras its fault."""
    if not take.footage or len(take.footage) == len(cameras):
        return take
    return Take(
        name=take.name,
        footage=(),
        recorded=take.recorded,
        performer=take.performer,
        fault=f"{take.name}: footage of {len(take.footage)} camera(s) found, of {len(cameras)} needed "
        f"({', '.join(cameras)}).",
        hint="give each take the footage of every camera.",
    )


def _notes(takes: tuple[Take, ...], calibration: Calibration | None) -> tuple[str, ...]:
    out = []
    if not all(take.recorded for take in takes):
        out.append(
            "The takes are in the order of their names: a list with times of recording orders them by those."
        )
    if calibration is None:
        out.append("Without a calibration nothing is said about the pair's geometry.")
    return tuple(out)
