"""The ladder: for each unit every edition side by side, its times, what it leaves, and why it is out."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import ndtri

from advisor.comfort.facts import Facts, Scenario, facts
from advisor.comfort.physics import Array, Machine, Physics, memory_left_pct, physics, start_s
from advisor.editions.catalogue import SESSION_COLUMNS, rows_of
from advisor.editions.gates import FAIL, GATES, PASS, UNKNOWN, GateCodes, gate_codes, gates
from advisor.shop import Image, Shop, Thresholds

MODEL_SOURCE = "comfort model on the catalogue's session figures, against the shop's thresholds"


@dataclass(frozen=True)
class Ladder:
    """Comfort of every edition on every unit.

    Attributes
    ----------
    editions : tuple of str
        The shop's editions, richest first: the columns of the arrays.
    desktop_s, desktop_high_s : numpy.ndarray, shape (n_units, n_editions)
        Login to usable desktop, typical and with the certainty asked for [s]. NaN where the edition is not to be had.
    browser_s, browser_high_s : numpy.ndarray, shape (n_units, n_editions)
        Click to usable browser [s].
    memory_left_pct : numpy.ndarray, shape (n_units, n_editions)
        Memory left with the browser open, with the certainty asked for [% of the memory fitted]; NaN when unknown.
    disk_left_gib, disk_left_pct : numpy.ndarray, shape (n_units, n_editions)
        Disk left after the install [GiB], [%]; NaN when unknown.
    comfortable : numpy.ndarray of bool, shape (n_units, n_editions)
        Passes every gate and meets every threshold, whatever the missing facts may be.
    unknown : numpy.ndarray of bool, shape (n_units, n_editions)
        A missing fact decides.
    gate : numpy.ndarray of int8, shape (n_units, n_editions)
        1 passes the hard gates, 0 fails, -1 cannot be told.
    choice : pandas.Series of str, shape (n_units,)
        The richest comfortable edition, NA when there is none; index as the units.
    choice_at_best : pandas.Series of str, shape (n_units,)
        What the choice would be if every missing fact turned out well; equal to `choice` when nothing decides.
    missing : pandas.Series of str, shape (n_units,)
        Missing facts that decide: ', ' between them, NA for none.
    """

    editions: tuple[str, ...]
    desktop_s: Array
    desktop_high_s: Array
    browser_s: Array
    browser_high_s: Array
    memory_left_pct: Array
    disk_left_gib: Array
    disk_left_pct: Array
    comfortable: np.ndarray
    unknown: np.ndarray
    gate: np.ndarray
    choice: pd.Series
    choice_at_best: pd.Series
    missing: pd.Series
    _units: pd.DataFrame
    _processors: pd.DataFrame
    _images: pd.Series
    _shop: Shop
    _disk_gate: np.ndarray

    def __len__(self) -> int:
        return len(self._units)

    @property
    def disk_too_small(self) -> np.ndarray:
        """Where the disk is known and is too small for every edition; bool, shape (n_units,)."""
        return (self._disk_gate == FAIL).all(axis=1) & self._images.notna().to_numpy()

    @cached_property
    def out(self) -> np.ndarray:
        """Why each edition is out, None where it is comfortable; object, shape (n_units, n_editions)."""
        reasons = np.full(self.comfortable.shape, None, dtype=object)
        for rows, image in _by_image(self._images, self._shop):
            here = self._gate_reasons(rows, image)
            columns = np.broadcast_to(np.arange(len(self.editions)), here.shape)
            need = (here == None) & ~self.comfortable[rows]  # noqa: E711
            here[need] = self._comfort_reasons(np.broadcast_to(rows[:, None], here.shape)[need], columns[need])
            reasons[rows] = here
        return reasons

    def _gate_reasons(self, rows: np.ndarray, image: Image | None) -> np.ndarray:
        """Sentences of failed gates, and of gates that cannot be told, on one image."""
        reasons = np.full((len(rows), len(self.editions)), None, dtype=object)
        if image is None:
            reasons[:] = "no image of the shop starts on this unit"
            return reasons
        offered = rows_of(image)
        offered = offered[offered["edition"].isin(self.editions)].reset_index(drop=True)
        names = list(map(str, offered["edition"]))
        for column, edition in enumerate(self.editions):
            if edition not in names:
                reasons[:, column] = f"the image {image.name} does not have it"
        stuck = np.flatnonzero((self.gate[rows] != PASS).any(axis=1))
        if len(stuck) and names:
            some = rows[stuck]
            long = gates(self._units.iloc[some], self._processors.iloc[some], image, offered)
            texts = (
                long["reason"]
                .astype(object)
                .where(long["reason"].notna(), None)
                .to_numpy()
                .reshape(len(some), len(names))
            )
            for number, edition in enumerate(names):
                reasons[stuck, self.editions.index(edition)] = texts[:, number]
        return reasons

    def _comfort_reasons(self, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """Sentences of the thresholds not met, for pairs of unit and edition that pass the gates."""
        if not len(rows):
            return np.empty(0, dtype=object)
        limits = self._shop.thresholds
        at = (rows, columns)
        texts = np.full(len(rows), "", dtype=object)
        for number, limit, form in (
            (self.desktop_high_s[at], limits.desktop_s, "desktop usable after {0:.0f} s, over {1:g} s"),
            (self.browser_high_s[at], limits.browser_s, "browser usable after {0:.0f} s, over {1:g} s"),
        ):
            _add(texts, number, number > limit, form, limit, up=True)
        for number, limit, form in (
            (self.memory_left_pct[at], limits.memory_left_pct, "{0:.0f} % of memory left, under {1:g} %"),
            (self.disk_left_pct[at], limits.disk_left_pct, "{0:.0f} % of disk left, under {1:g} %"),
        ):
            _add(texts, number, number < limit, form, limit, up=False)
        lacks = self.unknown[at]
        if lacks.any():
            said = self.missing.to_numpy(dtype=object, na_value="a fact")[rows]
            note = np.array([f"depends on what is not known: {_titles(one)}" for one in said[lacks]], dtype=object)
            before = texts[lacks]
            texts[lacks] = np.where(before == "", note, "at worst " + before + "; " + note)
        return texts

    def lightest(self) -> tuple[pd.Series, np.ndarray, np.ndarray]:
        """Name the edition that comes nearest when none is comfortable, and what it lacks.

        Returns
        -------
        editions : pandas.Series of str, shape (n_units,)
            Of the editions that pass the gates, or may, the one that misses its worst threshold by least, the least
            rich when several do; NA when all fail.
        desktop_s : numpy.ndarray, shape (n_units,)
            Its time from login to usable desktop, typical [s]; NaN where NA.
        why : numpy.ndarray of object, shape (n_units,)
            What it lacks; None where it is comfortable; the first gate's reason where all fail.
        """
        limits = self._shop.thresholds
        able = (self.gate != FAIL) & ~np.isnan(self.desktop_high_s)
        shares = [self.desktop_high_s / limits.desktop_s, self.browser_high_s / limits.browser_s]
        shares.append((100 - self.memory_left_pct) / (100 - limits.memory_left_pct))
        # How far over the limit it is missed by most; a hundredth more or less is no difference.
        short = np.where(able, np.round(np.nanmax(np.nan_to_num(shares), axis=0), 2), np.inf)
        last = len(self.editions) - 1
        at = last - short[:, ::-1].argmin(axis=1)
        rows = np.arange(len(self))
        found = able[rows, at]
        at = np.where(found, at, last)
        names = np.array(self.editions, dtype=object)[at]
        names[~found] = None
        chosen = np.where(found, self.desktop_s[rows, at], np.nan)
        return pd.Series(names, index=self.choice.index, dtype="string"), chosen, self._why_at(at)

    def _why_at(self, columns: np.ndarray) -> np.ndarray:
        if "out" in self.__dict__:
            return self.out[np.arange(len(self)), columns]
        out = np.full(len(self), None, dtype=object)
        for rows, image in _by_image(self._images, self._shop):
            here = self._gate_reasons(rows, image)[np.arange(len(rows)), columns[rows]]
            need = (here == None) & ~self.comfortable[rows, columns[rows]]  # noqa: E711
            here[need] = self._comfort_reasons(rows[need], columns[rows][need])
            out[rows] = here
        return out

    def why(self, row: int) -> str:
        """Say in a sentence why a unit gets the edition it gets.

        Parameters
        ----------
        row : int
            Position of the unit, counted from 0.

        Returns
        -------
        str
        """
        return str(self._whys[row])

    def missing_words(self, row: int) -> str:
        """Name in words the missing facts that decide on a unit.

        Parameters
        ----------
        row : int
            Position of the unit, counted from 0.

        Returns
        -------
        str
            Such as 'the kind of disk'; '' when nothing decides.
        """
        return _titles(self._lacking[row])

    @cached_property
    def _lacking(self) -> list[str]:
        return list(map(str, self.missing.fillna("")))

    @cached_property
    def _whys(self) -> np.ndarray:
        """Sentences for all units at once; object, shape (n_units,)."""
        rows = np.arange(len(self))
        number = {name: position for position, name in enumerate(self.editions)}
        at = self.choice.map(number).to_numpy(dtype="float64", na_value=-1).astype(int)
        lightest, _, lacking = self.lightest()
        names = lightest.fillna("none can be installed").to_numpy(dtype=object)
        richer = self._why_at(np.maximum(at - 1, 0))
        figures = zip(
            self.desktop_s[rows, at], self.browser_s[rows, at], self.memory_left_pct[rows, at], strict=True
        )  # fmt: skip
        texts = np.empty(len(self), dtype=object)
        for row, (desktop, browser, left) in enumerate(figures):
            if at[row] < 0:
                texts[row] = f"no edition is comfortable; {names[row]}: {lacking[row]}"
                continue
            texts[row] = (
                f"{self.editions[at[row]]}: desktop after about {desktop:.0f} s, browser {browser:.0f} s, "
                f"{left:.0f} % of memory left"
            )
            if at[row]:
                texts[row] += f"; not {self.editions[at[row] - 1]}: {richer[row]}"
        return texts

    def long(self) -> pd.DataFrame:
        """Give the ladder as a long frame.

        Returns
        -------
        pandas.DataFrame, shape (n_units * n_editions, 12)
            `row`, `edition`, `desktop_s`, `desktop_high_s`, `browser_s`, `browser_high_s`, `memory_left_pct`,
            `disk_left_gib`, `comfortable`, `unknown`, `chosen`, `out` (NA where comfortable).
        """
        n_units, n_editions = self.comfortable.shape
        at = self.choice.map({name: number for number, name in enumerate(self.editions)})
        chosen = at.to_numpy(dtype="float64", na_value=-1)[:, None] == np.arange(n_editions)
        return pd.DataFrame(
            {
                "row": np.repeat(np.arange(n_units), n_editions),
                "edition": pd.Categorical.from_codes(np.tile(np.arange(n_editions), n_units), pd.Index(self.editions)),
                **{
                    name: getattr(self, name).ravel()
                    for name in (
                        "desktop_s", "desktop_high_s", "browser_s", "browser_high_s", "memory_left_pct",
                        "disk_left_gib", "comfortable", "unknown",
                    )
                },
                "chosen": chosen.ravel(),
                "out": pd.array(self.out.ravel(), dtype="string"),
            }
        )  # fmt: skip


_TITLES = {
    "ram_gib": "the memory", "cpu": "the processor", "storage_kind": "the kind of disk",
    "architecture": "whether the processor is 64-bit", "boot": "the boot mode", "memory": "the memory",
    "disk": "the disk's size", "graphics": "the graphics chip",
}  # fmt: skip


def _titles(fields: str) -> str:
    return ", ".join(dict.fromkeys(_TITLES.get(field, field) for field in fields.split(", ")))


def _add(texts: np.ndarray, numbers: Array, hit: np.ndarray, form: str, limit: float, up: bool) -> None:
    """Add a clause where `hit`, composed once for each distinct rounded number."""
    if not hit.any():
        return
    # Rounded away from the limit, so that no sentence says '30 s, over 30 s'.
    rounded = np.ceil(numbers[hit]) if up else np.floor(numbers[hit])
    distinct, inverse = np.unique(rounded, return_inverse=True)
    clauses = np.array([form.format(value, limit) for value in distinct], dtype=object)[inverse]
    before = texts[hit]
    texts[hit] = np.where(before == "", clauses, before + "; " + clauses)


def _by_image(images: pd.Series, shop: Shop) -> list[tuple[np.ndarray, Image | None]]:
    """Give the positions of the units of each image; None stands for no image."""
    codes, names = pd.factorize(images)
    groups: list[tuple[np.ndarray, Image | None]] = []
    for code, name in [*enumerate(names), (-1, None)]:
        rows = np.flatnonzero(codes == code)
        if len(rows):
            groups.append((rows, None if name is None else shop.image(str(name))))
    return groups


@dataclass
class _Times:
    desktop: Array
    browser: Array
    left: Array


def _times(scenario: Scenario, rows: pd.DataFrame, z: float, p: Physics) -> tuple[_Times, _Times]:
    """Times and memory of one reading of the units: typical, and with certainty."""
    number = {name: rows[name].to_numpy(dtype="float64", na_value=np.nan) for name in SESSION_COLUMNS}
    desktop_read = number["desktop_read_mib"] * (1 - p.greeter_share)
    out = []
    for machine, z_here in ((scenario.typical, 0.0), (scenario.cautious, z)):
        slower, fuller = np.exp(z_here * p.time_spread), np.exp(z_here * p.memory_spread)
        session, browser = number["session_mib"] * fuller, number["browser_mib"] * fuller
        out.append(
            _Times(
                desktop=slower
                * start_s(machine, number["desktop_cpu_s"], desktop_read, session, p.desktop_parallel, p),
                browser=slower
                * start_s(machine, number["browser_cpu_s"], number["browser_read_mib"], browser, p.browser_parallel, p),
                left=memory_left_pct(machine.ram_mib, browser, p),
            )
        )
    return out[0], out[1]


def _meets(times: _Times, disk_left_pct: Array, limits: Thresholds) -> np.ndarray:
    return (
        (times.desktop <= limits.desktop_s)
        & (times.browser <= limits.browser_s)
        & (times.left >= limits.memory_left_pct)
        & ~(disk_left_pct < limits.disk_left_pct)
    )


def _between(best: Array, worst: Array) -> Array:
    """Middle of two ends on a logarithmic scale, exact where they are equal."""
    return np.where(best == worst, best, np.sqrt(best * worst))


def _missing(facts_: Facts, codes: dict[int, GateCodes], groups: list, decides: np.ndarray) -> pd.Series:
    """List the missing facts of each unit, where something hangs on them."""
    n_units = len(decides)
    flags = {name: where.copy() for name, where in facts_.missing.items()}
    for name in GATES:
        flags[name] = np.zeros(n_units, dtype=bool)
    for number, (rows, _) in enumerate(groups):
        if number in codes:
            for name, code in codes[number].unit.items():
                flags[name][rows] = code == UNKNOWN
            for name, table in codes[number].edition.items():
                flags[name][rows] = (table == UNKNOWN).any(axis=1)
    # The memory gate says nothing that the missing memory has not said, nor the architecture beside the processor.
    flags["memory"] &= ~flags["ram_gib"]
    flags["architecture"] &= ~flags["cpu"]
    names = list(flags)
    key = np.zeros(n_units, dtype=np.int64)
    for bit, name in enumerate(names):
        key |= (flags[name] & decides).astype(np.int64) << bit
    distinct, inverse = np.unique(key, return_inverse=True)
    texts = np.array(
        [", ".join(name for bit, name in enumerate(names) if value >> bit & 1) or None for value in distinct],
        dtype=object,
    )
    return pd.Series(texts[inverse], dtype="string")


def ladder(units: pd.DataFrame, processors: pd.DataFrame, image_of: pd.Series, shop: Shop) -> Ladder:
    """Work out the comfort of every edition of the shop on every unit.

    A missing fact is taken at its best and at its worst: an edition that is comfortable at the worst is comfortable,
    one that is not at the best is out, and between the two it is unknown.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it.
    image_of : pandas.Series of str, shape (n_units,)
        The image each unit is prepared from; NA when none starts on it.
    shop : advisor.shop.Shop
        Its editions in the order of richness, its images and its thresholds.

    Returns
    -------
    Ladder
    """
    p, limits = physics(), shop.thresholds
    editions = tuple(map(str, shop.richness))
    units = units.reset_index(drop=True)
    processors = processors.reset_index(drop=True)
    index = image_of.index
    images = image_of.reset_index(drop=True).astype("string")
    shape = (len(units), len(editions))
    read = facts(units, processors, limits.certainty, p)
    z = float(ndtri(limits.certainty))
    arrays = {
        name: np.full(shape, np.nan)
        for name in ("desktop_s", "desktop_high_s", "browser_s", "browser_high_s", "memory_left_pct",
                     "disk_left_gib", "disk_left_pct")
    }  # fmt: skip
    gate = np.zeros(shape, dtype=np.int8)
    disk_gate = np.full(shape, PASS, dtype=np.int8)
    at_best, at_worst = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    disk = units["storage_gib"].to_numpy(dtype="float64", na_value=np.nan)
    codes: dict[int, GateCodes] = {}
    groups = _by_image(images, shop)
    for number, (rows, image) in enumerate(groups):
        if image is None:
            continue
        offered = rows_of(image)
        offered = offered[offered["edition"].isin(editions)].reset_index(drop=True)
        if offered.empty:
            continue
        columns = np.array([editions.index(str(name)) for name in offered["edition"]])
        cell = np.ix_(rows, columns)
        codes[number] = gate_codes(units.iloc[rows], processors.iloc[rows], image, offered)
        gate[cell] = codes[number].worst()
        disk_gate[cell] = codes[number].edition["disk"]
        best, worst = (_of(scenario, rows) for scenario in (read.best, read.worst))
        best_typical, best_high = _times(best, offered, z, p)
        worst_typical, worst_high = _times(worst, offered, z, p)
        left = disk[rows, None] - offered["installed_mib"].to_numpy(dtype="float64", na_value=np.nan) / 1024
        with np.errstate(divide="ignore", invalid="ignore"):
            left_pct = np.where(disk[rows, None] > 0, 100 * left / disk[rows, None], np.nan)
        arrays["desktop_s"][cell] = _between(best_typical.desktop, worst_typical.desktop)
        arrays["browser_s"][cell] = _between(best_typical.browser, worst_typical.browser)
        arrays["desktop_high_s"][cell] = worst_high.desktop
        arrays["browser_high_s"][cell] = worst_high.browser
        memory = np.where(read.missing["ram_gib"][rows, None], np.nan, worst_high.left)
        arrays["memory_left_pct"][cell] = memory
        arrays["disk_left_gib"][cell], arrays["disk_left_pct"][cell] = np.maximum(left, 0), left_pct
        at_best[cell] = _meets(best_high, left_pct, limits) & (gate[cell] != FAIL)
        at_worst[cell] = _meets(worst_high, left_pct, limits) & (gate[cell] == PASS)
    unknown: np.ndarray = np.logical_and(at_best, ~at_worst)
    names = np.array([*editions, None], dtype=object)

    def richest(mask: np.ndarray) -> pd.Series:
        first = np.where(mask.any(axis=1), mask.argmax(axis=1), len(editions))
        return pd.Series(names[first], index=index, dtype="string")

    return Ladder(
        editions=editions, comfortable=at_worst, unknown=unknown, gate=gate,
        choice=richest(at_worst), choice_at_best=richest(at_best),
        missing=_missing(read, codes, groups, np.asarray(unknown.any(axis=1))).set_axis(index),
        _units=units, _processors=processors, _images=images, _shop=shop, _disk_gate=disk_gate, **arrays,
    )  # fmt: skip


def _of(scenario: Scenario, rows: np.ndarray) -> Scenario:
    """Take some of the units."""

    def some(machine: Machine) -> Machine:
        return replace(machine, **{field.name: getattr(machine, field.name)[rows] for field in fields(machine)})

    return Scenario(some(scenario.typical), some(scenario.cautious))
