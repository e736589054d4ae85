"""Processes of their own for work that takes a core each; loads nothing that they do not need to start."""

import os
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from multiprocessing import parent_process
from multiprocessing.connection import wait as wait_for
from multiprocessing.util import Finalize
from threading import Thread

from rigcheck.footage.video import decode_in_one_thread
from rigcheck.jobs.side_process import (
    SideContext,
    SidePool,
    end_when_asked,
    ending_others,
    keep_freed_memory,
)
from rigcheck.opencv import cv2

__all__ = ["fresh_processes"]

# Read as a process starts, or its numerical libraries are loaded: too late for an initializer. The last two are of the
# GNU C library: it would hold memory back for each thread of its own, and large pages save a twenty-fifth of the time.
_SETTINGS = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "1",
    "GLIBC_TUNABLES": os.environ.get("GLIBC_TUNABLES", "glibc.malloc.hugetlb=1"),
}
_LAST = -1000  # priority behind everything else that is done as a process ends


@contextmanager
def fresh_processes(count: int) -> Iterator[Executor]:
    """Processes of their own, started fresh: nothing of this one's threads is copied into them."""
    before = {name: os.environ.get(name) for name in _SETTINGS}
    os.environ.update(_SETTINGS)
    pool = SidePool(count, mp_context=SideContext(), initializer=_one_thread)
    try:
        with ending_others():
            yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _one_thread() -> None:
    """Several processes share the cores already; and each ends when the one that started it is gone."""
    keep_freed_memory()
    cv2.setNumThreads(1)
    decode_in_one_thread()
    end_when_asked()
    # Once all is handed back and tidied up, end at once: taking everything down takes a tenth of a second.
    Finalize(None, os._exit, args=(0,), exitpriority=_LAST)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """Wait for the parent's end: a process of a pool whose parent was killed would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)
