"""What every kind of source has in common, and how a source that cannot be read says so."""

from typing import Protocol

from rigcheck.live.shots import Shot

__all__ = ["Ended", "Feed", "SourceLost"]


class SourceLost(Exception):
    """A source cannot be opened or read on: `why` in plain words, and what to do."""

    def __init__(self, why: str, remedy: str) -> None:
        super().__init__(why)
        self.why = why
        self.remedy = remedy


class Ended(Exception):
    """A file was played to its end."""


class Feed(Protocol):
    """One source: opened, read, closed, and opened again, always by the same thread.

    `stalled_after_s` without a picture it counts as stalled, after `lost_after_s` it is opened anew (None: never).
    """

    name: str
    stalled_after_s: float
    lost_after_s: float | None
    stalled_remedy: str

    def open(self) -> None:
        """Open it; SourceLost when that cannot be."""

    def read(self) -> Shot | None:
        """Wait a little for the next picture; None when none came. SourceLost, Ended."""

    def close(self) -> None:
        """Let go of it; also after a failure, and twice."""
