"""Decoding ahead in a thread of its own, a few pictures at most."""

from collections.abc import Generator, Iterator
from contextlib import contextmanager
from queue import Empty, Full, Queue
from threading import Event, Thread

from rigcheck.model import Frame

__all__ = ["ahead"]

_AHEAD = 8  # pictures waiting: enough to even out two decoders, little enough to keep memory flat
_POLL_S = 0.1  # how often a waiting thread looks whether it is still wanted


class _End:
    """Marks the end of the frames, and the error that ended them."""

    def __init__(self, error: BaseException | None) -> None:
        self.error = error


@contextmanager
def ahead(frames: Generator[Frame, None, None]) -> Iterator[Iterator[Frame]]:
    """Run a generator of frames in a thread; the thread ends with the block.

    Parameters
    ----------
    frames : generator of Frame
        Closed at the end, in the thread that ran it.

    Yields
    ------
    iterator of Frame
        Raises in its turn what the generator raised.
    """
    queue: Queue[Frame | _End] = Queue(maxsize=_AHEAD)
    unwanted = Event()
    thread = Thread(target=_produce, args=(frames, queue, unwanted), daemon=True)
    thread.start()
    try:
        yield _consume(queue)
    finally:
        unwanted.set()
        _empty(queue)
        thread.join()


def _produce(frames: Generator[Frame, None, None], queue: "Queue[Frame | _End]", unwanted: Event) -> None:
    error: BaseException | None = None
    try:
        for frame in frames:
            if not _put(queue, frame, unwanted):
                break
    except BaseException as caught:
        error = caught
    finally:
        frames.close()
        _put(queue, _End(error), unwanted)


def _put(queue: "Queue[Frame | _End]", item: Frame | _End, unwanted: Event) -> bool:
    while not unwanted.is_set():
        try:
            queue.put(item, timeout=_POLL_S)
        except Full:
            continue
        return True
    return False


def _consume(queue: "Queue[Frame | _End]") -> Iterator[Frame]:
    while True:
        item = queue.get()
        if isinstance(item, _End):
            if item.error is not None:
                raise item.error
            return
        yield item


def _empty(queue: "Queue[Frame | _End]") -> None:
    try:
        while True:
            queue.get_nowait()
    except Empty:
        return
