"""`advisor rehearse`: real installs on a paced disk and a limited processor, and predictions for stated conditions."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from advisor.cli.screen import one_line, say
from advisor.cli.shared_options import ShopFile, a_file, option
from advisor.errors import InputError
from advisor.files import is_there, refuse_same

WORK = Path("/var/cache/rehearsals")

rehearse_app = typer.Typer(
    help="Rehearse installs and desktop sessions on a paced disk and a limited processor, or predict installs.",
    invoke_without_command=True,
    no_args_is_help=True,
    epilog="Example:  advisor rehearse --image live/filesystem.squashfs",
)

Work = Annotated[Path, option("A folder of the rig's own; trees and images stay in it.", "--work", metavar="FOLDER")]


@rehearse_app.callback()
def rehearse(
    context: typer.Context,
    image: Annotated[Path | None, a_file("Read a live medium's compressed file system (squashfs).")] = None,
    predict: Annotated[Path | None, a_file("Predict machine seconds for a CSV of conditions.")] = None,
    out: Annotated[Path | None, a_file("Write the result here instead of showing it.", "--out", "-o")] = None,
    session: Annotated[
        str | None,
        option("Measure one session of a desktop with nothing holding it back.", metavar="EDITION"),
    ] = None,
    clean: Annotated[
        bool, option("Put away what a killed run left: mounts, loop devices, processes.", "--clean")
    ] = False,
    work: Work = WORK,
) -> None:
    """Rehearse installs and desktop sessions on a paced disk and a limited processor, or predict installs.

    Rehearsing needs root, on a Debian machine that is none of the units. It writes below its work folder, to disks that
    it makes in memory, and to nothing else.
    """
    if context.invoked_subcommand is not None:
        return
    if sum((image is not None, predict is not None, session is not None, clean)) != 1:
        raise InputError(
            "Give one of --image, --predict, --session, --clean, or a sub-command.", "advisor rehearse --help"
        )
    refuse_same(out, image, predict)
    if image is not None:
        _image(image, out)
    elif predict is not None:
        _predict(predict, out)
    elif session is not None:
        _session(session, out, work)
    else:
        _clean(work)


def _image(path: Path, out: Path | None) -> None:
    from advisor.lab.image import read_image
    from advisor.lab.results import write_rows

    facts = read_image(path)
    if out is not None:
        write_rows(out, [facts.row()])
        say(f"Written: {out}")
        return
    for title, value in facts.lines():
        say(f"{title:<28} {value}")


def _predict(path: Path, out: Path | None) -> None:
    from advisor.files import write_whole
    from advisor.timing import predict_conditions, read_conditions

    table = predict_conditions(read_conditions(path))
    if out is None:
        say(table.to_string())
        return
    write_whole(out, table.to_csv(index=False))
    say(f"Written: {out}, {len(table)} rows")


def _session(edition: str, out: Path | None, work: Path) -> None:
    import tempfile

    from advisor.lab.sessions.series import RELEASE, Rig, check, repeat
    from advisor.lab.workplace import open_workplace

    (edition,) = _editions([edition])
    check(RELEASE)
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(open_workplace(work), out or Path(folder) / "session.csv", say=say)
        repeat(rig, RELEASE, [edition], 1).carry_out(say=say)
    if out is not None:
        say(f"Added to {out}")


def _editions(names: list[str]) -> list[str]:
    from advisor.shop import Edition

    known = {str(one).casefold(): str(one) for one in Edition}
    unknown = [name for name in names if name.strip().casefold() not in known]
    if unknown:
        raise InputError(f"There is no edition {unknown[0]!r}.", f"There are: {', '.join(known.values())}.")
    return [known[name.strip().casefold()] for name in names]


def _clock(until: str | None) -> float | None:
    """The next time that a clock shows this, as seconds since the epoch: tomorrow's where today's is past."""
    if until is None:
        return None
    try:
        clock = time.strptime(until, "%H:%M")
    except ValueError as error:
        raise InputError(f"--until {until!r} is no time.", "Give hours and minutes, such as 17:30.") from error
    now = time.localtime()
    past = (clock.tm_hour, clock.tm_min) <= (now.tm_hour, now.tm_min)
    return time.mktime((now.tm_year, now.tm_mon, now.tm_mday + past, clock.tm_hour, clock.tm_min, 0, 0, 0, -1))


def _clean(work: Path) -> None:
    from advisor.lab.groups import calm
    from advisor.lab.workplace import MARKER, TOOLS, clean, open_workplace, require, strangers

    require({"losetup": TOOLS["losetup"]})
    if not (work / MARKER).is_file():
        raise InputError(f"{work} is no work folder of the rig.", "Name the folder that was given to --work.")
    place = open_workplace(work)
    done = clean(place)
    calm()
    done += [f"left alone, as the rig did not sign it: {path}" for path in strangers(place)]
    say("\n".join(done) if done else "Nothing was left behind.")


@rehearse_app.command("build", epilog="Example:  advisor rehearse build xfce13 gnome13-full")
def build(
    tree: Annotated[list[str], typer.Argument(help="Names of recipes; those that end in -full are full size.")],
    clone: Annotated[bool, option("Also make the image that is cloned block by block.", "--clone")] = False,
    level: Annotated[
        int | None, option("zstd level of packed trees; mksquashfs's own when left out.", min=1, max=22)
    ] = None,
    work: Work = WORK,
) -> None:
    """Build trees with debootstrap and apt, pack them, and fetch the packages that rehearsals install."""
    from advisor.files import ends_tidily
    from advisor.lab import trees
    from advisor.lab.workplace import open_workplace, require

    require()
    unknown = [name for name in tree if name not in trees.RECIPES]
    if unknown:
        raise InputError(f"There is no recipe {unknown[0]!r}.", f"There are: {', '.join(trees.RECIPES)}.")
    place = open_workplace(work)
    for name in tree:
        recipe = trees.RECIPES[name]
        with ends_tidily():
            facts = trees.build(place, recipe)
            packed = [trees.pack(place, recipe, compression, level) for compression in trees.COMPRESSIONS]
            packed += [trees.clone_image(place, recipe)] if clone else []
        say(
            f"{name}: {facts.packages} packages, {facts.installed_files} files, {facts.installed_bytes / 1e6:.0f} MB; "
            + ", ".join(f"{path.name} {path.stat().st_size / 1e6:.0f} MB" for path in packed)
        )


@rehearse_app.command(
    "run",
    epilog="Example:  advisor rehearse run --tree xfce13 --quota 50 --rate 100 --access 12 --out rehearsals.jsonl",
)
def run(
    out: Annotated[Path, a_file("Add the line to this file.", "--out", "-o")],
    tree: Annotated[str, option("Name of a built tree.")] = "xfce13",
    compression: Annotated[str, option("xz or zstd.")] = "xz",
    installer: Annotated[str, option("Kind of installer: unpack, live, packages or clone.")] = "unpack",
    model: Annotated[str, option("A disk of lab/disks, instead of --rate and --access.")] = "",
    base: Annotated[str, option("Base set: small, codecs, office or apps.")] = "codecs",
    updates: Annotated[str, option("Update set: few, some or many.")] = "few",
    quota: Annotated[float, option("Processor time in percent of one core [%].")] = 100,
    cores: Annotated[int, option("Cores that it is spread over.")] = 1,
    memory: Annotated[int, option("Memory [MiB].")] = 4096,
    rate: Annotated[float, option("Sequential rate of the disk [MiB/s].")] = 400,
    access: Annotated[float, option("Access time of the disk [ms].")] = 0.1,
    link: Annotated[float, option("Speed of the link [Mbit/s].")] = 100,
    disk: Annotated[str, option("What to call this class of disk.")] = "by hand",
    storage_kind: Annotated[str, option("Kind of storage that it stands for.")] = "sata ssd",
    name: Annotated[str | None, option("Name of the line.")] = None,
    work: Work = WORK,
) -> None:
    """Make one rehearsal of a built tree."""
    from advisor.lab import campaign, design
    from advisor.lab.disk import models
    from advisor.lab.groups import touch_memory
    from advisor.lab.rehearsal import Setup
    from advisor.lab.workplace import INSTALL_TOOLS, open_workplace, require
    from advisor.unit import StorageKind

    require(INSTALL_TOOLS)
    if model:
        known = models.model(model)
        disk, storage_kind, (rate, access) = known.name, known.kind, design.nominal(known)
    if storage_kind not in set(StorageKind):
        raise InputError(f"{storage_kind!r} is no kind of storage.", f"Known: {', '.join(StorageKind)}.")
    plan = Setup(
        name=name or time.strftime("run-%Y%m%d-%H%M%S"), tree=tree, compression=compression, base_set=base,
        update_set=updates, quota_pct=quota, cores=cores, memory_mib=memory, disk=disk, storage_kind=storage_kind,
        rate_mib_s=rate, access_ms=access, link_mbps=link, installer=installer, model=model,
    )  # fmt: skip
    plan.check()
    touch_memory()
    if not campaign.rehearse(open_workplace(work), [plan], out, say).carry_out(say=say):
        raise InputError(f"{out} has a rehearsal named {plan.name} already.", "Give another --name.")


@rehearse_app.command("design", epilog="Example:  advisor rehearse design --out design.csv --count 70")
def design(
    out: Annotated[Path, a_file("Write the design here (CSV).", "--out", "-o")],
    count: Annotated[int, option("How many different rehearsals.", min=1, max=1000)] = 62,
    repeats: Annotated[int, option("How many of them are made twice.", min=0)] = 7,
    draw: Annotated[int, option("Number that fixes the draw.", min=0)] = 20,
    full: Annotated[
        bool, option("Full-size trees by every kind of installer, on the disks of lab/disks.", "--full")
    ] = False,
    work: Work = WORK,
) -> None:
    """Choose rehearsals spread over processors, disks, links and trees: the lean ones that are built, or full size."""
    from dataclasses import asdict

    from advisor.lab import design as designs
    from advisor.lab import trees
    from advisor.lab.results import write_rows
    from advisor.lab.workplace import open_workplace

    if full:
        pairs = len(designs.FULL_TREES) * len(designs.FULL_INSTALLERS)
        plans = designs.draw_full(-(-count // pairs), draw, repeats)
        hours = sum(designs.expected_s(plan, 4.5) for plan in plans) / 3600
    else:
        place = open_workplace(work)
        lean = [name for name, recipe in trees.RECIPES.items() if not recipe.full]
        built = [name for name in lean if (place.trees / f"{name}.json").is_file()]
        if not built:
            raise InputError("No tree is built yet.", "advisor rehearse build xfce13")
        sizes = {name: trees.read_facts(place, name).installed_bytes / 1e9 for name in built}
        plans = designs.draw(count, sizes, draw, repeats)
        hours = sum(designs.expected_s(plan, sizes[plan.tree]) for plan in plans) / 3600
    write_rows(out, [asdict(plan) for plan in plans])
    say(f"Written: {out}, {len(plans)} rehearsals, about {hours:.1f} hours")


@rehearse_app.command(
    "campaign", epilog="Example:  advisor rehearse campaign --design design.csv --out rehearsals.jsonl"
)
def campaign(
    design: Annotated[Path, a_file("The design (CSV).", "--design")],
    out: Annotated[Path, a_file("Add a line a rehearsal to this file.", "--out", "-o")],
    pause_file: Annotated[Path | None, a_file("While this file exists, no rehearsal starts.")] = None,
    core: Annotated[
        int | None,
        option("Make those of one core alone, on this one; else all, from the first core on.", min=0),
    ] = None,
    until: Annotated[str | None, option("Start none after the next time a clock shows this.", metavar="HH:MM")] = None,
    work: Work = WORK,
) -> None:
    """Make the rehearsals of a design that the out file does not hold yet; may be stopped and taken up at any time."""
    from advisor.lab import campaign as campaigns
    from advisor.lab.groups import touch_memory
    from advisor.lab.rehearsal import Setup
    from advisor.lab.results import read_design
    from advisor.lab.workplace import INSTALL_TOOLS, open_workplace, require

    refuse_same(out, design)
    require(INSTALL_TOOLS)
    limit = _clock(until)
    made = campaigns.rehearse(open_workplace(work), read_design(design, Setup), out, say, core)
    touch_memory()
    added = made.carry_out(pause_file=pause_file, until=limit, say=say)
    say(f"{added} rehearsals made")


@rehearse_app.command(
    "sessions",
    epilog="Example:  advisor rehearse sessions --design datasets/comfort/design.csv --core 1 --out sessions.csv",
)
def sessions(
    out: Annotated[Path, a_file("Add the rows to this table (CSV).", "--out", "-o")],
    design: Annotated[Path | None, a_file("Sessions under pressure, as a design (CSV).")] = None,
    edition: Annotated[list[str] | None, option("Only this desktop; may be given again.", metavar="NAME")] = None,
    release: Annotated[str, option("Release of Debian, of sessions with no design.")] = "13",
    runs: Annotated[int, option("Sessions of each desktop, with no design.", min=1)] = 3,
    core: Annotated[
        int | None, option("Only sessions of one core, on this one; else all, on the first cores.", min=0)
    ] = None,
    beside: Annotated[
        str, option("Control group of real-time work on this machine, to tell disturbance.", metavar="GROUP")
    ] = "",
    until: Annotated[str | None, option("Start none after the next time a clock shows this.", metavar="HH:MM")] = None,
    note: Annotated[str, option("What else is to be known of these runs, with no design.")] = "",
    work: Work = WORK,
) -> None:
    """Measure desktop sessions: those of a design under pressure that the table lacks, or repeats with no limits."""
    from advisor.lab.design import Pressure
    from advisor.lab.groups import touch_memory
    from advisor.lab.results import read_design
    from advisor.lab.sessions.series import Rig, check, repeat, under_pressure
    from advisor.lab.workplace import open_workplace
    from advisor.shop import Edition

    refuse_same(out, design)
    names = _editions(edition) if edition else [str(one) for one in Edition]
    plans = [plan for plan in read_design(design, Pressure) if plan.edition in names] if design else None
    limit = _clock(until)
    check(release)
    rig = Rig(open_workplace(work), out, core, beside, say)
    rig.rows()
    touch_memory()
    if plans is not None:
        added = under_pressure(rig, plans).carry_out(until=limit, say=say)
    else:
        added = repeat(rig, release, names, runs, note).carry_out(until=limit, say=say)
    say(f"{added} sessions measured")


@rehearse_app.command(
    "collect", epilog="Example:  advisor rehearse collect rehearsals.jsonl --out datasets/rehearsals.jsonl"
)
def collect(
    lines: Annotated[list[Path], typer.Argument(help="Files that campaigns or runs wrote.")],
    out: Annotated[Path, a_file("Write what ships here.", "--out", "-o")],
) -> None:
    """Collect lines into the data that the timing model is fitted on, and show how far repeats lie apart."""
    from advisor.lab import collect as collecting
    from advisor.lab.results import read_lines

    refuse_same(out, *lines)
    absent = [str(path) for path in lines if not is_there(path)]
    if absent:
        raise InputError(f"{absent[0]} does not exist.", "Name the file that was given to --out of a campaign.")
    chosen = collecting.collect([line for path in lines for line in read_lines(path)])
    collecting.write_collected(out, chosen)
    disturbed = sum(bool(line.get("disturbed")) for line in chosen)
    say(f"Written: {out}, {len(chosen)} rehearsals, of which {disturbed} marked as disturbed")
    pairs = collecting.repeats(chosen)
    if len(pairs):
        say(pairs.round(1).to_string(index=False))
        floor = collecting.noise_floor_pct(list(pairs["difference_pct"]))
        say(f"Noise floor, one standard deviation of a rehearsal: {floor:.1f} % from {len(pairs)} repeats")


@rehearse_app.command("compare", epilog="Example:  advisor rehearse compare times.csv --units intake.csv")
def compare(
    times: Annotated[
        Path, typer.Argument(help="Stopwatch list: asset_tag, timed (a phase, desktop or browser), seconds.")
    ],
    units: Annotated[Path | None, a_file("Intake sheet of the units, where the list itself has no facts.")] = None,
    shop: ShopFile = None,
    out: Annotated[
        Path | None, a_file("Also write every time beside its prediction here (CSV).", "--out", "-o")
    ] = None,
) -> None:
    """Set the predictions against times off a stopwatch, from real units; a row that cannot be read is named.

    A list begins so, its facts of the unit in the same row or, by the tag, in --units:

    asset_tag,timed,seconds,edition,cpu,ram,disk

    A-1,desktop,1:34,Xfce,i5-6300U,8,240 SSD

    Timed may be a phase of the sheet (copy, first_boot, updates ...), 'desktop' (login to usable) or 'browser' (click
    to the first page). Where no edition is given, the one that is advised counts, with the parts advised fitted.
    """
    from advisor import intake
    from advisor.benchlog import stopwatch
    from advisor.files import write_whole
    from advisor.shop_file import the_shop

    refuse_same(out, times, units, shop)
    facts = intake.read(units) if units else None
    found = stopwatch.compare_timings(stopwatch.read_timings(times), the_shop(shop), facts)
    for line in stopwatch.lines(found):
        say(line)
    if out is not None:
        write_whole(out, intake.safe_frame(found.rows).to_csv(index=False))
        say(f"Written: {out}, {len(found.rows)} rows")
    for line in stopwatch.problem_lines(found.problems):
        say(one_line(line), err=True)
    if len(found.problems):
        raise typer.Exit(1)
