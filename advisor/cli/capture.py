"""`advisor capture`: the facts of a unit, from the machine itself, from listings of it, or from a file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from advisor.cli.screen import say
from advisor.cli.shared_options import a_file, option
from advisor.errors import InputError
from advisor.files import refuse_same

if TYPE_CHECKING:
    from advisor.unit import Capture


EXAMPLE = None
"""It stands in the words of the command itself."""


def capture(
    out: Annotated[
        Path | None, a_file("Write the capture to this file (JSON); with --script, the script.", "--out", "-o")
    ] = None,
    tag: Annotated[str | None, option("The shop's own tag of the unit.", metavar="TAG")] = None,
    speed: Annotated[
        bool, option("Measure decompression and, as root, reads of the disk: 10 s at most.", "--speed")
    ] = False,
    identifiers: Annotated[
        bool, option("Keep serial numbers and network addresses; left out otherwise.", "--identifiers")
    ] = False,
    root: Annotated[
        Path, option("Read a recorded machine below this folder instead of this machine.", metavar="FOLDER")
    ] = Path("/"),
    listings: Annotated[
        list[Path] | None,
        a_file(
            "Read the script's text, or listings such as lspci -nn: a file, a folder, or - for standard input; "
            "may be given again.",
            "--from",
        ),
    ] = None,
    script: Annotated[
        bool, option("Print a shell script that captures a unit where nothing is installed.", "--script")
    ] = False,
    watch: Annotated[
        bool, option("Look again whenever a device is plugged in or out, until Ctrl+C.", "--watch")
    ] = False,
) -> None:
    """Read the facts of a unit; nothing is written to the machine looked at.

    Without options: this machine, in words. Root adds memory slots and disk health; what could not be read is said.

    Example: advisor capture --out unit-017.json --tag 017
    """
    _check(root, listings, script, watch, speed, identifiers, out)
    if script:
        _script(out)
    elif watch:
        _watch(out, tag)
    else:
        if listings:
            _listed(listings, tag, out)
            return
        from advisor.capture.live import take

        _show(take(root, identifiers=identifiers, speed=speed, tag=tag), out)


def _listed(listings: list[Path], tag: str | None, out: Path | None) -> None:
    """Read listings, show the machines that they are of, what became of each part, and what to ask for."""
    import sys

    from advisor.capture.listings import missing, read_files
    from advisor.drivers.asked import name_packages

    text = sys.stdin.read() if Path("-") in listings else ""
    found = [name_packages(one) for one in read_files([path for path in listings if path != Path("-")], text)]
    if len(found) > 1 and out is not None:
        raise InputError(
            f"The listings are of {len(found)} machines, and {out} can hold one.", "Leave out --out to see them all."
        )
    for one in found:
        _show(_tagged(one, tag), out)
    for line in found[0].ledger:
        say(f"  {line}")
    for sentence in filter(None, map(missing, found)):
        say(sentence)


def _check(
    root: Path, listings: list[Path] | None, script: bool, watch: bool, speed: bool, identifiers: bool, out: Path | None
) -> None:
    ways = {"--root": root != Path("/"), "--from": listings, "--script": script, "--watch": watch}
    chosen = [name for name, given in ways.items() if given]
    if len(chosen) > 1:
        raise InputError(f"{' and '.join(chosen)} cannot be used together.", "Choose one of them.")
    if chosen and (speed or (identifiers and chosen != ["--root"])):
        option = "--speed" if speed else "--identifiers"
        raise InputError(f"{option} has no meaning with {chosen[0]}.", f"Leave out {option}.")
    if out is not None and os.path.isdir(out):
        raise InputError(f"{out} is a folder.", "Name a file, such as unit-017.json.")
    refuse_same(out, *(path for path in listings or () if not path.is_dir() and path != Path("-")))


def _tagged(found: Capture, tag: str | None) -> Capture:
    return found.model_copy(update={"unit": found.unit.model_copy(update={"asset_tag": tag})}) if tag else found


def _show(found: Capture, out: Path | None) -> None:
    from advisor.capture.capture_file import write_capture
    from advisor.capture.summary import text

    if out is None:
        say(text(found), nl=False)
    else:
        write_capture(found, out)
        say(f"{out} written.")


def _script(out: Path | None) -> None:
    from importlib.resources import files

    from advisor.files import write_whole

    content = (files("advisor.capture") / "script.sh").read_text(encoding="utf-8")
    if out is None:
        say(content, nl=False)
        return
    write_whole(out, content)
    say(f"{out} written. On the unit: sh {out.name}, then here: advisor capture --from FILE")


def _watch(out: Path | None, tag: str | None) -> None:
    import time

    from advisor.capture.capture_file import write_capture
    from advisor.capture.watch import watch

    def report(lines: list[str], found: Capture) -> None:
        say(time.strftime("%H:%M:%S"))
        for line in lines:
            say(f"  {line}")
        if out is not None:
            write_capture(_tagged(found, tag), out)
            say(f"  {out} written.")

    watch(report, lambda: say("Watching. Plug a device in or out; stop with Ctrl+C."))
