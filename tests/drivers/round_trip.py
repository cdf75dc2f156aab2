"""How many names of the id lists lead back to their own ids, by kind: run this file with Python.

python tests/drivers/round_trip.py [KIND ...]
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from advisor.drivers import ids, names, small_tables
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import TYPED
from advisor.drivers.splitting import apart


@dataclass(frozen=True)
class Trip:
    """One name on its way back.

    Attributes
    ----------
    text : str
        The name, alone or as lspci prints it.
    own : frozenset of str
        The ids that the list gives it, in whatever letter case.
    former : frozenset of str
        The ids that earlier lists of lspci gave it.
    found : frozenset of str
        The ids that it leads to.
    taken : bool
        It was taken as these; False when they are only named.
    one : bool
        A cell that holds it is one device.
    """

    text: str
    own: frozenset[str]
    former: frozenset[str]
    found: frozenset[str]
    taken: bool
    one: bool


def trips(bus: str, kind: Kind, vendors: bool) -> Iterator[Trip]:
    """Send every name of one bus and kind: with its vendor's name and a revision, as lspci prints it, or alone."""

    def shown(key: int, name: str) -> str:
        return f"{listed.vendor(key >> 16)} {name} (rev 03)" if vendors else name

    listed = ids.load(bus)
    number = ids.KINDS.index(kind)
    own: dict[str, set[str]] = defaultdict(set)
    spelled: dict[str, str] = {}
    for key, name, of in zip(listed.ids.tolist(), listed.names, listed.kind_of.tolist(), strict=True):
        if name and of == number:
            text = shown(key, name)
            small = " ".join(text.lower().split())
            spelled.setdefault(small, text)
            own[small].add(f"{bus}:{key >> 16:04x}:{key & 0xFFFF:04x}")
    former: dict[str, set[str]] = defaultdict(set)
    for row in small_tables.rows("former_names"):
        on, vendor, device = row["id"].split(":")
        if on == bus and row["source"].startswith("pci.ids "):
            former[shown(int(vendor + device, 16), row["name"]).lower()].add(row["id"])
    for small, wanted in own.items():
        text = spelled[small]
        [found] = names.match([text], kind)
        got = frozenset(entry.text for entry in found.entries if entry.subsystem is None)
        one = kind not in TYPED.values() or apart(text, kind) == (text,)
        yield Trip(text, frozenset(wanted), frozenset(former[small]) - wanted, got, found.exact, one)


def main() -> None:
    """Print counts, and the first that were lost."""
    for kind in map(Kind, sys.argv[1:] or list(Kind)):
        for bus in ("pci", "usb"):
            for vendors in (False, True):
                every = list(trips(bus, kind, vendors))
                back = [trip for trip in every if trip.own <= trip.found and trip.one]
                lost = [trip.text for trip in every if trip not in back]
                taken = sum(trip.taken for trip in back)
                form = "as lspci prints it" if vendors else "the name alone"
                print(
                    f"{bus} {kind}, {form}: {len(every)} names, {taken} lead to their ids, {len(back) - taken} are too "
                    f"general and name them, {len(lost)} lost {lost[:3] or ''}"
                )


if __name__ == "__main__":
    main()
