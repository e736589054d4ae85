"""The command `live`. Heavy libraries are loaded when it runs."""

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rigcheck.errors import Ended, printable

if TYPE_CHECKING:
    from rigcheck.live.engine import LiveEngine

__all__ = ["live"]

_WEB = ("anyio", "starlette", "uvicorn")

_Optional = Path | None


def live(
    source1: Annotated[
        str,
        typer.Argument(
            metavar="SOURCE1",
            help="Camera 1, or both: a device (0), a stream's address, a folder that stills are saved into, a video.",
        ),
    ],
    source2: Annotated[str | None, typer.Argument(metavar="SOURCE2", help="Camera 2.")] = None,
    *,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for what you ask to be kept.")],
    rig: Annotated[_Optional, typer.Option("--rig", metavar="FILE", help="Rig file.")] = None,
    calibration: Annotated[
        _Optional,
        typer.Option("--calibration", metavar="FILE", help="Calibration: advice in millimetres and degrees."),
    ] = None,
    board: Annotated[
        _Optional, typer.Option("--board", metavar="FILE", help="Board file, for board mode.")
    ] = None,
    approved: Annotated[
        _Optional,
        typer.Option(
            "--approved", metavar="RESULT", help="result.json of an approved fitting to compare with."
        ),
    ] = None,
    performer: Annotated[
        _Optional, typer.Option("--performer", metavar="FILE", help="Performer record to go on with.")
    ] = None,
    code_name: Annotated[
        str | None, typer.Option("--code-name", metavar="NAME", help="Code name, never a real one.")
    ] = None,
    helmet_on: Annotated[
        str | None,
        typer.Option("--helmet-on", metavar="TIME", help="When the helmet went on: now, 14:05, or ISO 8601."),
    ] = None,
    mass_g: Annotated[
        float | None, typer.Option("--mass-g", metavar="N", min=0.0, help="What the head carries, in grams.")
    ] = None,
    overhang_mm: Annotated[
        float | None,
        typer.Option("--overhang-mm", metavar="N", help="How far its centre of mass lies before the ears."),
    ] = None,
    rest_after_min: Annotated[
        float,
        typer.Option(
            "--rest-after-min", metavar="N", min=1.0, help="Minutes worn until the page says to rest."
        ),
    ] = 30.0,
    loop: Annotated[bool, typer.Option("--loop", help="Play videos again when they end.")] = False,
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="Of the page; 0 for any free one.")
    ] = 8437,
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="Let the local network open the page with a code; pictures go unencrypted."
        ),
    ] = False,
) -> None:
    """Show both cameras and what to move next, on a page.

    For a browser beside the helmet while it is fitted. Nothing is kept unless you ask.
    """
    need_web()
    from rigcheck.jobs.wearing import WornSaid
    from rigcheck.live.engine import LiveEngine
    from rigcheck.live.options import LiveOptions

    options = LiveOptions(
        sources=(source1,) if source2 is None else (source1, source2),
        out=out,
        rig=rig,
        calibration=calibration,
        board=board,
        approved=approved,
        performer=performer,
        code_name=code_name,
        worn=None if helmet_on is None else WornSaid(on=helmet_on),
        mass_g=mass_g,
        overhang_mm=overhang_mm,
        rest_after_min=rest_after_min,
        loop=loop,
        aside=True,
    )
    engine = LiveEngine(options)
    _serve(engine, out, port=port, lan=lan)
    kept = engine.reading().kept
    for each in kept:
        typer.echo(printable(f"{each.name}: {each.sentence}"))
    if not kept:
        raise KeyboardInterrupt
    raise Ended


def _serve(engine: "LiveEngine", out: Path, *, port: int, lan: bool) -> None:
    """Serve the page until an interrupt."""
    from rigcheck.live.web_serving import LiveServer

    server = LiveServer(engine, port=port, out=out, lan=lan, say=typer.echo)
    with engine:
        try:
            with server:
                typer.echo(printable(f"Nothing is kept unless you ask: then in {out}. End with Ctrl-C."))
                while server.running:
                    threading.Event().wait(0.5)
        except KeyboardInterrupt:
            typer.echo("Ending.", err=True)


def need_web() -> None:
    """Raise DependencyError when the libraries of the page are not installed."""
    from importlib.util import find_spec

    from rigcheck.errors import DependencyError

    missing = [name for name in _WEB if find_spec(name) is None]
    if missing:
        raise DependencyError(
            f"The live page needs {', '.join(missing)}, not installed here.",
            hint="install them: python -m pip install 'rigcheck[live]'",
        )
