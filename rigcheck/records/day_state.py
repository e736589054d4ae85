"""What a day's steps were made from, kept beside their results: what is unchanged need not run again."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import JsonValue, StringConstraints

from rigcheck.errors import SchemaError
from rigcheck.records.document import Document, read_text
from rigcheck.records.headers import DAY_STATE_FORMAT, VERSION, require_kind
from rigcheck.records.json_text import json_object, json_text
from rigcheck.records.validation import Format, validated

__all__ = ["STATE_NAME", "DayStateFormat", "InputPrint", "StepMade", "day_state_text", "read_day_state"]

STATE_NAME = "day-state.json"
_LARGEST_BYTES = 64 << 20

_Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


class InputPrintFormat(Format):
    """What an input is told by: `facts` of names, sizes and times of change, `sha256` of its content."""

    facts: _Sha256
    sha256: _Sha256


class StepMadeFormat(Format):
    """What a step was made from, and the SHA-256 of each file it made; `done` is false while it runs."""

    command: str
    done: bool
    program: str
    options: dict[str, JsonValue]
    inputs: dict[str, InputPrintFormat]
    outputs: dict[str, _Sha256]


class DayStateFormat(Format):
    """Steps that ran into one folder, by name."""

    format: Literal["rigcheck-day-state"]
    version: Literal[1]
    steps: dict[str, StepMadeFormat]


@dataclass(frozen=True, kw_only=True)
class InputPrint:
    """What a file or folder is told by: names, sizes and times of change (`facts`), and its content (`sha256`)."""

    facts: str
    sha256: str


@dataclass(frozen=True, kw_only=True)
class StepMade:
    """What a step was made from and what it made; `done` is False while it runs, and after a fault."""

    command: str
    done: bool
    program: str
    options: Mapping[str, object]
    inputs: Mapping[str, InputPrint]
    outputs: Mapping[str, str] = field(default_factory=dict)


def day_state_text(steps: Mapping[str, StepMade]) -> str:
    """Write a day's state; `read_day_state` gives the same back."""
    content = DayStateFormat.model_validate(
        {
            "format": DAY_STATE_FORMAT,
            "version": VERSION,
            "steps": {
                name: {
                    **vars(made),
                    "options": dict(made.options),
                    "inputs": {path: vars(one) for path, one in made.inputs.items()},
                    "outputs": dict(made.outputs),
                }
                for name, made in steps.items()
            },
        }
    )
    return json_text(content.model_dump())


def read_day_state(folder: str | Path) -> dict[str, StepMade]:
    """Read what is known of the steps in a folder; nothing where no day ran.

    Raises
    ------
    SchemaError
        When the file is damaged.
    """
    path = Path(folder) / STATE_NAME
    if not path.exists():
        return {}
    try:
        text = read_text(path, largest_bytes=_LARGEST_BYTES, what="the state of a day")
        document = Document(origin=str(path), value=json_object(text, str(path)))
        require_kind(document, "day-state")
        content = validated(document, DayStateFormat)
    except SchemaError as error:
        raise SchemaError(
            error.message, hint="remove this file and add --replace: every step then runs again."
        ) from error
    return {
        name: StepMade(
            command=made.command,
            done=made.done,
            program=made.program,
            options=made.options,
            inputs={where: InputPrint(**one.model_dump()) for where, one in made.inputs.items()},
            outputs=made.outputs,
        )
        for name, made in content.steps.items()
    }
