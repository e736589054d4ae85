"""The command `formats`."""

from typing import Annotated

import typer

__all__ = ["formats"]


def formats(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Format whose JSON Schema is printed.")
    ] = None,
) -> None:
    """List the formats of files, or print the JSON Schema of one."""
    from rigcheck.records.json_text import json_text
    from rigcheck.records.schemas import KINDS, json_schemas

    if name is None:
        width = max(map(len, KINDS))
        for each, kind in KINDS.items():
            typer.echo(f"{each:<{width}}  {kind.file:<16}  {kind.what}")
        return
    if name not in KINDS:
        raise typer.BadParameter(f"{name!r} is no format; known: {', '.join(KINDS)}.", param_hint="NAME")
    typer.echo(json_text(json_schemas()[name]), nl=False)
