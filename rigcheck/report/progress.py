"""Progress of long work on the error stream; silent when that is not a terminal.

Rooms to the left know nothing of bars: their long functions take
``on_progress: Callable[[int, int], None]`` and call it with (done, total).
A job asks its :class:`ProgressSink` for such a callable and hands it on.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

__all__ = ["OnProgress", "ProgressSink", "SilentProgress", "progress"]

OnProgress = Callable[[int, int], None]


class ProgressSink(Protocol):
    """Whatever shows progress: one callable a piece of work."""

    def track(self, text: str) -> OnProgress:
        """Begin a piece of work called `text`; the result is called with (done, total)."""
        ...


class SilentProgress:
    """Shows nothing."""

    def track(self, text: str) -> OnProgress:
        """Return a callable that does nothing."""
        return _ignore


class _Bars:
    """One bar a piece of work; a total of 0 means not known yet."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars

    def track(self, text: str) -> OnProgress:
        task = self._bars.add_task("", total=None, text=text)

        def update(done: int, total: int) -> None:
            self._bars.update(task, completed=done, total=total or None)

        return update


@contextmanager
def progress(console: Console | None = None) -> Iterator[ProgressSink]:
    """Show bars while the block runs.

    Parameters
    ----------
    console : rich.console.Console, optional
        Where to draw; the error stream when not given.

    Yields
    ------
    ProgressSink
        Silent when the console is not a terminal.
    """
    console = console or Console(stderr=True)
    if not console.is_terminal:
        yield SilentProgress()
        return
    columns = (
        TextColumn("{task.fields[text]}", markup=False),
        BarColumn(bar_width=24, style="dim", complete_style="default", finished_style="default"),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        yield _Bars(bars)


def _ignore(done: int, total: int) -> None:
    """Do nothing with (done, total)."""
