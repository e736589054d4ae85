"""Content hashes of files, read in pieces and once only."""

import hashlib
from functools import lru_cache
from pathlib import Path

from rigcheck.errors import InputError

__all__ = ["sha256_of"]


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's content, as 64 hexadecimal digits.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        When the file cannot be read.

    Notes
    -----
    The file is read in pieces, so memory stays flat. A file asked for again is not read again unless its
    size or its time of change differ.
    """
    try:
        stat = path.stat()
        return _digest(path.resolve(), stat.st_size, stat.st_mtime_ns)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror or error}).",
            hint="check that the file is there, that the disk is connected and that you may read it",
        ) from error


@lru_cache(maxsize=65536)
def _digest(path: Path, _size: int, _changed_ns: int) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
