"""What a result was made from: versions, hashes, options, when."""

import hashlib
import math
import os
import platform
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from pydantic import JsonValue

from rigcheck.errors import InputError
from rigcheck.model import Provenance
from rigcheck.records.validation import Format

__all__ = ["ProvenanceFormat", "file_sha256", "make_provenance", "provenance_format", "provenance_value"]

_LIBRARIES = ("numpy", "scipy", "opencv-contrib-python", "av", "pydantic", "PyYAML")


class ProvenanceFormat(Format):
    """What a result was made from."""

    created: str
    command: str
    versions: dict[str, str]
    inputs_sha256: dict[str, str]
    options: dict[str, JsonValue]


def make_provenance(command: str, *, inputs: Mapping[str, str], options: Mapping[str, object]) -> Provenance:
    """Note what a result is made from, now.

    Parameters
    ----------
    command : str
        Name of the command, such as "calibrate".
    inputs : mapping
        Path as the user gave it, to the SHA-256 of the file's content.
    options : mapping
        Every option in force. Paths stay as given; nothing about user or machine is added.

    Raises
    ------
    ValueError
        When an option is of a kind that a result file cannot hold, or a number is not finite.
    """
    return Provenance(
        created=datetime.now().astimezone().isoformat(timespec="seconds"),
        versions=_versions(),
        inputs_sha256={_text(path): digest for path, digest in inputs.items()},
        options={_text(name): _plain(value) for name, value in options.items()},
        command=command,
    )


def file_sha256(path: str | Path) -> str:
    """SHA-256 of a file's content, in hexadecimal.

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}), its content is needed.",
            hint="check the path and that you may read the file.",
        ) from error


def provenance_format(provenance: Provenance) -> ProvenanceFormat:
    """Turn a Provenance into its format."""
    return ProvenanceFormat(
        created=provenance.created,
        command=provenance.command,
        versions=dict(provenance.versions),
        inputs_sha256=dict(provenance.inputs_sha256),
        options={name: _plain(value) for name, value in provenance.options.items()},
    )


def provenance_value(content: ProvenanceFormat) -> Provenance:
    """Turn the format into a Provenance."""
    return Provenance(**content.model_dump())


def _versions() -> dict[str, str]:
    found = {"rigcheck": _version("rigcheck"), "python": platform.python_version()}
    return found | {name: _version(name) for name in _LIBRARIES}


@cache  # an audit asks once a take, and each answer is read from a file
def _version(distribution: str) -> str:
    try:
        return version(distribution)
    except PackageNotFoundError:
        return "not installed as a package"


def _plain(value: object) -> JsonValue:
    """Turn an option into what both YAML and JSON hold."""
    match value:
        case None | bool():
            return value
        case int():
            return int(value)
        case float():
            if not math.isfinite(value):
                raise ValueError("options: a number that is not finite")
            return float(value)
        case str():
            return _text(value)
        case os.PathLike():
            return _text(os.fspath(value))
        case list() | tuple():
            return [_plain(item) for item in value]
        case Mapping():
            return {_text(str(name)): _plain(item) for name, item in value.items()}
        case _:
            raise ValueError(f"options: {type(value).__name__} cannot be kept in a result file")


def _text(value: str) -> str:
    """Text that UTF-8 can hold: bytes of a file name that are no text appear as escapes."""
    return value.encode("utf-8", "backslashreplace").decode("utf-8")
