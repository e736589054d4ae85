"""A measured transfer curve in a file of its own: code values and the light behind them."""

from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from rigcheck.errors import ConfigError
from rigcheck.model import CameraDescription
from rigcheck.model._arrays import FloatArray
from rigcheck.records.headers import VERSION
from rigcheck.records.validation import Format, validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["TransferTableFormat", "read_transfer_table", "transfer_table_path"]

_PREFIX = "table:"
_Step = Annotated[list[float], Field(min_length=2, max_length=2)]


class TransferTableFormat(Format):
    """Pairs of code value and light, both rising; light in any unit, the last one's is full scale."""

    version: Literal[1] = VERSION
    bit_depth: Annotated[int, Field(ge=8, le=16)] = 8
    points: Annotated[list[_Step], Field(min_length=2, max_length=65536)]


def transfer_table_path(camera: CameraDescription, rig_path: str | Path) -> Path | None:
    """Where the file lies that a rig file names as a camera's transfer curve; None when it names none.

    A path that is not absolute counts from the rig file's folder.
    """
    if camera.transfer is None or not camera.transfer.startswith(_PREFIX):
        return None
    return Path(rig_path).parent / camera.transfer.removeprefix(_PREFIX)


def read_transfer_table(path: str | Path, *, bit_depth: int) -> FloatArray:
    """Read a measured transfer curve.

    Parameters
    ----------
    path : str or Path
        YAML: `bit_depth` (8 when not given) and `points`, a list of [code value, light].
    bit_depth : int
        Of the pictures that it is for.

    Returns
    -------
    (2**bit_depth,) float64
        Light of each code value, 0 below the first point's darkness, full scale 1; straight lines between points.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When its content breaks the format, code values do not rise or light falls.
    ConfigError
        When it is for pictures of another depth.
    """
    document = read_yaml(Path(path), "a transfer table")
    content = validated(document, TransferTableFormat)
    if content.bit_depth != bit_depth:
        raise ConfigError(
            f"{document.origin}: a table for {content.bit_depth} bit found, the pictures have {bit_depth}.",
            hint="measure the curve on footage recorded as this is, and write its bit_depth.",
        )
    full = 2**bit_depth - 1
    for number, (code, light) in enumerate(content.points):
        before = content.points[number - 1] if number else [-1.0, 0.0]
        if not before[0] < code <= full or light < before[1]:
            raise document.error(
                ("points", number),
                f"[{code:g}, {light:g}] after [{before[0]:g}, {before[1]:g}] found, a code value that rises to at most "
                f"{full} and light of at least 0 that never falls needed",
                hint="sort the points by code value and measure those again that go backwards.",
            )
    codes, lights = np.array(content.points).T
    if not lights[-1] > lights[0]:
        raise document.error(
            ("points",), "the same light at every code value found", hint="measure dark to white."
        )
    return np.asarray(np.interp(np.arange(full + 1.0), codes, lights) / lights[-1])
