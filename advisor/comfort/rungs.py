"""The ladder as it is read: arrays of every edition on every unit, and the sentences made of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from advisor import tables
from advisor.comfort.model import Array
from advisor.editions.catalogue import rows_of
from advisor.editions.gates import ASSUMED_DRAWING, FAIL, PASS, gates
from advisor.shop import Image, Shop


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
    kill_probability : numpy.ndarray, shape (n_units, n_editions)
        That a program is killed for want of memory with the browser and a document open [1]; NaN when unknown.
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
    beyond : pandas.Series of str, shape (n_units,)
        In what a unit lies beyond the machines that sessions were measured on, such as 'a faster processor, 4 cores';
        NA for nothing.
    assumed_drawing : numpy.ndarray of bool, shape (n_units,)
        Where no graphics is noted and the processor's year alone lets it draw.
    """

    editions: tuple[str, ...]
    desktop_s: Array
    desktop_high_s: Array
    browser_s: Array
    browser_high_s: Array
    memory_left_pct: Array
    kill_probability: Array
    disk_left_gib: Array
    disk_left_pct: Array
    comfortable: np.ndarray
    unknown: np.ndarray
    gate: np.ndarray
    choice: pd.Series
    choice_at_best: pd.Series
    missing: pd.Series
    beyond: pd.Series
    assumed_drawing: np.ndarray
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
        return self._reasons(np.broadcast_to(np.arange(len(self.editions)), self.comfortable.shape))

    def _reasons(self, columns: np.ndarray) -> np.ndarray:
        """Why some editions of each unit are out; `columns`, their positions, and the result: shape (n_units, any)."""
        reasons = np.full(columns.shape, None, dtype=object)
        for rows, image in by_image(self._images, self._shop):
            at = columns[rows]
            here = np.take_along_axis(self._gate_reasons(rows, image), at, axis=1)
            units = np.broadcast_to(rows[:, None], at.shape)
            need = (here == None) & ~self.comfortable[units, at]  # noqa: E711
            here[need] = self._comfort_reasons(units[need], at[need])
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
            told = long["reason"].astype(object).where(long["gate"].notna(), None)
            texts = told.to_numpy().reshape(len(some), len(names))
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
        for what, number, limit in (
            ("desktop", self.desktop_high_s[at], limits.desktop_s),
            ("browser", self.browser_high_s[at], limits.browser_s),
        ):
            _add(texts, number, number > limit, f"{what} usable after {{0}}, over {{1:g}} s", limit, True, _seconds)
        for number, limit, form in (
            (self.memory_left_pct[at], limits.memory_left_pct, "{0} % of memory left, under {1:g} %"),
            (self.disk_left_pct[at], limits.disk_left_pct, "{0} % of disk left, under {1:g} %"),
        ):
            _add(texts, number, number < limit, form, limit, up=False)
        killed, most = 100 * self.kill_probability[at], 100 * (1 - limits.certainty)
        _add(texts, killed, killed > most, "{0} % likely to have a program killed, over {1:g} %", most, up=True)
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
            Of the editions that pass the gates, or may, and are lighter than the shop's usual one (or of all, if none
            is), the one that misses the thresholds of time and memory by least in all, the least rich when several
            do; NA when all fail.
        desktop_s : numpy.ndarray, shape (n_units,)
            Its time from login to usable desktop, typical [s]; NaN where NA.
        why : numpy.ndarray of object, shape (n_units,)
            What it lacks; None where it is comfortable; the first gate's reason where all fail.
        """
        limits = self._shop.thresholds
        able = (self.gate != FAIL) & ~np.isnan(self.desktop_high_s)
        # Where none is comfortable, one lighter than the shop's usual edition is asked for, if there is one.
        usual = self._shop.standard_edition
        lighter = able & (
            np.arange(len(self.editions)) > (self.editions.index(usual) if usual in self.editions else -1)
        )
        able = np.where(lighter.any(axis=1)[:, None], lighter, able)
        shares = [self.desktop_high_s / limits.desktop_s, self.browser_high_s / limits.browser_s]
        shares.append((100 - self.memory_left_pct) / (100 - limits.memory_left_pct))
        # Shares over the limits, added up, so that one that all miss alike does not hide the others; a twentieth of
        # a limit more or less is no difference.
        over = np.sum([np.maximum(np.nan_to_num(share) - 1, 0) for share in shares], axis=0)
        short = np.where(able, np.round(over * 20), np.inf)
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
        return self._reasons(columns[:, None])[:, 0]

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
                f"{np.floor(left):.0f} % of memory left"
            )
            if at[row]:
                texts[row] += f"; not {self.editions[at[row] - 1]}: {richer[row]}"
        texts[self._chosen_drawing(at)] += f"; {ASSUMED_DRAWING}"
        slower = self.beyond.str.contains("slower").fillna(False).to_numpy(dtype=bool)
        if slower.any():
            said = self.beyond.to_numpy(dtype=object, na_value="")[slower]
            texts[slower] += np.array([f"; beyond what was measured: {one}" for one in said], dtype=object)
        return texts

    def _chosen_drawing(self, at: np.ndarray) -> np.ndarray:
        """Where the chosen edition needs a chip that draws, and the unit is only taken to have one."""
        needs = np.zeros(len(self.editions) + 1, dtype=bool)
        wants = tables.load("editions/desktops").frame
        drawing = set(wants.loc[wants["drawing"].ne("any"), "edition"])
        needs[:-1] = [name in drawing for name in self.editions]
        return self.assumed_drawing & needs[at]

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


LONGEST_SAID_S = 600.0
"""Beyond this a stage is only said to take longer [s]: none was watched so long, seconds would be false precision."""

_TITLES = {
    "ram_gib": "the memory", "cpu": "the processor", "storage_kind": "the kind of disk",
    "architecture": "whether the processor is 64-bit", "boot": "the boot mode", "memory": "the memory",
    "disk": "the disk's size", "graphics": "the graphics chip",
}  # fmt: skip


def _titles(fields: str) -> str:
    return ", ".join(dict.fromkeys(_TITLES.get(field, field) for field in fields.split(", ")))


def _whole(value: float) -> str:
    return f"{value:.0f}"


def _seconds(value: float) -> str:
    return f"more than {LONGEST_SAID_S / 60:g} minutes" if value > LONGEST_SAID_S else f"{value:.0f} s"


def _add(
    texts: np.ndarray, numbers: Array, hit: np.ndarray, form: str, limit: float, up: bool,
    said: Callable[[float], str] = _whole,
) -> None:  # fmt: skip
    """Add a clause where `hit`, composed once for each distinct rounded number."""
    if not hit.any():
        return
    # Rounded away from the limit, so that no sentence says '30 s, over 30 s'.
    rounded = np.ceil(numbers[hit]) if up else np.floor(numbers[hit])
    distinct, inverse = np.unique(rounded, return_inverse=True)
    clauses = np.array([form.format(said(value), limit) for value in distinct], dtype=object)[inverse]
    before = texts[hit]
    texts[hit] = np.where(before == "", clauses, before + "; " + clauses)


def by_image(images: pd.Series, shop: Shop) -> list[tuple[np.ndarray, Image | None]]:
    """Give the positions of the units of each image; None stands for no image."""
    codes, names = pd.factorize(images)
    groups: list[tuple[np.ndarray, Image | None]] = []
    for code, name in [*enumerate(names), (-1, None)]:
        rows = np.flatnonzero(codes == code)
        if len(rows):
            groups.append((rows, None if name is None else shop.image(str(name))))
    return groups
