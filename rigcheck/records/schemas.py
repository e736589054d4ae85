"""JSON Schemas of our file formats, generated from the models that read them."""

from rigcheck.records.board_file import BoardFormat
from rigcheck.records.calibration_file import CalibrationFormat
from rigcheck.records.manifest_file import ManifestFormat
from rigcheck.records.performer_file import PerformerFormat
from rigcheck.records.picks_file import PicksFormat
from rigcheck.records.points_file import PointsFormat
from rigcheck.records.result_file import ResultFormat
from rigcheck.records.rig_file import RigFormat
from rigcheck.records.validation import Format

__all__ = ["FORMATS", "json_schemas"]

FORMATS: dict[str, type[Format]] = {
    "board": BoardFormat,
    "rig": RigFormat,
    "calibration": CalibrationFormat,
    "result": ResultFormat,
    "points": PointsFormat,
    "performer": PerformerFormat,
    "manifest": ManifestFormat,
    "picks": PicksFormat,
}


def json_schemas() -> dict[str, dict[str, object]]:
    """JSON Schema (draft 2020-12) of each format, by its name.

    Returns
    -------
    dict
        Keys "board", "rig", "calibration", "result", "points", "performer", "manifest", "picks".
    """
    dialect = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return {name: dialect | model.model_json_schema() for name, model in FORMATS.items()}
