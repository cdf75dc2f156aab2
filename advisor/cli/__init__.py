"""The command line: a thin door to each room. It parses, calls, prints and chooses the exit code."""

from __future__ import annotations

import importlib
import os
import sys

import typer

from advisor.errors import AdvisorError

DOORS = ("demo", "capture", "score", "sheet", "log", "learn", "tables", "rehearse", "notebook")
"""Command names; each lives in the module of the same name and adds itself with `register`."""

app = typer.Typer(
    name="advisor",
    help="Which Debian desktop suits a used PC, what its devices need, and how long it will hold a slot.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _open_doors(wanted: str | None) -> None:
    """Add the commands; only the wanted one's module is imported when it is known, which keeps start-up short."""
    for door in (wanted,) if wanted in DOORS else DOORS:
        importlib.import_module(f"advisor.cli.{door}").register(app)


@app.callback()
def _root() -> None:
    """Keep `advisor NAME` a sub-command even while only one door is open."""


def _leave_the_current_folder() -> None:
    """Look for programs in folders that PATH names whole: any other entry depends on the folder that one stands in."""
    folders = os.environ.get("PATH", os.defpath).split(os.pathsep)
    os.environ["PATH"] = os.pathsep.join(folder for folder in folders if os.path.isabs(folder))


def main() -> None:
    """Run the command line; exit 0 when done, 1 when some rows could not be used, 2 for a wrong call."""
    _leave_the_current_folder()
    wanted = next((word for word in sys.argv[1:] if not word.startswith("-")), None)
    _open_doors(wanted)
    try:
        app()
    except AdvisorError as error:
        typer.echo(f"advisor: {error.message}", err=True)
        if error.hint:
            typer.echo(f"  {error.hint}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(2)
    except KeyboardInterrupt:
        typer.echo("advisor: stopped.", err=True)
        sys.exit(130)
