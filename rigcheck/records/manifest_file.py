"""The manifest of a handover: every file with its SHA-256, and what was left out."""

import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from rigcheck.errors import InputError
from rigcheck.model import Provenance
from rigcheck.records.document import Document, read_text
from rigcheck.records.headers import MANIFEST_FORMAT, VERSION, require_kind
from rigcheck.records.json_text import json_object, json_text
from rigcheck.records.paths import inside
from rigcheck.records.provenance import ProvenanceFormat, file_sha256, provenance_format
from rigcheck.records.validation import Format, validated

__all__ = [
    "MANIFEST_NAME",
    "SUMS_NAME",
    "HandedOver",
    "LeftOut",
    "ManifestFormat",
    "manifest_findings",
    "manifest_text",
    "read_manifest",
    "sums_text",
]

MANIFEST_NAME, SUMS_NAME = "manifest.json", "SHA256SUMS"
_LARGEST_BYTES = 64 << 20


_Path = Annotated[str, StringConstraints(min_length=1, max_length=1000), AfterValidator(inside)]


class _FileFormat(Format):
    path: _Path
    what: str
    bytes: Annotated[int, Field(ge=0)]
    sha256: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class _LeftOutFormat(Format):
    path: str
    reason: str


class ManifestFormat(Format):
    """What was handed over: each file's path, meaning, size and SHA-256; and what was not, and why."""

    format: Literal["rigcheck-handover"]
    version: Literal[1]
    provenance: ProvenanceFormat
    files: list[_FileFormat]
    left_out: list[_LeftOutFormat]


@dataclass(frozen=True, kw_only=True)
class HandedOver:
    """A file of a handover: path from its folder with ``/``, what it is, size and SHA-256."""

    path: str
    what: str
    bytes: int
    sha256: str


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """What was not handed over, and why."""

    path: str
    reason: str


def manifest_text(files: Sequence[HandedOver], left_out: Sequence[LeftOut], provenance: Provenance) -> str:
    """Write a manifest."""
    content = ManifestFormat(
        format=MANIFEST_FORMAT,
        version=VERSION,
        provenance=provenance_format(provenance),
        files=[_FileFormat(**vars(each)) for each in sorted(files, key=lambda each: each.path)],
        left_out=[_LeftOutFormat(**vars(each)) for each in left_out],
    )
    return json_text(content.model_dump())


def sums_text(files: Sequence[HandedOver]) -> str:
    """The same sums as ``sha256sum --check`` reads them, so that nobody needs rigcheck to compare."""
    return "".join(f"{each.sha256}  {each.path}\n" for each in sorted(files, key=lambda each: each.path))


def read_manifest(folder: str | Path) -> tuple[HandedOver, ...]:
    """Read the files that a received folder should hold.

    Raises
    ------
    InputError
        When there is no manifest, or it cannot be read.
    SchemaError
        When it breaks the format, or names files outside the folder.
    """
    path = Path(folder) / MANIFEST_NAME
    if not path.is_file():
        raise InputError(
            f"{folder}: no {MANIFEST_NAME} found, the folder of a handover needed.",
            hint="give the folder that handover wrote; if it is that one, its manifest was lost: ask for it again.",
        )
    document = Document(
        origin=str(path),
        value=json_object(read_text(path, largest_bytes=_LARGEST_BYTES, what="a manifest"), str(path)),
    )
    require_kind(document, "manifest")
    content = validated(document, ManifestFormat)
    return tuple(HandedOver(**each.model_dump()) for each in content.files)


def manifest_findings(folder: str | Path) -> tuple[int, tuple[str, ...]]:
    """Compare a received folder with its manifest.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    n_files : int
        Files that the manifest names.
    findings : tuple of str
        A sentence for each file missing, changed, or there though the manifest does not name it; empty when all is
        as it was handed over.

    Raises
    ------
    InputError, SchemaError
        See :func:`read_manifest`.
    """
    root, named = Path(folder), read_manifest(folder)
    found = [sentence for each in named if (sentence := _finding(root, each)) is not None]
    known = {each.path for each in named} | {MANIFEST_NAME, SUMS_NAME}
    found += [f"{path}: not in the manifest." for path in _present(root) if path not in known]
    return len(named), tuple(found)


def _finding(root: Path, each: HandedOver) -> str | None:
    path = root / each.path
    try:
        facts = path.lstat()
    except OSError:
        return f"{each.path}: missing."
    if not stat.S_ISREG(facts.st_mode) or not path.resolve().is_relative_to(root.resolve()):
        return f"{each.path}: no plain file of this folder."
    if facts.st_size != each.bytes:
        return f"{each.path}: {facts.st_size} bytes found, {each.bytes} handed over."
    return None if file_sha256(path) == each.sha256 else f"{each.path}: its content has changed."


def _present(root: Path) -> list[str]:
    found = []
    for place, _, names in os.walk(root):
        found += [Path(place, name).relative_to(root).as_posix() for name in names]
    return sorted(found)
