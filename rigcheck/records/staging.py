"""Hidden folders in which a command's files wait for their place, and what a killed run left of one.

The owner holds a lock on a file in its folder for as long as it lives; the system lets go of it however the process
ends. Who can take the lock of another's folder knows that its owner is gone, or has only just made the folder: such
an owner finds its lock taken, and makes another. Where nothing can be locked a mark says so, and age decides.
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
_LOCK, _NO_LOCKS = "lock", "no-locks"
# A folder of a disk or system that knows no locks was left by a killed run: by its own disk's clock.
_LONG_AGO_S = 86400.0

__all__ = ["STAGING_PREFIX", "clear_left_over", "staging"]


class _TakenError(Exception):
    """Another process holds the lock, or has removed what it was on."""


@contextmanager
def staging(folder: Path) -> Iterator[Path]:
    """A hidden folder that is locked while the block runs and gone after it; the dead ones beside it are removed."""
    while True:
        made = folder / f"{STAGING_PREFIX}{secrets.token_hex(8)}"
        lock: int | None = None
        try:
            made.mkdir()
            with suppress(_TakenError):
                lock = _lock_own(made)
                clear_left_over(folder, now_s=made.stat().st_mtime, locks=lock is not None)
                yield made
                return
        finally:
            if lock is not None:
                os.close(lock)
            shutil.rmtree(made, ignore_errors=True)


def clear_left_over(folder: Path, *, now_s: float, locks: bool) -> None:
    """Remove hidden folders whose process is gone; one that a living process may write to is never touched.

    Parameters
    ----------
    folder : Path
    now_s : float
        Time of the folder's own disk, since that of this machine may differ from it.
    locks : bool
        Whether this system can lock files there; if not, only what is a day old is removed.
    """
    with suppress(OSError):
        for left in sorted(folder.glob(f"{STAGING_PREFIX}*")):
            if left.is_dir() and not left.is_symlink():
                with suppress(OSError):
                    _clear_if_dead(left, now_s=now_s, locks=locks)


def _clear_if_dead(left: Path, *, now_s: float, locks: bool) -> None:
    if not locks or (left / _NO_LOCKS).exists():
        if left.stat().st_mtime < now_s - _LONG_AGO_S:
            shutil.rmtree(left, ignore_errors=True)
        return
    try:
        lock = _lock(left)
    except _TakenError:
        return
    if lock is None:
        return
    try:
        # Held meanwhile: who has only just made the folder must not take it for its own.
        shutil.rmtree(left, ignore_errors=True)
    finally:
        os.close(lock)
    with suppress(OSError):
        left.rmdir()  # some disks keep an open file's folder until it is closed


def _lock_own(made: Path) -> int | None:
    """Lock a new folder; None, and a mark in it, where nothing can be locked."""
    try:
        lock = _lock(made)
        if lock is None:
            (made / _NO_LOCKS).touch()
    except FileNotFoundError as gone:
        raise _TakenError from gone
    return lock


def _lock(place: Path) -> int | None:
    """Lock the file in a hidden folder that is for this, made where there is none; None where nothing can be locked.

    Raises
    ------
    _TakenError
        Another process holds it, or removed it before it was locked.
    OSError
        It cannot be made.
    """
    if sys.platform == "win32":
        return None
    path = place / _LOCK
    handle = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        ours = os.path.samestat(os.fstat(handle), path.stat())
    except (BlockingIOError, FileNotFoundError) as error:
        os.close(handle)
        raise _TakenError from error
    except OSError:  # a disk that knows no locks
        os.close(handle)
        with suppress(OSError):
            path.unlink()
        return None
    if not ours:
        os.close(handle)
        raise _TakenError
    return handle
