"""Every file format of ours, read and written strictly; and outputs put in place whole."""

from rigcheck.records.board_file import dictionary_names, read_board
from rigcheck.records.calibration_file import calibration_text
from rigcheck.records.calibration_reading import read_calibration
from rigcheck.records.opencv_export import opencv_storage_text
from rigcheck.records.output import OutputFolder, check_writable, output_folder
from rigcheck.records.performer_file import performer_text, read_performer
from rigcheck.records.points_file import points_template, read_points
from rigcheck.records.provenance import file_sha256, make_provenance
from rigcheck.records.result_file import parse_result, read_result, result_text
from rigcheck.records.rig_file import read_rig
from rigcheck.records.schemas import json_schemas
from rigcheck.records.transfer_table import read_transfer_table, transfer_table_path

__all__ = [
    "OutputFolder",
    "calibration_text",
    "check_writable",
    "dictionary_names",
    "file_sha256",
    "json_schemas",
    "make_provenance",
    "opencv_storage_text",
    "output_folder",
    "parse_result",
    "performer_text",
    "points_template",
    "read_board",
    "read_calibration",
    "read_performer",
    "read_points",
    "read_result",
    "read_rig",
    "read_transfer_table",
    "result_text",
    "transfer_table_path",
]
