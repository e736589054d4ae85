"""What a session is started with, read and fitted to each other before anything is opened."""

from dataclasses import dataclass, replace
from pathlib import Path

from rigcheck.checks import Limits
from rigcheck.errors import ConfigError
from rigcheck.jobs.fitting import approval_of
from rigcheck.jobs.fitting_inputs import FittingInputs, ReadInputs, read_inputs_for
from rigcheck.jobs.fitting_light import transfer_tables
from rigcheck.jobs.opening import landmark_looks, limits_of
from rigcheck.live.measuring import TOGETHER_S, Known
from rigcheck.live.options import LiveOptions
from rigcheck.live.shots import View
from rigcheck.live.sources import SourceRequest, parse_source, views_of
from rigcheck.model import ApprovedFitting, BoardSpec, PerformerRecord, Report
from rigcheck.records import read_board
from rigcheck.target import check_board

__all__ = ["Begun", "begin"]

# Stills of two folders belong together when they arrive within this time.
_STILLS_TOGETHER_S = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Begun:
    """All that is known before the first picture; `turns_deg` make each camera's picture upright."""

    requests: tuple[SourceRequest, ...]
    views: tuple[View, ...]
    known: Known
    turns_deg: tuple[int, ...]
    limits: Limits
    given: FittingInputs
    record: PerformerRecord
    approved: Report | None
    approval: ApprovedFitting | None
    board: BoardSpec | None
    inputs: tuple[str, ...]
    together_s: float

    @property
    def names(self) -> tuple[str, ...]:
        """The cameras'."""
        return self.known.names


def begin(options: LiveOptions) -> Begun:
    """Read what the session is started with.

    Raises
    ------
    RigcheckError
        InputError, ConfigError or SchemaError.
    """
    requests = tuple(parse_source(text) for text in options.sources)
    views = views_of(requests)
    read = read_inputs_for(len(views), options.fitting)
    rig_file = options.rig if isinstance(options.rig, str | Path) else None
    described = None if read.rig is None else read.rig.cameras[0]
    known = Known(
        names=read.names,
        rig=read.rig,
        calibration=read.calibration,
        looks=read.looks,
        landmark_looks=landmark_looks(read.looks, described),
        tables=transfer_tables(read.rig, rig_file),
    )
    files = [request.place for request in requests if request.kind in ("file", "folder")]
    more = [str(options.board)] if isinstance(options.board, str | Path) else []
    return Begun(
        requests=requests,
        views=views,
        known=known,
        turns_deg=tuple(
            0 if read.rig is None else read.rig.cameras[k].mount_rotation_deg for k in range(len(views))
        ),
        limits=Limits(limits_of(read.rig, options.rig)),
        given=options.fitting,
        record=_record(read, options),
        approved=read.approved,
        approval=approval_of(read),
        board=_board(options.board),
        inputs=(*files, *options.fitting.files, *more),
        together_s=_STILLS_TOGETHER_S if any(each.kind == "folder" for each in requests) else TOGETHER_S,
    )


def _record(read: ReadInputs, options: LiveOptions) -> PerformerRecord:
    """The record with the looks, mass and overhang said now."""
    record = replace(read.record, looks=read.looks)
    if options.mass_g is not None:
        _check("mass", options.mass_g, "g", 5000.0)
        record = replace(record, head_borne_kg=options.mass_g / 1000.0)
    if options.overhang_mm is not None:
        _check("overhang", options.overhang_mm, "mm", 600.0)
        record = replace(record, overhang_mm=options.overhang_mm)
    return record


def _check(what: str, value: float, unit: str, most: float) -> None:
    if not 0.0 <= value <= most:
        raise ConfigError(
            f"{what}: {value:g} {unit} found, 0 to {most:g} {unit} needed.",
            hint="weigh all that the head carries, and measure from the ear canals forward.",
        )


def _board(given: BoardSpec | str | Path | None) -> BoardSpec | None:
    if given is None:
        return None
    board = given if isinstance(given, BoardSpec) else read_board(given)
    check_board(board)
    return board
