"""Where the program starts: joins the commands with the demo, and maps errors to exit codes."""

import sys

import typer

from rigcheck.cli.app import app
from rigcheck.demo.command import demo

__all__ = ["app", "main"]

app.command(name="demo")(demo)

INTERRUPTED = 130


def main() -> None:
    """Run the command line.

    Notes
    -----
    Exit codes: 0 every check passed or cautioned, 2 usage, 3 could not measure, 4 a check failed, 5 none failed but
    a required one stayed inconclusive, 130 interrupted.
    """
    try:
        app()
    except KeyboardInterrupt:
        typer.echo("Interrupted: nothing was written.", err=True)
        sys.exit(INTERRUPTED)


if __name__ == "__main__":
    main()


