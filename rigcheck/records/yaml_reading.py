"""YAML read strictly: what is written is what is meant, or it is refused.

PyYAML's own loaders follow YAML 1.1: ``off`` becomes false, ``1e-3`` stays text, ``1:30`` becomes 90, the
last of two equal keys wins, and aliases can blow a small file up to gigabytes. Here the parser's events are
turned into values by the core schema of YAML 1.2 (section 10.3), without aliases and tags.
"""

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from rigcheck.errors import SchemaError
from rigcheck.records.document import Document, Location, named, read_text

__all__ = ["LARGEST_YAML_BYTES", "parse_yaml", "parse_yaml_list", "read_yaml"]

LARGEST_YAML_BYTES = 1 << 20
# PyYAML's stubs give the events no attributes; they are described in its documentation ("Events").
_Event = Any
# The same events from libyaml, where PyYAML has it, in a twentieth of the time: a whole MiB in one second.
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_DEEPEST = 24
_LONGEST_NUMBER = 40

_NULL = re.compile(r"~|null|Null|NULL|")
_TRUE = re.compile(r"true|True|TRUE")
_FALSE = re.compile(r"false|False|FALSE")
# A leading zero makes it text: a serial number 0123 must not become 123.
_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+\.[0-9]*|[0-9]+(?=[eE]))(?:[eE][-+]?[0-9]+)?")
_INFINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)")
_NAN = re.compile(r"\.(?:nan|NaN|NAN)")


def read_yaml(path: Path, what: str) -> Document:
    """Read one YAML file whose top is a mapping.

    Parameters
    ----------
    path : Path
    what : str
        What the file should be, for messages: "a board file".

    Raises
    ------
    InputError
        When it cannot be read at all.
    SchemaError
        When it is not UTF-8, too large, not YAML, or uses what is refused here: duplicated keys, aliases,
        tags, several documents, keys that are not text.
    """
    return parse_yaml(read_text(path, largest_bytes=LARGEST_YAML_BYTES, what=what), str(path), what)


def parse_yaml(text: str, origin: str, what: str) -> Document:
    """Turn YAML text into a Document; see `read_yaml`."""
    builder = _Builder(origin)
    value = builder.document(_events(text, origin))
    if not isinstance(value, dict):
        raise SchemaError(
            f"{origin}: no entries of the form 'key: value' found, {what} needed.",
            hint="check that this is the file you meant; a space must follow each colon.",
        )
    return Document(origin=origin, value=value, lines=builder.lines)


def parse_yaml_list(text: str, origin: str, what: str, *, key: str) -> Document:
    """Turn YAML text whose top is a list into a Document that holds it under `key`; see `read_yaml`."""
    builder = _Builder(origin)
    value = builder.document(_events(text, origin))
    if not isinstance(value, list):
        raise SchemaError(
            f"{origin}: no list found, {what} needed: entries that each begin with '- '.",
            hint="check that this is the file you meant; a space must follow each hyphen and colon.",
        )
    lines = {(key, *location): line for location, line in builder.lines.items()}
    return Document(origin=origin, value={key: value}, lines=lines)


def _events(text: str, origin: str) -> Iterator[_Event]:
    """Yield the parser's events; its complaints become ours."""
    try:
        yield from yaml.parse(text, Loader=_LOADER)
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # The scanner lets ValueError and OverflowError of chr() and int() through.
        mark = getattr(error, "problem_mark", None)
        where = f"{origin}:{mark.line + 1}" if mark is not None else origin
        problem = (
            getattr(error, "problem", None) or getattr(error, "reason", None) or "broken escape or directive"
        )
        raise SchemaError(
            f"{where}: this is not valid YAML ({problem}).",
            hint="check indentation (spaces, no tabs), brackets and quotes at and before that line.",
        ) from error


class _Builder:
    """Turns events into values and notes the line of each."""

    def __init__(self, origin: str) -> None:
        self.origin = origin
        self.lines: dict[Location, int] = {}

    def document(self, events: Iterator[_Event]) -> object:
        """Return the value of the only document; None for an empty file."""
        value: object = None
        count = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                count += 1
                if count > 1:
                    raise self._refusal(event, "a second document after '---'", "keep one per file.")
                value = self._value(next(events), events, ())
        return value

    def _value(self, event: _Event, events: Iterator[_Event], location: Location) -> object:
        if len(location) > _DEEPEST:
            raise self._refusal(
                event, f"entries nested deeper than {_DEEPEST}", "check brackets and indentation."
            )
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
            raise self._refusal(
                event, "an anchor or alias (& or *)", "write the values out, or quote the text."
            )
        if getattr(event, "tag", None) is not None:
            raise self._refusal(event, f"the tag {event.tag!r}", "remove it, or quote the text.")
        self.lines.setdefault(location, event.start_mark.line + 1)
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(events, location)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(events, location)
        return self._scalar(event)

    def _sequence(self, events: Iterator[_Event], location: Location) -> list[object]:
        items: list[object] = []
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            items.append(self._value(event, events, (*location, len(items))))
        return items

    def _mapping(self, events: Iterator[_Event], location: Location) -> dict[str, object]:
        entries: dict[str, object] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            plain = isinstance(event, yaml.ScalarEvent) and event.tag is None and event.anchor is None
            key = self._scalar(event) if plain else None
            if not isinstance(key, str):
                raise self._refusal(event, "a key that is not plain text", "use the keys of the format.")
            here = (*location, key)
            if key in entries:
                raise self._refusal(
                    event,
                    f"{named(here)!r} a second time (first on line {self.lines[here]})",
                    "keep one of them.",
                )
            self.lines[here] = event.start_mark.line + 1
            entries[key] = self._value(next(events), events, here)
        return entries

    def _scalar(self, event: _Event) -> object:
        text = event.value
        if not text.isascii() and not _encodable(text):
            raise self._refusal(event, "half of a surrogate pair", "write the character itself.")
        return text if event.style else self._plain(event)

    def _plain(self, event: _Event) -> object:
        """Value of an unquoted scalar by the core schema."""
        text: str = event.value
        if _NULL.fullmatch(text):
            return None
        if _TRUE.fullmatch(text) or _FALSE.fullmatch(text):
            return bool(_TRUE.fullmatch(text))
        if _INFINITE.fullmatch(text):
            return -math.inf if text.startswith("-") else math.inf
        if _NAN.fullmatch(text):
            return math.nan
        whole = _INTEGER.fullmatch(text)
        if not whole and not _FLOAT.fullmatch(text):
            return text
        if len(text) > _LONGEST_NUMBER:
            raise self._refusal(event, f"a number of {len(text)} characters", "check it for a slip.")
        return int(text) if whole else float(text)

    def _refusal(self, event: _Event, found: str, hint: str) -> SchemaError:
        return SchemaError(
            f"{self.origin}:{event.start_mark.line + 1}: {found} found, not allowed here.", hint=hint
        )


def _encodable(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
