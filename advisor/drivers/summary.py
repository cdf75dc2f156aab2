"""Tables and look-ups as plain text, for the command line."""

from __future__ import annotations

import datetime

from advisor.drivers import ids, names, table_files
from advisor.drivers.judge import bind
from advisor.drivers.kinds import BUS_MODULES, Kind
from advisor.drivers.spec import Spec, specs_of
from advisor.drivers.table import PARTLY
from advisor.errors import InputError, TableError

OLD_DAYS = 90
"""A table older than this is said to be old: Debian's point releases come about every two months [d]."""
MOST_NEAR = 6
"""How many names are shown that are only near to the one asked for."""


def every(today: datetime.date | None = None) -> str:
    """List the tables that are there.

    Parameters
    ----------
    today : datetime.date, optional
        To count their age from.
    """
    day = today or datetime.date.today()
    lines = []
    for title, kind in (("Kernels", "kernel"), ("Firmware of", "firmware"), ("Names of ids", "ids")):
        lines += [title, *(_line(name, kind, day) for name in table_files.names(kind))]
    return "\n".join(lines)


def _line(name: str, kind: str, day: datetime.date) -> str:
    path = table_files.place(name, kind)
    if path is None:
        return f"  {name}: gone"
    try:
        about = table_files.meta(path)
        table_files.arrays_of(kind, name)
    except TableError as error:
        return f"  {name}: unusable. {error}"
    built = _date(about.get("date"))
    age = "" if built is None else _age((day - built).days)
    counts = {
        "kernel": f"{about.get('version')}, {about.get('modules')} modules, {about.get('aliases')} aliases",
        "firmware": f"{about.get('files')} files in {len(about.get('packages', []))} packages",
        "ids": f"list of {about.get('version')}",
    }[kind]
    of_user = "" if path.parent == table_files.folders()[-1] else f" (your own: {path})"
    changed = ""
    if isinstance(about.get("changes"), dict):
        change = about["changes"]
        changed = (
            f"\n      since {change['since']}: {change['aliases_added']} aliases more, {change['aliases_gone']} fewer, "
            f"{len(change['modules_added'])} modules new, {len(change['modules_gone'])} gone"
        )
    return f"  {name}: {counts}, built {about.get('date')}{age}{of_user}{changed}"


def _date(text: object) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(str(text))
    except ValueError:
        return None


def _age(days: int) -> str:
    if days < 0:
        return " (in the future: is this machine's clock right?)"
    if days > OLD_DAYS:
        return f" ({days} days ago: old, build it again with 'advisor tables build')"
    return f" ({days} days ago)"


def one(name: str) -> str:
    """Describe one table: its packages with versions and checksums, and what changed.

    Raises
    ------
    TableError
        When there is no such table.
    """
    kind = next((kind for kind in ("kernel", "firmware", "ids") if table_files.place(name, kind) is not None), "kernel")
    about = table_files.arrays_of(kind, name)[1]
    said = (f"  {name}: {about[name]}" for name in ("source", "date", "licence", "remake", "sha256"))
    lines = [str(about["title"]), *said]
    lines += [f"  note: {note}" for note in about.get("notes", [])]
    for package in about.get("packages", []):
        size = package["size"] / 2**20
        lines.append(
            f"  {package['name']} {package['version']} ({package['area']}, {size:.1f} MiB) {package['sha256'][:16]}"
        )
    change = about.get("changes")
    if isinstance(change, dict):
        lines.append(f"Changed since {change['since']} (built {change['built']}):")
        lines.append(f"  aliases: {change['aliases_added']} more, {change['aliases_gone']} fewer")
        for word, key in (("new", "modules_added"), ("gone", "modules_gone")):
            if change[key]:
                lines.append(f"  modules {word}: {', '.join(change[key])}")
    elif kind == "kernel":
        lines.append("Nothing to compare with: this is the first build, or the kernel is the same as before.")
    return "\n".join(lines)


def find(text: str, kind: str | None = None) -> str:
    """Say what a text means as a device, and which modules bind it.

    Parameters
    ----------
    text : str
        A name, an id or a modalias.
    kind : str, optional
        A kind of device; None looks among all of those that names are known for.

    Raises
    ------
    InputError
        When the kind is none.
    """
    from rapidfuzz import fuzz

    if kind is not None and kind not in list(Kind):
        raise InputError(f"{kind!r} is no kind of device; there are: {', '.join(Kind)}.")
    wanted = [Kind(kind)] if kind else [one for one in Kind if one is not Kind.OTHER]
    [plain] = specs_of([text], None)
    if plain and not plain[0].problem:
        return "\n".join(_found(plain))
    lines: list[str] = []
    near: list[names.ListedDevice] = []
    for one_kind in wanted:
        for matched in names.match([text], one_kind):
            if matched.exact and matched.entries:
                [spec] = specs_of([text], one_kind)
                lines.append(
                    f"As {one_kind}: {len(matched.entries)} id(s)" + (f", {matched.taken}" if matched.taken else "")
                )
                lines += _found([candidate for one in spec for candidate in one.candidates or (one,)])
            elif matched.problem and matched.entries:
                near += matched.entries
    if lines:
        return "\n".join(lines)
    if near:
        best = sorted(dict.fromkeys(near), key=lambda entry: -fuzz.token_set_ratio(text.lower(), _name(entry).lower()))
        shown = [f"  {entry.text}  {_name(entry)}" for entry in best[:MOST_NEAR]]
        return "\n".join([f"{text!r} is in no id list. Nearest, by spelling:", *shown])
    return f"{text!r} is in no id list; give its id, as lspci -nn or lsusb shows it."


def _name(entry: names.ListedDevice) -> str:
    return f"{ids.load(entry.bus).vendor(entry.vendor)} {entry.name}"


def _found(specs: list[Spec]) -> list[str]:
    lines = []
    per = {name: bind(specs, table_files.load(name)) for name in table_files.names("kernel")}
    for at, spec in enumerate(specs):
        lines.append(f"  {spec.text}  {spec.name}")
        by_driver: dict[str, list[str]] = {}
        for name, bounds in per.items():
            modules = [module + _aside(module, how) for module, _, how in bounds[at]]
            by_driver.setdefault(", ".join(sorted(modules)) or "none", []).append(name)
        lines += [f"      {modules}: {', '.join(kernels)}" for modules, kernels in by_driver.items()]
    return lines


def _aside(module: str, how: int) -> str:
    if module in BUS_MODULES:
        return " (only a bus)"
    return " (some subsystems)" if how == PARTLY else ""
