"""Processes started beside this one, which ends them.

What a terminal sends to all of them, an interrupt or its closing, is left to the one that started the others.
"""

import ctypes
import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from multiprocessing import active_children, resource_tracker
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import ParamSpec, TypeVar

__all__ = ["SideContext", "SidePool", "end_when_asked", "ending_others", "keep_freed_memory"]

# Options of the GNU C library's `mallopt`, which both hold at most so many bytes back.
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_KEPT_BYTES = 32 * 2**20

_Given = ParamSpec("_Given")
_Answer = TypeVar("_Answer")


class _SideProcess(SpawnProcess):
    def start(self) -> None:
        with _held_back():  # a mask of signals is handed down, and holds from the first instruction on
            super().start()


class SideContext(SpawnContext):
    """Starts processes fresh; what a terminal sends does not reach them."""

    Process = _SideProcess


class SidePool(ProcessPoolExecutor):
    """A pool of such processes; one that is asked to end does so after what it does has tidied up."""

    def submit(
        self, fn: Callable[_Given, _Answer], /, *args: _Given.args, **kwargs: _Given.kwargs
    ) -> Future[_Answer]:
        """Hand out a call."""
        return super().submit(partial(_or_end, fn, *args, **kwargs))


def end_when_asked() -> None:
    """In a process of a pool: end on SIGTERM as by `sys.exit`, so that what is open is tidied up."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where the context could not keep it away
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(0))


def keep_freed_memory() -> None:
    """In a process that measures picture after picture: keep what is let go for what is needed next.

    Notes
    -----
    Given back to the system, it comes again page by page: 800 pages and 2 ms a picture of 1080 × 1440. Only the GNU C
    library can be asked; elsewhere nothing changes.
    """
    if sys.platform == "linux":
        with suppress(AttributeError, OSError):
            ask = ctypes.CDLL(None).mallopt
            ask(_MMAP_THRESHOLD, _KEPT_BYTES)
            ask(_TRIM_THRESHOLD, _KEPT_BYTES)


@contextmanager
def ending_others() -> Iterator[None]:
    """When the block is broken off, ask the processes that it started to end."""
    before = active_children()
    try:
        yield
    except BaseException:
        for process in active_children():
            if process not in before:
                process.terminate()
        raise


def _or_end(fn: Callable[_Given, _Answer], *args: _Given.args, **kwargs: _Given.kwargs) -> _Answer:
    try:
        return fn(*args, **kwargs)
    except SystemExit:
        os._exit(0)  # a pool would hand on what was asked to end, and go on with the next call


@contextmanager
def _held_back() -> Iterator[None]:
    """Keep from this thread, and from what it starts, the signals that a terminal sends to all."""
    if sys.platform == "win32":
        yield
        return
    resource_tracker.ensure_running()  # started by the first process otherwise, which lifts the mask
    before = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT, signal.SIGHUP))
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
