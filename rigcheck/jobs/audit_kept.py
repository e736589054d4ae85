"""What an audit keeps of measured takes: said whenever it ends, since pictures of a performer may be among it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rigcheck.errors import OutputError
from rigcheck.jobs.audit_work import forget, unfinished

__all__ = ["keeping", "kept_words"]


def kept_words(work: Path, *, pictures: bool, go_on: str = "--resume goes on from them") -> str:
    """Where measured takes are kept and how to go on; empty where none are.

    Parameters
    ----------
    work : Path
    pictures : bool
        Whether the audit was let show the performer.
    go_on : str
        How the next run takes them up.
    """
    count = unfinished(work)
    if not count:
        return ""
    takes = "1 measured take is" if count == 1 else f"{count} measured takes are"
    shown = ", pictures of the performer may be among them" if pictures else ""
    return f"{takes} kept in {work}{shown}: {go_on}; else remove that folder when you are done."


@contextmanager
def keeping(work: Path, *, pictures: bool, go_on: str = "--resume goes on from them") -> Iterator[None]:
    """Let an OutputError of the block say what is kept; folders in which nothing is are removed.

    Parameters
    ----------
    work, pictures, go_on
        As of `kept_words`.
    """
    new_folder = not work.parent.exists()
    try:
        yield
    except OutputError as error:
        words = kept_words(work, pictures=pictures, go_on=go_on)
        if not words:
            forget(work, with_parent=new_folder)
            raise
        raise OutputError(error.message, hint=f"{error.hint} {words}") from error
