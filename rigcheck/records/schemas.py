"""JSON Schemas of our file formats, generated from the models that read and write them."""

from dataclasses import dataclass

from rigcheck.records.board_file import BoardFormat
from rigcheck.records.calibration_file import CalibrationFormat
from rigcheck.records.day_file import DayFormat
from rigcheck.records.day_state import DayStateFormat
from rigcheck.records.manifest_file import ManifestFormat
from rigcheck.records.performer_file import PerformerFormat
from rigcheck.records.picks_file import PicksFormat
from rigcheck.records.points_file import PointsFormat
from rigcheck.records.result_file import ResultFormat
from rigcheck.records.rig_file import RigFormat
from rigcheck.records.take_record import TakeRecordFormat
from rigcheck.records.takes_file import TakesFormat
from rigcheck.records.takes_table import TakesTableFormat
from rigcheck.records.transfer_table import TransferTableFormat
from rigcheck.records.validation import Format

__all__ = ["FORMATS", "KINDS", "FileKind", "json_schemas"]


@dataclass(frozen=True, kw_only=True)
class FileKind:
    """A file format: its model, the file's usual name, and what it is. `list_of` names the key of a bare list."""

    model: type[Format]
    file: str
    what: str
    list_of: str | None = None


KINDS: dict[str, FileKind] = {
    "board": FileKind(model=BoardFormat, file="boards/*.yaml", what="a board as printed and measured"),
    "rig": FileKind(model=RigFormat, file="configs/*.yaml", what="a rig: its cameras, and limits of its own"),
    "transfer": FileKind(
        model=TransferTableFormat, file="*.yaml", what="a measured transfer curve that a rig file names"
    ),
    "calibration": FileKind(
        model=CalibrationFormat, file="calibration.yaml", what="a calibration with its covariance"
    ),
    "result": FileKind(model=ResultFormat, file="result.json", what="what a command measured and judged"),
    "points": FileKind(
        model=PointsFormat, file="points-*.yaml", what="points of the face marked by hand on one picture"
    ),
    "performer": FileKind(
        model=PerformerFormat, file="performer.yaml", what="a performer's record, by code name"
    ),
    "picks": FileKind(
        model=PicksFormat, file="picks.json", what="the frames chosen for the digital face, and alternates"
    ),
    "takes": FileKind(
        model=TakesFormat, file="*.yaml", what="the takes of a day, as a list for audit", list_of="takes"
    ),
    "take-table": FileKind(
        model=TakesTableFormat, file="takes.json", what="which calibration each take should use"
    ),
    "take-record": FileKind(
        model=TakeRecordFormat, file="work/*.json", what="one measured take, kept so that an audit can go on"
    ),
    "day": FileKind(model=DayFormat, file="*.yaml", what="the steps of a shoot day, and what needs what"),
    "day-state": FileKind(
        model=DayStateFormat, file="day-state.json", what="what the steps in a day's folder were made from"
    ),
    "manifest": FileKind(
        model=ManifestFormat, file="manifest.json", what="what was handed over, with sizes and SHA-256"
    ),
}
FORMATS: dict[str, type[Format]] = {name: kind.model for name, kind in KINDS.items()}
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schemas() -> dict[str, dict[str, object]]:
    """JSON Schema (draft 2020-12) of each format, by its name.

    Returns
    -------
    dict
        Keys as in `KINDS`. YAML files are meant as read: mappings, lists, text, numbers, true, false and null.

    Notes
    -----
    What a schema cannot say is checked by the readers alone: that names agree with each other, that paths stay in
    their folder, that a covariance is one, that times follow each other.
    """
    return {name: _schema(name, kind) for name, kind in KINDS.items()}


def _schema(name: str, kind: FileKind) -> dict[str, object]:
    whole = kind.model.model_json_schema()
    if kind.list_of is not None:
        whole = {"$defs": whole.get("$defs", {}), **whole["properties"][kind.list_of]}
    return {"$schema": _DIALECT, **whole, "title": f"rigcheck {name}: {kind.what}"}
