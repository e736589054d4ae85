"""Hidden folders in which a command's files wait for their place, and what a killed run left of one.

The owner holds a lock on a file in its folder for as long as it lives; the system lets go of it however the process
ends. Who can take the lock of another's folder knows that its owner is gone.
"""

import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

if sys.platform != "win32":
    import fcntl

STAGING_PREFIX = ".rigcheck-unfinished-"
_LOCK, _HALF_MADE = "lock", "lock.new"
# A folder without a lock is being made, or was left by a machine that lost power: by its own disk's clock.
_LONG_AGO_S = 86400.0

__all__ = ["STAGING_PREFIX", "clear_left_over", "new_staging", "staging"]


def new_staging(folder: Path) -> Path:
    """Make an empty hidden folder with a name of its own."""
    made = folder / f"{STAGING_PREFIX}{secrets.token_hex(8)}"
    made.mkdir()
    return made


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """A hidden folder that is locked while the block runs and gone after it; the dead ones beside it are removed."""
    made = new_staging(folder)
    try:
        lock = _locked(made)
        try:
            clear_left_over(folder, now_s=made.stat().st_mtime)
            yield made
        finally:
            if lock is not None:
                os.close(lock)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def clear_left_over(folder: Path, *, now_s: float) -> None:
    """Remove hidden folders whose process is gone; one that a living process may write to is never touched.

    Parameters
    ----------
    folder : Path
    now_s : float
        Time of the folder's own disk, since that of this machine may differ from it.
    """
    with suppress(OSError):
        for left in sorted(folder.glob(f"{STAGING_PREFIX}*")):
            if left.is_dir() and not left.is_symlink() and _is_dead(left, now_s):
                shutil.rmtree(left, ignore_errors=True)


def _locked(made: Path) -> int | None:
    """Put a locked file into the folder; it gets its name only once it is locked. None where nothing can be locked."""
    if sys.platform == "win32":
        return None
    handle = os.open(made / _HALF_MADE, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        (made / _HALF_MADE).rename(made / _LOCK)
    except OSError:
        os.close(handle)
        with suppress(OSError):
            (made / _HALF_MADE).unlink()
        return None
    return handle


def _is_dead(left: Path, now_s: float) -> bool:
    lock = left / _LOCK
    if sys.platform == "win32" or not lock.is_file():
        return left.stat().st_mtime < now_s - _LONG_AGO_S
    handle = os.open(lock, os.O_RDWR | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # held by a living process, or a disk that knows no locks
        return False
    finally:
        os.close(handle)
    return True
