"""The command line: a thin door to each room. It parses, calls, prints and chooses the exit code."""

from __future__ import annotations

import gc
import importlib
import io
import itertools
import os
import sys
import warnings
from typing import Annotated, Any

import typer
import typer.main

from advisor.cli import screen
from advisor.cli.faults import failed
from advisor.cli.shared_options import option
from advisor.errors import InputError
from advisor.files import ends_tidily

UsageError: Any = typer.BadParameter.__bases__[0]
"""The error of a wrong call; where its module is depends on typer's version."""

DOORS = ("demo", "capture", "score", "sheet", "plan", "log", "learn", "tables", "rehearse", "handover", "notebook")
"""Command names; each is a function of the module of the same name, or its `NAME_app` with sub-commands."""

app = typer.Typer(
    name="advisor",
    help="Which Debian desktop suits a used PC, what its devices need, and how long it will hold a slot.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def open_door(to: typer.Typer, name: str) -> None:
    """Add a command to an application."""
    module = importlib.import_module(f"advisor.cli.{name}")
    group = getattr(module, f"{name}_app", None)
    if group is not None:
        to.add_typer(group, name=name)
    else:
        to.command(name, epilog=module.EXAMPLE)(getattr(module, name))


def _open_doors(wanted: str | None) -> None:
    """Add the commands, each once; only the wanted one's module is imported when it is known: start-up stays short."""
    opened = {one.name for one in app.registered_commands} | {one.name for one in app.registered_groups}
    for door in [one for one in ((wanted,) if wanted in DOORS else DOORS) if one not in opened]:
        open_door(app, door)


def _versions(context: typer.Context, asked: bool) -> None:
    if asked:
        from advisor.cli import version

        screen.say(version.everything() if context.params["verbose"] else version.program())
        raise typer.Exit


@app.callback()
def _root(
    debug: Annotated[bool, option("Show where a fault of the program arose.", "--debug")] = False,
    version: Annotated[bool, option("Say the program's version.", "--version", callback=_versions)] = False,
    verbose: Annotated[
        bool,
        option("With --version: of tables and models too, and how old.", "--verbose", is_eager=True),
    ] = False,
) -> None:
    """Keep `advisor NAME` a sub-command even while only one door is open."""
    if verbose:
        raise typer.BadParameter("--verbose goes with --version.")


def _leave_the_current_folder() -> None:
    """Look for programs in folders that PATH names whole: any other entry depends on the folder that one stands in."""
    folders = os.environ.get("PATH", os.defpath).split(os.pathsep)
    os.environ["PATH"] = os.pathsep.join(folder for folder in folders if os.path.isabs(folder))


def main() -> None:
    """Run the command line; exit 0 when done, 1 when some rows could not be read, 2 for anything that went wrong."""
    # Imports and tables make many objects and hardly a cycle: looking for some costs a tenth of a unit's time.
    gc.set_threshold(100_000, 20, 50)
    # No plug-in of another package has a say here, and to look for some goes through all that is installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")
    _leave_the_current_folder()
    screen.open_streams()
    if not sys.warnoptions:
        # Warnings of libraries are for who develops this.
        warnings.simplefilter("ignore")
    words = sys.argv[1:]
    before_command = list(itertools.takewhile(lambda word: word.startswith("-"), words))
    try:
        with ends_tidily():
            code = _run(words)
        sys.stdout.flush()
    except Exception as error:
        code = failed(error, "--debug" in before_command)
    except KeyboardInterrupt:
        screen.say("advisor: stopped.", err=True)
        code = 130
    # All of the memory goes back at once: nothing is gained by looking through it first.
    gc.freeze()
    sys.exit(code)


def _run(words: list[str]) -> int:
    """Carry out a call; its exit code."""
    _check_letters(words)
    _open_doors(next((word for word in words if not word.startswith("-")), None))
    command = typer.main.get_command(app)
    # Not through `command.main`, which has exit codes of its own for a closed pipe and for Ctrl+C.
    try:
        with command.make_context("advisor", words) as context:
            command.invoke(context)
    except typer.Exit as done:
        return done.exit_code
    except typer.Abort:
        raise KeyboardInterrupt from None
    except UsageError as error:
        error.show(file=(said := io.StringIO()))
        screen.say(said.getvalue(), err=True, nl=False)
        return 2
    return 0


def _check_letters(words: list[str]) -> None:
    """Refuse words that are no text, unless they name a file: an asset tag of such bytes could never be written out."""
    for word in words:
        try:
            os.fsencode(word).decode("utf-8")
        except UnicodeDecodeError:
            if not os.path.lexists(word):
                raise InputError(
                    f"{word!r} is no text in UTF-8, and no file has that name.", "Write it anew."
                ) from None
