"""A file of ours as read, before anyone has asked what it means: values, and the line of each."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rigcheck.errors import InputError, SchemaError

__all__ = ["Document", "Location", "described", "read_text"]

Location = tuple[str | int, ...]

_LONGEST_QUOTE = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class Document:
    """The content of one file, and where each entry stands.

    `lines` maps the location of an entry, such as ``("cameras", 0, "name")``, to its line, from 1.
    It is empty for JSON.
    """

    origin: str
    value: dict[str, object]
    lines: Mapping[Location, int] = field(default_factory=dict)

    def where(self, location: Location = ()) -> str:
        """File and line of an entry, or of the nearest entry around it that has one."""
        for length in range(len(location), 0, -1):
            line = self.lines.get(location[:length])
            if line is not None:
                return f"{self.origin}:{line}"
        return self.origin

    def at(self, location: Location) -> object:
        """Return the entry at a location; LookupError when there is none."""
        entry: object = self.value
        for step in location:
            match entry, step:
                case dict(), str() if step in entry:
                    entry = entry[step]
                case list(), int() if step < len(entry):
                    entry = entry[step]
                case _:
                    raise LookupError(location)
        return entry

    def error(self, location: Location, problem: str, *, hint: str) -> SchemaError:
        """Build the error for one entry: file and line, its name, the problem."""
        name = named(location)
        return SchemaError(f"{self.where(location)}: {name + ': ' if name else ''}{problem}.", hint=hint)


def named(location: Location) -> str:
    """Name of an entry as a person would write it: ``cameras[0].name``."""
    text = ""
    for step in location:
        text += f"[{step}]" if isinstance(step, int) else f"{'.' if text else ''}{step}"
    return text


def described(value: object) -> str:
    """Say what was found in few words, safe to print whatever the file held."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case int() | float():
            return f"the number {value!r}"
        case str():
            text = value if len(value) <= _LONGEST_QUOTE else value[:_LONGEST_QUOTE] + "…"
            return f"the text {text!r}"
        case list():
            return f"a list of {len(value)}"
        case _:
            return "a group of entries"


def read_text(path: Path, *, largest_bytes: int, what: str) -> str:
    """Read a UTF-8 text file of bounded size.

    Parameters
    ----------
    path : Path
    largest_bytes : int
        Larger files are refused unread.
    what : str
        What the file should be, for the message: "a board file".

    Returns
    -------
    str
        Without a leading byte-order mark.

    Raises
    ------
    InputError
        When it cannot be read at all.
    SchemaError
        When it is too large or not UTF-8 text.
    """
    try:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            raise InputError(f"{path}: {found} found, {what} needed.", hint="check the path for a slip.")
        with path.open("rb") as file:
            data = file.read(largest_bytes + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"{str(path)!r}: cannot be read ({getattr(error, 'strerror', None) or error}), {what} needed.",
            hint="check the path and that you may read the file.",
        ) from error
    if len(data) > largest_bytes:
        raise SchemaError(
            f"{path}: more than {largest_bytes // 1024} KiB found, {what} needed, which is far smaller.",
            hint="check that this is the file you meant.",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise SchemaError(
            f"{path}:{line}: bytes found that are not UTF-8 text, {what} needed.",
            hint="check that this is the file you meant; if so, save it as UTF-8 in your editor.",
        ) from error
