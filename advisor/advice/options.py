"""Options: every stick, desktop and set of parts that a unit could be prepared with, and how good each would be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
import pandas as pd

from advisor import comfort, editions
from advisor.advice import parts
from advisor.advice.facts import Facts
from advisor.advice.parts import PART_COLUMNS, Shelf
from advisor.advice.readings import Reading
from advisor.columns import numbers, texts
from advisor.shop import Image, PartKind, Shop, Thresholds
from advisor.unit import StorageKind

COMFORTABLE, SLOW, VERY_SLOW, UNUSABLE = 0, 1, 2, 3
"""How an option will feel: within the shop's thresholds, within twice of them, within the shop's limit, beyond it."""

SLOW_TIMES = 2.0
"""Times the thresholds up to which an option is slow, and not yet very slow; common practice, no source."""

BAND = 1.25
"""Waits that differ by less than this factor are alike when options that are slow are compared; from memory."""

ENOUGH_MEMORY_GIB = 8.0
"""More memory than this changes no option: no edition's bound with browser and headroom takes more."""

SMALL_DISK_GIB = 60.0
"""An SSD below this may be worth replacing; larger ones only when they are worn."""

ASKS = ("edition", *PART_COLUMNS, "modules")
"""What an option asks of the technician, whatever the stick."""

NONE = {
    "image": -1, **dict.fromkeys(PART_COLUMNS, -1), "modules": 0, "out": 0, "out_gib": 0.0, "n_parts": 0, "bring": 0,
    "level": COMFORTABLE, "memory_gib": 0.0, "fit_min": 0.0, "fit_remembered": 0.0,
}  # fmt: skip
"""What stands for no option."""

KEY = (
    "unusable", "dead", "level", "slow", "buy", "roomy", "waits", "unusual", "kernel", "n_parts", "bring", "stick",
    "rich", "missed", "size", "fit_min",
)  # fmt: skip
"""What options are compared by, the weightiest first; in each, less is better. README words it as the shop's order of
preference: usable at all; decisive devices work; comfortable; how slow, where it is not; nothing to buy; memory to
spare; both waits together, where it is slow; the shop's usual desktop; no kernel to be brought; few parts; little to
bring; the usual stick; the richer desktop; what is missed, where it is slow; small parts; minutes."""


@dataclass(frozen=True)
class Options:
    """The options of some units, read one way."""

    # A row an option: `row` (unit), `image`, `module`, `modules`, `ssd`, `adapter` (positions on the shelf, -1 for
    # none), `out` and `out_gib` (modules that come out, and what they hold), `edition`, the columns of `KEY`, and the
    # figures of `comfort.Ladder` for the edition.
    frame: pd.DataFrame
    shelf: Shelf
    n_units: int

    @cached_property
    def order(self) -> np.ndarray:
        """Rank of each option among those of its unit, best first."""
        frame = self.frame
        place = np.lexsort([frame[name].to_numpy() for name in reversed(KEY)] + [frame["row"].to_numpy()])
        rank = np.empty(len(frame), dtype=int)
        rank[place] = np.arange(len(frame))
        return rank

    @cached_property
    def columns(self) -> dict[str, np.ndarray]:
        """The frame's columns as arrays."""
        return {str(name): self.frame[name].to_numpy() for name in self.frame.columns}

    def row(self, at: int) -> dict[str, Any]:
        """One option as a dictionary."""
        return {name: values[at] for name, values in self._values.items()}

    @cached_property
    def _values(self) -> dict[str, list[Any]]:
        return {name: values.tolist() for name, values in self.columns.items()}

    def parts(self, at: int) -> list[tuple[str, int, int]]:
        """Parts of an option: of each its column of `PART_COLUMNS`, its place on the shelf, and how many of it; of no
        option, -1, none.
        """
        if at < 0:
            return []
        values = self._values
        times = {"module": values["modules"][at]}
        return [(name, values[name][at], times.get(name, 1)) for name in PART_COLUMNS if values[name][at] >= 0]

    @cached_property
    def uses(self) -> np.ndarray:
        """How many of each part on the shelf the options take; shape (n_options, n_parts)."""
        return self.shelf.usage(self.columns)

    @cached_property
    def by_unit(self) -> Mapping[int, np.ndarray]:
        """Positions of each unit's options."""
        return {int(str(row)): np.asarray(at) for row, at in self.frame.groupby("row", sort=False).indices.items()}

    def best(self, among: np.ndarray | None = None) -> np.ndarray:
        """Position of each unit's best usable option (of those in the mask `among`), -1 where it has none."""
        able = self.frame["unusable"].to_numpy() == 0
        at = np.flatnonzero(able if among is None else able & among)
        at = at[np.argsort(self.order[at], kind="stable")]
        out = np.full(self.n_units, -1)
        rows = self.frame["row"].to_numpy()[at]
        first = np.unique(rows, return_index=True)
        out[first[0]] = at[first[1]]
        return out


def level_of(
    desktop_high: np.ndarray, browser_high: np.ndarray, left_mib: np.ndarray, killed: np.ndarray, ram_mib: np.ndarray,
    limits: Thresholds,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Judge waits and memory against the shop's thresholds.

    Parameters
    ----------
    desktop_high, browser_high : numpy.ndarray
        Bounds [s].
    left_mib, killed, ram_mib : numpy.ndarray
        Memory left [MiB], probability of a kill [1], memory fitted [MiB].

    Returns
    -------
    level : numpy.ndarray of int
        `COMFORTABLE` to `UNUSABLE`.
    missed : numpy.ndarray
        How far waits and memory miss their thresholds, as shares of them, in all [1].
    """
    times = np.fmax(desktop_high / limits.desktop_s, browser_high / limits.browser_s)
    level = np.select([times <= 1, times <= SLOW_TIMES], [COMFORTABLE, SLOW], VERY_SLOW)
    level = np.where(times <= limits.slow_limit, level, UNUSABLE)
    least = limits.memory_left_pct / 100 * ram_mib
    level = np.where(left_mib < least, np.maximum(level, VERY_SLOW), level)
    # What is missed in each, added up, so that one that all editions miss alike does not hide the others.
    shares = (desktop_high / limits.desktop_s - 1, browser_high / limits.browser_s - 1)
    missed = sum(np.maximum(share, 0) for share in shares)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Where the waits alone make it very slow, more memory makes it no better.
        lacks = np.where((least > 0) & ~(times > SLOW_TIMES), np.maximum(1 - left_mib / least, 0), 0)
    return np.where(killed <= most_risk(limits), level, UNUSABLE), missed + lacks


def most_risk(limits: Thresholds) -> float:
    """Probability of a kill that the shop's certainty leaves room for, with that of a rounding [1]."""
    return 1 - limits.certainty + 1e-9


def rich_rank(shop: Shop) -> tuple[dict[str, int], dict[str, int]]:
    """Rank the shop's editions by how it prefers them, and tell the usual one (0) from the others (1)."""
    names = [str(name) for name in shop.richness]
    usual = str(shop.standard_edition)
    if shop.take_richest:
        return {name: at for at, name in enumerate(names)}, {name: int(at > 0) for at, name in enumerate(names)}
    at_usual = names.index(usual)
    # After the usual edition the lighter ones, richest first; a richer one only when none of these will do.
    order = [usual, *names[at_usual + 1 :], *names[:at_usual][::-1]]
    return {name: at for at, name in enumerate(order)}, {name: int(name != usual) for name in names}


def offered(image: Image, shop: Shop) -> pd.DataFrame:
    """Catalogue rows of the editions that an image installs and the shop lists."""
    return _among(image, tuple(map(str, shop.richness)))


@cache
def _among(image: Image, names: tuple[str, ...]) -> pd.DataFrame:
    rows = editions.rows_of(image)
    return rows[rows["edition"].isin(names)].reset_index(drop=True)


def asked_for(units: pd.DataFrame, shop: Shop) -> np.ndarray:
    """Position of the image that each row names, -1 where it names none of the shop's; int, shape (n_units,)."""
    names = {image.name.casefold(): at for at, image in enumerate(shop.images)}
    return np.array([names.get((said or "").strip().casefold(), -1) for said in texts(units["image"])], dtype=int)


def sticks(facts: Facts, reading: Reading) -> tuple[np.ndarray, np.ndarray]:
    """Tell which sticks come into question for each unit, and rank them.

    Where an image that the row names starts, another comes into question only if devices that decide fare better on
    it. Sticks that lie ready come before those that would have to be made.

    Returns
    -------
    may : numpy.ndarray of bool, shape (n_units, n_images)
    rank : numpy.ndarray of int, shape (n_units, n_images)
        0 for the stick on which the devices fare best, the usual one where they fare alike.
    """
    shop, rows = facts.shop, reading.rows
    may = editions.starts(reading.units, reading.processors, shop.images, reading.open_boot)
    asked = asked_for(reading.units, shop)
    named = (asked >= 0) & may[np.arange(len(rows)), asked]
    trouble = facts.trouble
    weight = trouble.dead[rows] * 100 + trouble.bring[rows]
    better = weight < weight[np.arange(len(rows)), asked][:, None]
    is_named = asked[:, None] == np.arange(len(shop.images))
    may &= ~named[:, None] | is_named | better
    ready = np.array([image.on_hand for image in shop.images]) | is_named
    has_ready = (may & ready).any(axis=1)
    may &= ready | ~has_ready[:, None]
    default = np.array([image.name.casefold() == shop.default_image.casefold() for image in shop.images])
    place = np.where(is_named, -2, np.where(default, -1, np.arange(len(shop.images))))
    cost = trouble.dead[rows] * 1e6 + trouble.bring[rows] * 1e4 + trouble.cost[rows]
    key = np.where(may, cost + place * 1e-3, np.inf)
    return may, key.argsort(axis=1, kind="stable").argsort(axis=1)


def survey(facts: Facts, reading: Reading, shelf: Shelf) -> Options:
    """Evaluate the options of every unit of a reading.

    Where the best stick gives the shop's usual desktop as the unit stands, with memory to spare and every decisive
    device at work, nothing that costs a part can be better, and only that is listed. Other sticks than the one on which
    the devices fare best are tried where that one makes the unit usable with no set of parts.
    """
    may, rank = sticks(facts, reading)
    n = len(reading.rows)
    first = np.flatnonzero(may.any(axis=1))
    plain = _table(first, rank[first].argmin(axis=1))
    found = _evaluate(facts, reading, plain, shelf, rank)
    settled = found["unusable"].eq(0) & found["level"].eq(COMFORTABLE) & found["roomy"].eq(0)
    settled &= found["unusual"].eq(0) & found["dead"].eq(0) & found["kernel"].eq(0)
    left = np.ones(n, dtype=bool)
    left[found.loc[settled, "at"].to_numpy()] = False
    left &= may.any(axis=1)
    if not left.any():
        return Options(found, shelf, len(facts))
    best = may & (rank == 0)
    more = _evaluate(facts, reading, _sets(facts, reading, left, best, shelf), shelf, rank)
    usable = np.zeros(n, dtype=bool)
    usable[more.loc[more["unusable"].eq(0), "at"].to_numpy()] = True
    stuck = left & ~usable & ((may & ~best).any(axis=1))
    pieces = [found[~np.isin(found["at"].to_numpy(), np.flatnonzero(left))], more]
    if stuck.any():
        pieces.append(_evaluate(facts, reading, _sets(facts, reading, stuck, may & ~best, shelf), shelf, rank))
    return Options(pd.concat(pieces, ignore_index=True), shelf, len(facts))


def _table(at: np.ndarray, image: np.ndarray | int, **fitted: np.ndarray | int) -> pd.DataFrame:
    given = {"module": -1, "modules": 0, "out": 0, "out_gib": 0.0, "ssd": -1, "adapter": -1, **fitted}
    return pd.DataFrame({"at": at, "image": image, **given}, index=np.arange(len(at)))


def _sets(facts: Facts, reading: Reading, left: np.ndarray, may: np.ndarray, shelf: Shelf) -> pd.DataFrame:
    """List all combinations of stick and parts of the units that are left."""
    ram, disk = numbers(reading.units["ram_gib"]), numbers(reading.units["storage_gib"])
    kind = reading.units["storage_kind"]
    none = np.zeros(len(ram), dtype=int)
    modules: list[tuple[int, int, np.ndarray, np.ndarray, np.ndarray]] = [(-1, 0, left, none, none.astype(float))]
    # Of choices that end above what any edition can use, only the smallest of the drawer and of the market count.
    ample = {True: np.full(len(ram), np.inf), False: np.full(len(ram), np.inf)}
    choices = [(at, count) for at in shelf.of(PartKind.MEMORY) for count in (1, 2)]
    for at, count in sorted(choices, key=lambda one: (shelf.parts[one[0]].gib * one[1], one[1])):
        fits = left & (ram < ENOUGH_MEMORY_GIB) & parts.memory_fits(facts, reading, shelf.parts[at], count)
        out, out_gib = facts.bank.out(reading.rows, ram, count)
        drawer = bool(shelf.count[at] >= count)
        after = ram - out_gib + shelf.parts[at].gib * count
        fits &= ample[drawer] > after
        ample[drawer] = np.where(fits & (after >= ENOUGH_MEMORY_GIB), np.minimum(ample[drawer], after), ample[drawer])
        if fits.any():
            modules.append((at, count, fits, out, out_gib))
    solid = kind.isin([str(StorageKind.NVME), str(StorageKind.SATA_SSD)]).to_numpy(dtype=bool)
    open_disk = left & (~solid | facts.worn[reading.rows] | (disk < SMALL_DISK_GIB))
    disks: list[tuple[int, np.ndarray]] = [(-1, left)]
    for at in shelf.of(PartKind.SSD):
        fits = open_disk & parts.ssd_fits(facts, reading, shelf.parts[at])
        if fits.any():
            disks.append((at, fits))
    tables = []
    for image in range(len(facts.shop.images)):
        here = may[:, image]
        adapters = _adapters(facts, reading, image, shelf)
        for module, count, memory, out, out_gib in modules:
            for ssd, fits in disks:
                whole = np.flatnonzero(here & memory & fits)
                for adapter in (-1, *adapters):
                    some = whole if adapter < 0 else whole[facts.trouble.adapter[reading.rows[whole], image]]
                    if len(some):
                        tables.append(_table(some, image, module=module, modules=count, out=out[some],
                                             out_gib=out_gib[some], ssd=ssd, adapter=adapter))  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def _adapters(facts: Facts, reading: Reading, image: int, shelf: Shelf) -> list[int]:
    """Wi-Fi adapters that an image drives: all that lie in the drawer, else the first that can be bought."""
    if not facts.trouble.adapter[reading.rows, image].any():
        return []
    good = [
        at
        for at in shelf.of(PartKind.WIRELESS)
        if parts.adapter_works(shelf.parts[at].device, facts.shop.images)[image]
    ]
    drawer = [at for at in good if shelf.count[at]]
    return drawer or good[:1]


OF_LADDER = ("desktop_s", "desktop_high_s", "browser_s", "browser_high_s", "left_mib", "killed")
"""What is taken of `comfort.Ladder`."""

_OF_EDITION = ("unusable", "level", "slow", "roomy", "waits", "unusual", "rich", "missed", "disk_left_pct", *OF_LADDER)
"""Columns of an option that hang on its edition."""


def _evaluate(facts: Facts, reading: Reading, table: pd.DataFrame, shelf: Shelf, rank: np.ndarray) -> pd.DataFrame:
    """Find the best edition of each combination, and give it its place in the order of preference."""
    shop = facts.shop
    pieces = []
    by_image = table.groupby("image", sort=True).indices
    for number, where in by_image.items():
        rows = offered(shop.images[int(str(number))], shop)
        if rows.empty:
            continue
        some = table.iloc[where].reset_index(drop=True)
        pieces.append(_best_editions(facts, reading, some, rows, shelf))
    if pieces:
        out = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
    else:
        names = (*table.columns, "edition", *_OF_EDITION)
        out = {str(name): np.zeros(0, dtype=object if name == "edition" else int) for name in names}
    at, image = out["at"], out["image"]
    rows = reading.rows[at]
    adapter = out["adapter"] >= 0
    uses = shelf.usage(out)
    memory, disk = (
        [part.gib * (part.kind == kind) for part in shelf.parts] for kind in (PartKind.MEMORY, PartKind.SSD)
    )
    module_gib = uses @ np.array(memory, dtype=float)
    fit_min, remembered = parts.fit_minutes(shelf, out, facts.box[rows])
    made = {
        "row": rows,
        "dead": facts.trouble.dead[rows, image] - (adapter & facts.trouble.no_wifi[rows, image]),
        "kernel": facts.trouble.kernel[rows, image] - (adapter & facts.trouble.wifi_kernel[rows, image]),
        "bring": facts.trouble.bring[rows, image]
        - (adapter & facts.trouble.wifi_kernel[rows, image])
        + ~np.array([one.on_hand for one in shop.images])[image],
        "stick": rank[at, image],
        "buy": (uses > shelf.count).sum(axis=1),
        "memory_gib": module_gib - out["out_gib"],
        "n_parts": uses.sum(axis=1),
        "size": module_gib + uses @ np.array(disk, dtype=float),
        "fit_min": np.round(fit_min, 1),
        "fit_remembered": remembered,
    }
    return pd.DataFrame(out | made)


def fitted(units: pd.DataFrame, options: pd.DataFrame, shelf: Shelf) -> pd.DataFrame:
    """Units with the parts of an option each fitted."""
    gib = np.append([part.gib for part in shelf.parts], 0.0)
    nvme = np.append([part.disk_kind is StorageKind.NVME for part in shelf.parts], False)
    module, modules, ssd = (options[name].to_numpy(dtype=int) for name in ("module", "modules", "ssd"))
    units = parts.with_memory(units, gib[module], modules, options["out_gib"].to_numpy(dtype=float))
    return parts.with_ssd(units, ssd >= 0, gib[ssd], nvme[ssd].astype(bool))


def judge(
    facts: Facts, reading: Reading, table: pd.DataFrame, rows: pd.DataFrame, shelf: Shelf
) -> dict[str, np.ndarray]:
    """Judge every edition of an image under each combination.

    Parameters
    ----------
    table : pandas.DataFrame, shape (n, ...)
        Combinations, all on this image.
    rows : pandas.DataFrame, shape (n_editions, ...)
        The image's editions.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n, n_editions)
        `_OF_EDITION`: the columns of `KEY` that hang on the edition, `disk_left_pct` [%] and the ladder's figures;
        `gate` (whether the hard gates pass) and `sluggish` (old graphics draws it slowly).
    """
    shop = facts.shop
    limits = shop.thresholds
    at = table["at"].to_numpy(dtype=int)
    units = fitted(reading.units.iloc[at].reset_index(drop=True), table, shelf)
    processors = reading.processors.iloc[at].reset_index(drop=True)
    ladder = comfort.ladder(units, processors, rows, limits.certainty, reading.draws[at])
    gate = editions.fits(units, reading.draws[at], rows)
    ram = numbers(units["ram_gib"])[:, None] * 1024
    level, missed = level_of(ladder.desktop_high_s, ladder.browser_high_s, ladder.left_mib, ladder.killed, ram, limits)
    disk = numbers(units["storage_gib"])[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        disk_left = 100 * (1 - numbers(rows["installed_mib"]) / 1024 / disk)
    level = np.where(disk_left < limits.disk_left_pct, np.maximum(level, SLOW), level)
    worn = facts.worn[reading.rows[at]] & (table["ssd"].to_numpy() < 0)
    level = np.where(worn[:, None], np.maximum(level, VERY_SLOW), level)
    sluggish = reading.slow_drawing[at][:, None] & editions.wants_drawing(rows)
    level = np.where(sluggish, np.maximum(level, SLOW), level)
    level = np.where(gate, level, UNUSABLE)
    order, unusual = rich_rank(shop)
    rich = np.array([order[name] for name in ladder.editions])
    other = np.array([unusual[name] for name in ladder.editions])
    names = [str(name) for name in shop.richness]
    lighter = np.array([names.index(name) > names.index(str(shop.standard_edition)) for name in ladder.editions])
    slow = level > COMFORTABLE
    missed = missed + np.where(sluggish, BAND, 0)
    waits = ladder.desktop_high_s / limits.desktop_s + ladder.browser_high_s / limits.browser_s
    bands = {
        # What is very slow gets the lightest desktop, not the quickest of its band.
        name: np.where(counts, np.ceil(np.log(value) / np.log(BAND) - 1e-9), 0)
        for name, value, counts in (("slow", 1 + missed, slow), ("waits", np.maximum(waits, 1), level == SLOW))
    }
    roomy = np.select([ladder.left_mib >= limits.headroom_mib, ladder.left_mib >= limits.headroom_mib / 2], [0, 1], 2)
    # Memory to spare is of no use where nobody waits for the second page.
    roomy = np.where(level >= VERY_SLOW, 0, roomy)
    judged = {name: getattr(ladder, name) for name in OF_LADDER} | {
        "unusable": (level == UNUSABLE).astype(int),
        "level": level,
        **{name: np.clip(np.nan_to_num(band, posinf=99), 0, 99).astype(int) for name, band in bands.items()},
        "roomy": roomy,
        # Where a unit is slow with everything, one lighter than the usual desktop is the aim.
        "unusual": np.where(slow, ~lighter, other),
        # What is very slow is spared everything: the lightest desktop comes first.
        "rich": np.where(level >= VERY_SLOW, len(names) - rich, rich),
        "missed": np.where(slow, np.nan_to_num(missed, nan=np.inf).round(1), 0.0),
        "gate": gate,
        "sluggish": sluggish,
        "disk_left_pct": np.nan_to_num(disk_left, nan=0, neginf=0),
    }
    return {name: np.broadcast_to(values, level.shape) for name, values in judged.items()}


def _best_editions(
    facts: Facts, reading: Reading, table: pd.DataFrame, rows: pd.DataFrame, shelf: Shelf
) -> dict[str, np.ndarray]:
    """Each combination with the one edition that is best under it, its figures and its place."""
    judged = judge(facts, reading, table, rows, shelf)
    best = np.lexsort([judged[name] for name in reversed(KEY) if name in judged])[:, 0]
    columns = {str(name): table[name].to_numpy() for name in table}
    columns["edition"] = np.array(rows["edition"], dtype=object)[best]
    return columns | {name: judged[name][np.arange(len(table)), best] for name in _OF_EDITION}
