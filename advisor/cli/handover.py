"""`advisor handover`: is a prepared unit clean, and will it work, before it goes to its new owner."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import say
from advisor.cli.shared_options import LogFile, ShopFile, a_file, option
from advisor.files import refuse_same

if TYPE_CHECKING:
    from advisor.handover import Report
    from advisor.shop import Shop
    from advisor.unit import Unit

_INVENTED = "The invented unit OM-1003, its bench account cleared in haste."

EXAMPLE = "Example:  advisor handover --root /mnt/unit --name benchuser --json > OM-1003-handover.json"


def handover(
    root: Annotated[
        Path,
        option("Where the prepared system is mounted or unpacked; else this machine.", metavar="FOLDER"),
    ] = Path("/"),
    unit: Annotated[Path | None, a_file("The unit's capture: its firmware and its kind of disk are checked.")] = None,
    name: Annotated[
        list[str] | None, option("A name of the bench to look for, such as its account; may be given again.")
    ] = None,
    shop: ShopFile = None,
    as_json: Annotated[bool, option("An array with an object a finding, and nothing else.", "--json")] = False,
    script: Annotated[
        bool, option("Print a shell script that checks a unit where nothing is installed.", "--script")
    ] = False,
    came: Annotated[Path | None, a_file("Read what the script, or --json, wrote.", "--from")] = None,
    tag: Annotated[str | None, option("Keep the result in the bench log, as this unit's.", metavar="TAG")] = None,
    log: LogFile = None,
    slip: Annotated[Path | None, a_file("Write the slip for the new owner (.pdf); needs --unit.")] = None,
    trial: Annotated[
        bool,
        option("Also try a new account and its desktop, in an overlay; with --root, as root.", "--trial"),
    ] = False,
    demo: Annotated[bool, option("Check an invented unit with leftovers, on one screen.", "--demo")] = False,
    rules: Annotated[bool, option("List the rules, with their sources; check nothing.", "--rules")] = False,
) -> None:
    """Check that nothing is left behind on a prepared unit, and that it will work at its new owner's. Run it as root.

    It only reads: no link is followed out of the root, no mend is run, no secret is shown. Exit code 0: clean; 1:
    something to mend; 2: it could not be looked into.
    """
    from advisor.errors import InputError
    from advisor.handover import check
    from advisor.handover.rules import every
    from advisor.handover.script import generate, read_result
    from advisor.shop_file import the_shop

    if script:
        say(generate(), nl=False)
        return
    if rules:
        say("\n".join(f"{rule.id}: {rule.severity}: {rule.title} [{rule.source}]" for rule in every()))
        return
    if demo:
        if unit is not None or slip is not None or came is not None or trial:
            raise InputError("--demo checks a unit that is invented.", "It goes with --tag, --log and --json alone.")
        invented = _demo()
        if tag is not None:
            _keep(log, tag, invented)
        say(invented.json() if as_json else "\n".join([_INVENTED, invented.headline(), *invented.summary()]))
        return
    settings = the_shop(shop)
    refuse_same(slip, unit, came, shop)
    report = read_result(came) if came is not None else check(root, shop=settings, names=name or [], unit=_facts(unit))
    if tag is not None:
        _keep(log, tag, report)
    if slip is not None:
        _slip(slip, root, _facts(unit), settings, report)
    if trial:
        _try_out(root, err=as_json)
    say(report.json() if as_json else "\n".join(report.lines()))
    raise typer.Exit(report.exit_code)


def _facts(path: Path | None) -> Unit | None:
    from advisor import capture

    return capture.read_capture(path).unit if path is not None else None


def _keep(log: Path | None, tag: str, report: Report) -> None:
    from advisor.benchlog import BenchLog, ready

    with BenchLog(log) as book:
        ready.keep(book, tag, report.must, report.summary())


def _try_out(root: Path, *, err: bool) -> None:
    from advisor.lab.trial import trial

    for line in trial(root):
        say(f"Trial recipient: {line}", err=err)


def _slip(out: Path, root: Path, unit: Unit | None, shop: Shop, report: Report) -> None:
    from advisor.errors import InputError
    from advisor.files import write_whole
    from advisor.handover import slip

    if unit is None:
        raise InputError("The slip tells what this PC is.", "Name its capture too: --unit FILE")
    write_whole(out, slip.render_pdf(unit, slip.system_of(root), shop.name, report))


def _demo() -> Report:
    """Plant the demo's leftovers in a folder that is thrown away, and check it."""
    from tempfile import TemporaryDirectory

    from advisor import tables
    from advisor.handover import check

    with TemporaryDirectory() as folder:
        for row in tables.dicts("demo/leftovers"):
            path = Path(folder) / row["path"]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(row["content"].replace("\\n", "\n"), encoding="utf-8")
        return check(folder, names=("benchy",))
