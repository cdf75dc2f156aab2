"""`advisor tables`: build the driver tables, show what is loaded, look a device up, check against kmod."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from advisor.cli.screen import say
from advisor.cli.shared_options import option

tables_app = typer.Typer(help="Kernel driver and firmware tables.", no_args_is_help=True)

Kernel = Annotated[
    list[str] | None, option("A kernel's name, such as debian-13; may be given several times.", "--kernel")
]
Cache = Annotated[Path | None, option("Folder for downloads; else the user's cache folder.", "--cache")]


_say = partial(say, err=True)


def _kernels(named: list[str] | None) -> list[str]:
    from advisor.errors import InputError
    from advisor.lab.tables.build import RECIPES

    for name in named or ():
        if name not in RECIPES:
            raise InputError(
                f"{name!r} is none of the kernels that can be fetched: {', '.join(RECIPES)}.",
                "Another kernel's table is built from its tree: advisor tables build --tree DIR --name NAME",
            )
    return list(dict.fromkeys(named)) if named else list(RECIPES)


@tables_app.command("build", epilog="Example:  advisor tables build --kernel debian-13")
def build(
    kernel: Kernel = None,
    cache: Cache = None,
    tree: Annotated[Path | None, option("Module tree of any other kernel, instead of packages.")] = None,
    name: Annotated[str | None, option("Name of the table made of --tree.")] = None,
    firmware: Annotated[str, option("Firmware table that goes with --tree.")] = "debian-13",
) -> None:
    """Build tables from Debian's own packages, fetched with apt, or from a kernel's module tree.

    Tables of Debian's kernels go where the package keeps its tables, or to the user's own folder when that cannot be
    written to; a table made of --tree always goes to the user's own folder.
    """
    from advisor.errors import InputError
    from advisor.lab.tables import build as builder
    from advisor.lab.tables.build import RECIPES

    if (tree is None) != (name is None):
        raise InputError("--tree and --name go together: the module tree, and what its table is to be called.")
    if tree is not None and name is not None:
        if kernel:
            raise InputError("--kernel and --tree cannot go together.")
        say(f"written: {builder.build_tree(tree, name, firmware)}")
        return
    folder = builder.table_folder()
    downloads = cache or builder.default_cache()
    done: set[str] = set()
    for one in _kernels(kernel):
        wanted = RECIPES[one].firmware
        for path in builder.build_kernel(one, downloads, folder, _say, firmware=wanted not in done):
            say(f"written: {path}")
        done.add(wanted)
    for path in builder.build_ids(downloads, folder, _say):
        say(f"written: {path}")


@tables_app.command("show", epilog="Example:  advisor tables show")
def show(
    name: Annotated[str | None, typer.Argument(help="One table, with its packages and what changed.")] = None,
) -> None:
    """Say which tables are there, of which kernel, how old, and what changed against the build before."""
    from advisor.drivers import summary

    say(summary.one(name) if name else summary.every())


@tables_app.command("find", epilog='Example:  advisor tables find "Intel Wireless-AC 8260"')
def find(
    text: Annotated[list[str], typer.Argument(help="A device's name, id or modalias.")],
    kind: Annotated[str | None, option("Look only among wireless, graphics, ethernet ...")] = None,
) -> None:
    """Show what a device's name, id or modalias means, and which modules of each kernel bind it."""
    from advisor.drivers import summary

    say(summary.find(" ".join(text), kind))


@tables_app.command("check", epilog="Example:  advisor tables check --kernel debian-13")
def check(kernel: Kernel = None, cache: Cache = None) -> None:
    """Compare the tables with kmod's own library on freshly fetched packages; exit 2 when anything differs."""
    from advisor.lab.tables import build as builder
    from advisor.lab.tables import check as checker

    good = True
    for one in _kernels(kernel):
        report = checker.check_kernel(one, cache or builder.default_cache(), _say)
        say(checker.told(report))
        good = good and report.good
    if not good:
        raise typer.Exit(2)
