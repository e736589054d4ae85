"""Every result.json under a folder, however it got there."""

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from rigcheck.errors import InputError
from rigcheck.records.headers import RESULT_FORMAT
from rigcheck.records.result_file import LARGEST_RESULT_BYTES
from rigcheck.records.walking import SkippedFile, files_under

# Enough for years of rigs; beyond it a folder is more likely a whole disk.
MOST_FILES = 200_000
_NAME = "result.json"
_HEAD_BYTES = 4096

__all__ = ["FoundResults", "SkippedFile", "find_results"]


@dataclass(frozen=True, kw_only=True)
class FoundResults:
    """Paths of files that call themselves results, relative to the folder, in order of their names.

    `foreign` counts JSON files that are something else; they are of no concern.
    """

    paths: tuple[str, ...]
    skipped: tuple[SkippedFile, ...]
    foreign: int


def find_results(folder: str | Path) -> FoundResults:
    """Look for results under a folder.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    FoundResults
        Of files ending in ``.json`` those whose first 4 KiB name our format; a file called ``result.json`` that
        does not is skipped and named. Linked folders are followed, each folder is entered once: loops end.

    Raises
    ------
    InputError
        When the folder is none, cannot be read, or holds more than 200,000 such files.
    """
    root = Path(folder)
    if not root.is_dir():
        found = "a file" if root.is_file() else "no such folder"
        raise InputError(
            f"{root}: {found} found, a folder of results needed.", hint="check the path for a slip."
        )
    paths: list[str] = []
    skipped: list[SkippedFile] = []
    foreign = 0
    for path in files_under(root, (".json",), skipped):
        name = os.path.relpath(path, root)
        if len(paths) + foreign >= MOST_FILES:
            raise InputError(
                f"{root}: more than {MOST_FILES} JSON files found, the results of some rigs needed.",
                hint="give the folder that holds the results, not a whole disk.",
            )
        reason = _why_not(path)
        if reason is None:
            paths.append(name)
        elif path.name.lower() == _NAME or reason != _NOT_OURS:
            skipped.append(SkippedFile(path=name, reason=reason))
        else:
            foreign += 1
    return FoundResults(paths=tuple(sorted(paths)), skipped=tuple(skipped), foreign=foreign)


_NOT_OURS = "not a result of rigcheck"


def _why_not(path: Path) -> str | None:
    """Why a file cannot be a result; None when it may be one."""
    try:
        facts = path.stat()
        if not stat.S_ISREG(facts.st_mode):
            return "not a plain file"
        if facts.st_size > LARGEST_RESULT_BYTES:
            return f"{facts.st_size >> 20} MiB, larger than any result"
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        return f"cannot be read ({error.strerror or error})"
    if not head.strip(b"\0 \r\n\t"):
        return "empty"
    return None if RESULT_FORMAT.encode() in head else _NOT_OURS
