"""Formats as pydantic models, and their complaints as sentences an operator can act on."""

import difflib
from collections.abc import Iterable, Mapping
from types import UnionType
from typing import Annotated, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import ErrorDetails

from rigcheck.errors import SchemaError
from rigcheck.records.document import Document, Location, described, named

__all__ = ["CameraName", "Format", "NonNegative", "Positive", "Row3", "Text", "nearest", "validated"]

# A camera's name becomes part of measurement names and file names.
CameraName = Annotated[str, StringConstraints(pattern=r"^\w[\w -]{0,39}$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Row3 = Annotated[list[float], Field(min_length=3, max_length=3)]

_NEEDED = {
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "string_type": "text (put it in quotes if it looks like a number)",
    "bool_type": "true or false",
    "list_type": "a list, such as [9, 7]",
    "dict_type": "entries of the form 'key: value'",
    "model_type": "entries of the form 'key: value'",
    "model_attributes_type": "entries of the form 'key: value'",
    "finite_number": "a finite number",
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number of at least {ge:g}",
    "less_than": "a number under {lt:g}",
    "less_than_equal": "a number of at most {le:g}",
    "too_short": "at least {min_length} entries",
    "too_long": "at most {max_length} entries",
    "literal_error": "{expected}",
    "string_too_short": "text",
    "string_too_long": "text of at most {max_length} characters",
    "none_required": "nothing",
    "union_tag_invalid": "{expected_tags}",
}


class Format(BaseModel):
    """Base of every format: strict types, no unknown keys, no NaN or Infinity."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


FormatT = TypeVar("FormatT", bound=Format)


def validated(document: Document, model: type[FormatT]) -> FormatT:
    """Check a document against a format.

    Parameters
    ----------
    document : Document
    model : type
        The pydantic model of the format.

    Raises
    ------
    SchemaError
        For the first thing wrong; an unknown key comes first, since its near miss is usually the missing one.
    """
    try:
        return model.model_validate(document.value)
    except ValidationError as error:
        details = error.errors(include_url=False)
    # The deepest next: of a union's branches, the one that fits the value best complains deepest.
    details.sort(key=lambda each: (each["type"] != "extra_forbidden", -len(_existing(document, each["loc"]))))
    others = len({_existing(document, detail["loc"]) for detail in details}) - 1
    more = f" ({others} more of its entries are wrong)" if others else ""
    raise _sentence(document, model, details[0], more)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name that `name` is probably a slip for; None when none is near."""
    by_folded = {candidate.casefold(): candidate for candidate in known}
    found = difflib.get_close_matches(name.casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def _sentence(document: Document, model: type[Format], detail: ErrorDetails, more: str) -> SchemaError:
    kind, place = detail["type"], detail["loc"]
    if kind.startswith("union_tag"):
        # Which of several forms an entry has is said by one of its keys: that key is meant.
        place = (*place, str(detail["ctx"]["discriminator"]).strip("'"))
        kind = "missing" if kind == "union_tag_not_found" else kind
    if kind == "extra_forbidden":
        known = _keys_at(model, place[:-1])
        near = nearest(str(place[-1]), known)
        hint = f"did you mean {near!r}?" if near else f"known here: {', '.join(known)}."
        here = (*_existing(document, place[:-1]), place[-1])
        found = f"{document.where(here)}: unknown key {named(here)!r} found{more}."
        return SchemaError(found, hint=hint)
    if kind == "missing":
        return document.error(
            place[:-1], f"{place[-1]!r} is missing and needed{more}", hint=f"add a line '{place[-1]}: …'."
        )
    location = _existing(document, place)
    value = document.at(location)
    return document.error(
        location, f"{described(value)} found, {_needed(detail)} needed{more}", hint=_hint(value, detail)
    )


def _needed(detail: ErrorDetails) -> str:
    context: Mapping[str, object] = detail.get("ctx", {})
    if detail["type"] == "value_error":
        return str(context["error"])
    if detail["type"] == "string_pattern_mismatch":
        return "a short name of letters, digits, spaces, '-' and '_'"
    template = _NEEDED.get(detail["type"])
    return template.format(**context) if template else detail["msg"]


def _hint(value: object, detail: ErrorDetails) -> str:
    if detail["type"] in ("literal_error", "union_tag_invalid") and isinstance(value, str):
        context = detail["ctx"]
        choices = (
            str(context.get("expected", context.get("expected_tags")))
            .replace("'", "")
            .replace(" or ", ", ")
            .split(", ")
        )
        near = nearest(value, choices)
        if near:
            return f"did you mean {near!r}?"
    if detail["type"] == "float_type" and isinstance(value, str) and "," in value:
        return "write the decimal point as '.', not ','."
    return "correct this entry."


def _existing(document: Document, place: Location) -> Location:
    """Cut a location to what stands in the file; pydantic adds the names of a union's branches to it."""
    here: Location = ()
    for step in place:
        try:
            document.at((*here, step))
        except LookupError:
            continue
        here = (*here, step)
    return here


def _keys_at(model: type[Format], location: Location) -> list[str]:
    """Keys that the format knows at a location."""
    here: list[type[Format]] = [model]
    for step in location:
        if not isinstance(step, str):
            continue
        tagged = [one for one in here if len(here) > 1 and step in _tags(one)]
        inner = [
            found
            for one in here[:1]
            if step in one.model_fields
            for found in _inner_formats(one.model_fields[step].annotation)
        ]
        here = tagged or inner or here
    return list(here[0].model_fields)


def _tags(model: type[Format]) -> set[object]:
    """Words by which one form of an entry is told from its others."""
    choices = [field.annotation for field in model.model_fields.values()]
    return {word for choice in choices if get_origin(choice) is Literal for word in get_args(choice)}


def _inner_formats(annotation: object) -> list[type[Format]]:
    if isinstance(annotation, type) and issubclass(annotation, Format):
        return [annotation]
    if get_origin(annotation) in (Union, UnionType, list, dict, Annotated):
        return [found for part in get_args(annotation) for found in _inner_formats(part)]
    return []
