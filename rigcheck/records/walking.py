"""Every file of some kinds under a folder, each folder entered once."""

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from rigcheck.records.staging import STAGING_PREFIX

__all__ = ["SkippedFile", "files_under"]


@dataclass(frozen=True, kw_only=True)
class SkippedFile:
    """A file or folder that could not be used, and why."""

    path: str
    reason: str


def files_under(root: Path, endings: Collection[str], skipped: list[SkippedFile]) -> Iterator[Path]:
    """Walk the tree in order of names, entering each folder once whatever links lead there.

    Parameters
    ----------
    root : Path
    endings : collection of str
        Lower-case endings of the names wanted, such as ".json".
    skipped : list of SkippedFile
        Folders that cannot be read are added.
    """
    seen: set[tuple[int, int]] = set()

    def unreadable(error: OSError) -> None:
        where = os.path.relpath(error.filename or root, root)
        skipped.append(SkippedFile(path=where, reason=f"folder cannot be read ({error.strerror})"))

    for place, folders, files in os.walk(root, followlinks=True, onerror=unreadable):
        here = os.stat(place)
        if (here.st_dev, here.st_ino) in seen:
            folders.clear()
            continue
        seen.add((here.st_dev, here.st_ino))
        # What a run still writes, or was killed over, is no result yet.
        folders[:] = sorted(name for name in folders if not name.startswith(STAGING_PREFIX))
        yield from (Path(place) / name for name in sorted(files) if name.lower().endswith(tuple(endings)))
