"""What a day leaves in its folder when it is broken off: said, so that the next run goes on from it, or nothing."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rigcheck.errors import OutputError
from rigcheck.records.day_state import STATE_NAME, read_day_state

__all__ = ["keeping", "kept_words"]


def kept_words(out: Path) -> str:
    """What is kept of a day in its folder and how to go on; empty where no step left anything."""
    if not out.is_dir() or all(path.name == STATE_NAME for path in out.iterdir()):
        return ""
    done = sum(made.done for made in read_day_state(out).values())
    return f"Steps done so far ({done}) are kept in {out}: the same command goes on."


@contextmanager
def keeping(out: Path) -> Iterator[None]:
    """Let an OutputError of the block say what it kept of the day; where no step left anything, nothing stays."""
    new, before = not out.exists(), _state(out)
    try:
        yield
    except (OutputError, KeyboardInterrupt) as error:
        if _state(out) == before:  # refused before any step
            raise
        words = kept_words(out)
        if words and isinstance(error, OutputError):
            raise OutputError(error.message, hint=f"{error.hint} {words}") from error
        if not words:
            _remove(out, state=before is None, folder=new)
        raise


def _remove(out: Path, *, state: bool, folder: bool) -> None:
    with suppress(OSError):
        if state:
            (out / STATE_NAME).unlink()
        if folder:
            out.rmdir()


def _state(out: Path) -> bytes | None:
    path = out / STATE_NAME
    return path.read_bytes() if path.is_file() else None
