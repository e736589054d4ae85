"""Takes measured by several processes, or a cluster; each done take kept as a small file, so that work can go on."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path

from threadpoolctl import threadpool_limits

from rigcheck.errors import DependencyError, InputError, OutputError, SchemaError
from rigcheck.jobs.audit_key import order_key
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_take import measure_take
from rigcheck.jobs.fresh_processes import fresh_processes
from rigcheck.model.take import TakeRecord
from rigcheck.records.staging import staging
from rigcheck.records.take_record import parse_take_record, take_record_text

# Takes handed out ahead for each process: none waits for work, and no more than these are held.
_AHEAD = 2
_LARGEST_RECORD = 8 << 20
_CONNECT_S = 15
WORK = "work"

__all__ = ["WORK", "default_workers", "forget", "measure_takes", "unfinished"]

OnProgress = Callable[[int, int], None]


def default_workers() -> int:
    """One process a core that this one may use, at most 16: each holds a decoder, networks and a few pictures."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, 16)


def unfinished(work: Path) -> int:
    """How many records of an earlier audit lie in a work folder."""
    return len(list(work.glob("*.json"))) if work.is_dir() else 0


def forget(work: Path, *, with_parent: bool) -> None:
    """Remove a work folder in which no take could be read, and the output folder too where it was made for it."""
    with suppress(OSError):
        for one in work.glob("*.json"):
            one.unlink()
        work.rmdir()
        if with_parent:
            work.parent.rmdir()


def measure_takes(
    orders: Sequence[TakeOrder],
    *,
    work: Path | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    on_progress: OnProgress,
) -> tuple[TakeRecord, ...]:
    """Measure takes, each by itself: one that breaks stops no other.

    Parameters
    ----------
    orders : sequence of TakeOrder
    work : Path, optional
        Folder of records: those that are there already are not measured again, finished ones are added.
    workers : int
        Processes; 1 measures in this one.
    scheduler : str, optional
        Address of a running Dask scheduler whose workers are given the takes instead; they must see the footage under
        the same paths.
    on_progress : callable

    Returns
    -------
    tuple of TakeRecord
        In the order of `orders`.

    Raises
    ------
    OutputError
        When a record cannot be written.
    InputError, DependencyError
        When the scheduler cannot be reached, or its library is missing.

    Notes
    -----
    A record's name is a hash of everything it was made from; a record that is damaged is made again.
    """
    records: dict[int, TakeRecord] = {}
    keys = [order_key(order) for order in orders]
    for number, key in enumerate(keys):
        known = None if work is None else _kept(work / f"{key}.json")
        if known is not None:
            records[number] = known
    on_progress(len(records), len(orders))
    left = [(number, orders[number]) for number in range(len(orders)) if number not in records]
    for number, record in _measured(left, workers=workers, scheduler=scheduler):
        records[number] = record
        if work is not None:
            _keep(work / f"{keys[number]}.json", record)
        on_progress(len(records), len(orders))
    return tuple(records[number] for number in range(len(orders)))


_Numbered = tuple[int, TakeOrder]


def _measured(
    left: Sequence[_Numbered], *, workers: int, scheduler: str | None
) -> Iterator[tuple[int, TakeRecord]]:
    if scheduler is not None:
        with _cluster(scheduler) as (executor, lost, count):
            yield from _by(executor, left, ahead=_AHEAD * count, lost=lost)
        return
    if workers <= 1 or len(left) <= 1:
        # One take after the other is far too little at a time for the linear algebra's own threads, which wait busily;
        # scipy brings linear algebra of its own, which can be held back only once it is loaded.
        import_module("scipy.linalg")
        with threadpool_limits(limits=1, user_api="blas"):
            yield from ((number, measure_take(order)) for number, order in left)
        return
    again: list[_Numbered] = []
    with fresh_processes(min(workers, len(left))) as pool:
        for number, record in _by(pool, left, ahead=_AHEAD * workers, lost=(BrokenProcessPool,)):
            if record.fault == _LOST:
                again.append((number, left[[one for one, _ in left].index(number)][1]))
            else:
                yield number, record
    # One process that was ended takes all with it: each of these once more, alone.
    for one in again:
        with fresh_processes(1) as pool:
            yield from _by(pool, [one], ahead=1, lost=(BrokenProcessPool,))


_LOST = "The process that measured this take was ended from outside, or crashed."
_LOST_HINT = (
    "free memory or take fewer --workers; if it happens again, look at this take's files by themselves."
)


def _by(
    executor: Executor, left: Sequence[_Numbered], *, ahead: int, lost: tuple[type[BaseException], ...]
) -> Iterator[tuple[int, TakeRecord]]:
    """Hand out takes, never more than `ahead` at once, and yield their records as they come."""
    waiting = iter(left)
    running: dict[Future[TakeRecord], _Numbered] = {}

    def hand_out() -> None:
        while len(running) < ahead and (one := next(waiting, None)) is not None:
            try:
                running[executor.submit(measure_take, one[1])] = one
            except BrokenProcessPool as broken:
                failed: Future[TakeRecord] = Future()
                failed.set_exception(broken)
                running[failed] = one

    hand_out()
    while running:
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            number, order = running.pop(future)
            error = future.exception()
            if error is None:
                yield number, future.result()
            elif isinstance(error, lost):
                yield (
                    number,
                    TakeRecord(take=order.take, cameras=order.cameras, fault=_LOST, hint=_LOST_HINT),
                )
            else:
                raise error
        hand_out()


@contextmanager
def _cluster(address: str) -> Iterator[tuple[Executor, tuple[type[BaseException], ...], int]]:
    try:
        # A large library that few need: only loaded when asked for, by name since it is not always there.
        distributed = import_module("distributed")
    except ImportError as error:
        raise DependencyError(
            "A Dask scheduler is asked for, and the library for it is not installed.",
            hint="python -m pip install 'rigcheck[cluster]', or leave out --dask.",
        ) from error
    try:
        client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{address}: no Dask scheduler answers there ({type(error).__name__}).",
            hint="start one (dask scheduler, and dask worker ADDRESS), give its address as tcp://HOST:PORT, or leave "
            "out --dask.",
        ) from error
    try:
        yield (
            client.get_executor(pure=False, retries=1),
            (distributed.KilledWorker,),
            max(len(client.nthreads()), 1),
        )
    finally:
        client.close()


def _kept(path: Path) -> TakeRecord | None:
    try:
        if path.stat().st_size > _LARGEST_RECORD:
            return None
        return parse_take_record(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError, SchemaError):
        return None


def _keep(path: Path, record: TakeRecord) -> None:
    """Write a record whole; what a killed run left half-written is removed."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with staging(path.parent) as place:
            half = place / path.name
            half.write_text(take_record_text(record), encoding="utf-8")
            os.replace(half, path)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}).",
            hint="check the folder and the disk, or choose another with --out.",
        ) from error
