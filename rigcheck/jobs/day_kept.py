"""What a day leaves in its folder when a disk refuses: said, so that the next run goes on from it, or nothing."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rigcheck.errors import OutputError
from rigcheck.records.day_state import STATE_NAME, read_day_state

__all__ = ["keeping", "kept_steps"]


def kept_steps(out: str | Path) -> int:
    """How many steps of a day are done in a folder."""
    return sum(made.done for made in read_day_state(out).values())


@contextmanager
def keeping(out: Path) -> Iterator[None]:
    """Let an OutputError of the block say what it kept of the day; where no step left anything, nothing stays."""
    new, before = not out.exists(), _state(out)
    try:
        yield
    except OutputError as error:
        if _state(out) == before:  # refused before any step
            raise
        if any(path.name != STATE_NAME for path in out.iterdir()):
            words = f"Steps done so far ({kept_steps(out)}) are kept in {out}: the same command goes on."
            raise OutputError(error.message, hint=f"{error.hint} {words}") from error
        with suppress(OSError):
            if before is None:
                (out / STATE_NAME).unlink()
            if new:
                out.rmdir()
        raise


def _state(out: Path) -> bytes | None:
    path = out / STATE_NAME
    return path.read_bytes() if path.is_file() else None
