"""What was decided, in words: the first thing to do, why, and the part that would change the answer.

Made once a case; the scored CSV, the sheet and the notebook show these words and derive nothing anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from advisor.advice.bank import in_place_of
from advisor.advice.cases import Cases, FittedPart, shortfall
from advisor.advice.facts import DECISIVE
from advisor.advice.options import (
    ASKS,
    COMFORTABLE,
    KEY,
    OF_LADDER,
    SLOW,
    VERY_SLOW,
    Options,
    judge,
    offered,
)
from advisor.advice.readings import TITLES, WORST, read, sides
from advisor.columns import Columns, among, by_row, records, texts
from advisor.drivers.needs import Lack
from advisor.editions.gates import DRAWS_SLOWLY, need_disk_gib, why_not_fit
from advisor.phrases import joined
from advisor.shop import PartKind
from advisor.unit import Advice, Support

NO_PART = "no part helps"
NOTHING_TO_FIX = "none needed"
FIND_OUT = "first find out what is missing"

LEVEL_WORDS = {COMFORTABLE: "", SLOW: "slow", VERY_SLOW: "very slow"}

COMFORT_SOURCE = "comfort model against the shop's thresholds"

LOST = {
    "unusable": "it would not be usable", "dead": "a device that decides would stay dead",
    "level": "it would be slower", "slow": "it would be slower",
    "buy": "a part would have to be bought", "roomy": "it leaves less memory to spare",
    "waits": "it would be slower", "unusual": "it is not the shop's usual desktop", "n_parts": "it takes more parts",
    "kernel": "a newer kernel would have to be brought", "bring": "more has to be brought",
    "stick": "it takes another stick", "rich": "its desktop is less rich",
    "missed": "it would be slower", "size": "it takes a larger part", "fit_min": "it takes longer to fit",
}  # fmt: skip
"""Why a runner-up lost, by the first of `KEY` in which it is worse."""


@dataclass(frozen=True)
class EveryEdition:
    """Every edition of the shop on each case, as it will be prepared; arrays of shape (n_cases, n_editions).

    NaN, `offered` False, where the image does not have it.
    """

    editions: tuple[str, ...]
    offered: np.ndarray
    figures: dict[str, np.ndarray]


class Wording:
    """Words of some cases.

    Parameters
    ----------
    rank : tuple of (int, int), one a case
        Which unit in the batch a case is to get its parts: the number of the part kept for it, of how many; by part.
    """

    def __init__(self, cases: Cases, kept: Mapping[tuple[int, int], int] | None = None) -> None:
        self.cases = cases
        self.facts = cases.facts
        self.kept = kept or {}

    @cached_property
    def every(self) -> EveryEdition:
        """Figures of every edition under each case's option, as it stands where it has none."""
        cases, shop = self.cases, self.facts.shop
        names = tuple(str(name) for name in shop.richness)
        shape = (len(cases), len(names))
        figures: dict[str, np.ndarray] = {}
        offers = np.zeros(shape, dtype=bool)
        reading = read(self.facts, sides(len(cases), WORST))
        table = cases.chosen.assign(at=np.arange(len(cases)), image=cases.image)
        for image in np.unique(cases.image[cases.image >= 0]):
            rows = offered(shop.images[int(image)], shop)
            if rows.empty:
                continue
            some = table[table["image"].eq(image)]
            judged = judge(self.facts, reading, some, rows, cases.options.shelf)
            cell = np.ix_(some["at"].to_numpy(), np.array([names.index(edition) for edition in rows["edition"]]))
            offers[cell] = True
            for name in ("level", "gate", "roomy", "disk_left_pct", "sluggish", *OF_LADDER):
                figures.setdefault(name, np.full(shape, np.nan))[cell] = judged[name]
        return EveryEdition(names, offers, figures)

    def edition_row(self, case: int, edition: int) -> dict[str, Any]:
        """One edition's figures under a case's option, as an option's row."""
        figures = {name: values[case, edition] for name, values in self.every.figures.items()}
        return self.cases.rows[case] | figures

    def why_out(self, case: int, edition: int) -> str:
        """Why an edition is not comfortable under a case's option, '' where it is."""
        every, shop = self.every, self.facts.shop
        image = int(self.cases.image[case])
        if image < 0:
            return "no image of the shop starts on this unit"
        if not every.offered[case, edition]:
            return f"the image {shop.images[image].name} does not have it"
        if not every.figures["gate"][case, edition] or self.facts.ram_gib[case] != self.facts.ram_gib[case]:
            row, need = self._catalogues[image][every.editions[edition]]
            gate = why_not_fit(self._prepared.row(case), self._drawn[case], row, need)
            if gate:
                return gate
            if self._drawn[case] is None and not every.figures["gate"][case, edition]:
                return "no graphics chip is known that draws it"
        row = self.edition_row(case, edition)
        lacks = shortfall(row, self.facts, case)
        if row["sluggish"]:
            lacks = "; ".join(filter(None, (lacks, DRAWS_SLOWLY)))
        if not lacks and row["roomy"] > 0:
            lacks = (
                f"{np.floor(row['left_mib']):.0f} MiB of memory left, under the "
                f"{shop.thresholds.headroom_mib:g} MiB kept for more pages"
            )
        return lacks

    @cached_property
    def _catalogues(self) -> list[dict[str, tuple[dict[str, Any], float]]]:
        """Of each image: its editions' catalogue rows, and the disk that each needs [GiB]."""
        frames = [offered(image, self.facts.shop) for image in self.facts.shop.images]
        return [
            {
                str(row["edition"]): (row, float(need))
                for row, need in zip(records(rows), need_disk_gib(rows), strict=True)
            }
            for rows in frames
        ]

    @cached_property
    def _drawn(self) -> np.ndarray:
        return texts(self.facts.drawing)

    @cached_property
    def _prepared(self) -> Columns:
        return Columns(self.cases.prepared)

    # The first thing to do

    def headline(self, case: int) -> str:
        """The first thing to do with a unit, as a technician would call it across the bench."""
        cases, advice = self.cases, self.cases.advice[case]
        if advice in (Advice.SET_ASIDE, Advice.HOLD):
            demanded = self._demands.get(case)
            if demanded:
                word = "SET ASIDE" if advice == Advice.SET_ASIDE else "HOLD"
                return f"{word}: {demanded[0]['title']}"
            if advice == Advice.HOLD:
                return "READ " + joined([TITLES[name].upper() for name in cases.open_facts[case][:2]])
            return "SET ASIDE: " + ("no stick starts it" if cases.image[case] < 0 else "not usable with any desktop")
        edition, stick, slow = cases.rows[case]["edition"], cases.image_used[case], LEVEL_WORDS[int(cases.level[case])]
        other = cases.image[case] != cases.wanted[case]
        after = f", which stays {slow}" if slow else ""
        then = f"then {edition}" + (f" from stick {stick}" if other else "") + after
        bring = joined(one.package for one in cases.bring[case] if one.decides)
        fitted = cases.parts_of(case)
        if fitted:
            verb = "BUY AND FIT" if all(part.bought for part in fitted) else "FIT"
            names = joined(part.change + " (to be bought)" * (part.bought and verb == "FIT") for part in fitted)
            return f"{verb} {names}, " + (f"bring {bring}, " if bring else "") + then
        if advice == Advice.FIRMWARE_FIRST:
            ready = self.facts.shop.images[cases.image[case]].on_hand
            return f"BRING {bring}, {then}" if ready else f"MAKE STICK {stick}, then {edition}{after}"
        return (f"USE STICK {stick}, install " if other else "INSTALL ") + edition + after

    @cached_property
    def _demands(self) -> dict[int, list[dict[str, Any]]]:
        """By case, the conditions that hold it or set it aside."""
        said = self.facts.conditions
        some = said[said["effect"].ne("").to_numpy() & (said["effect"] == self.cases.effect[said["row"].to_numpy(int)])]
        return by_row(some["row"], records(some))

    # Why

    def reason(self, case: int) -> tuple[str, str]:
        """Why a unit gets its advice, and the source."""
        cases, advice = self.cases, self.cases.advice[case]
        demanded = self._demands.get(case)
        if demanded:
            return "; ".join(dict.fromkeys(f"{one['title'].lower()}: {one['reason']}" for one in demanded)), str(
                demanded[0]["source"]
            )
        if advice == Advice.HOLD:
            return self._why_held(case), COMFORT_SOURCE
        if advice == Advice.SET_ASIDE:
            return self._why_set_aside(case)
        row = cases.rows[case]
        words = [
            f"{row['edition']}: desktop after about {row['desktop_s']:.0f} s, browser {row['browser_s']:.0f} s, "
            f"{np.floor(row['left_mib']):.0f} MiB of memory left"
        ]
        fitted = cases.parts_of(case)
        if fitted:
            words.insert(0, self._why_parts(case, fitted))
        if row["bring"] + row["dead"] > 0 and case in self._blocked:
            words.insert(0, "; ".join(self._blocked[case]))
        usual = self.every.editions.index(str(self.facts.shop.standard_edition))
        if row["edition"] != self.every.editions[usual]:
            why = self.why_out(case, usual)
            words.append(f"not {self.every.editions[usual]}: {why}" if why else "the shop asks for the richest")
        if row["level"] > COMFORTABLE:
            words.append(f"stays {LEVEL_WORDS[int(row['level'])]}: {shortfall(row, self.facts, case)}")
        return "; ".join(words), COMFORT_SOURCE

    def _why_parts(self, case: int, fitted: list[FittedPart]) -> str:
        """What the parts mend."""
        cases, facts = self.cases, self.facts
        reasons = []
        kinds = {part.part.kind for part in fitted}
        if PartKind.SSD in kinds:
            if facts.no_disk[case]:
                reasons.append("no disk is fitted")
            elif facts.worn[case]:
                reasons.append(f"the disk is worn ({facts.fields['storage_health_pct'][case]:.0f} % left)")
            else:
                reasons.append(f"{facts.fields['storage_kind'][case]}: {self._plain_shortfall(case)}")
        if PartKind.MEMORY in kinds:
            full = " and the slots are full" if cases.rows[case]["out"] else ""
            reasons.append(f"{facts.ram_gib[case]:g} GiB of memory is little for {cases.rows[case]['edition']}{full}")
        if PartKind.WIRELESS in kinds:
            stays = cases.facts.trouble.no_wifi[case, cases.image[case]]
            reasons.append("its Wi-Fi stays dead without an adapter" if stays else "an adapter spares a newer kernel")
        return "; ".join(reasons)

    def _plain_shortfall(self, case: int) -> str:
        at = self.plain[self.cases.machine[case]]
        if at < 0:
            return "no desktop is usable as the unit stands"
        row = self.cases.options.row(int(at))
        return shortfall(row, self.facts, case) or "as it stands a lesser desktop"

    @cached_property
    def plain(self) -> np.ndarray:
        """Each machine's best option without a part, -1 for none."""
        frame = self.cases.options.frame
        return self.cases.options.best(frame["n_parts"].to_numpy() == 0)

    @cached_property
    def _blocked(self) -> dict[int, list[str]]:
        """Reasons of the devices that do nothing until something is done, by case."""
        devices = self.cases.devices
        hit = among(devices["kind"], DECISIVE) & (devices["severity"] != Lack.DEGRADES)
        hit &= ~among(devices["support"], (Support.WORKS, Support.UNKNOWN))
        return by_row(devices.row[hit], (reason.rstrip(".") for reason in devices["reason"][hit]))

    def _why_held(self, case: int) -> str:
        """Which facts decide, and what hangs on them."""
        names = self.cases.open_facts[case]
        words = joined(TITLES[name] for name in names)
        words += " decide and are not known" if len(names) > 1 else " decides and is not known"
        if "cpu" in names or "level" in names:
            words += f": {self.facts.processor_problems[case]}"
        decision, machine = self.cases.decision, self.cases.machine[case]
        at_worst = self._ask(case, decision.options, int(decision.pick[machine]))
        at_best = self._ask(case, decision.lucky, int(decision.lucky_pick[machine]))
        return f"{words}; at worst: {at_worst}; at best: {at_best}"

    def _ask(self, case: int, options: Options, at: int) -> str:
        """What an option of a case's machine asks for, in short; 'set aside' for no option, -1."""
        if at < 0:
            return Advice.SET_ASIDE
        row = options.row(at)
        old = {"module": in_place_of(self.facts.fields["ram_modules"][case], int(row["out"]))}
        names = [
            f"{options.shelf.parts[part].several(times)} {old.get(name, '')}".strip()
            for name, part, times in options.parts(at)
        ]
        stick = self.facts.shop.images[int(row["image"])].name
        return (f"fit {joined(names)}, " if names else "") + f"{row['edition']} from {stick}"

    def _why_set_aside(self, case: int) -> tuple[str, str]:
        if self.cases.image[case] < 0:
            return self.cases.why_no_image(case), "edition gates"
        there = [at for at in range(len(self.every.editions)) if self.every.offered[case, at]]
        if not there:
            return "its stick has none of the shop's desktops", "edition gates"
        why = self.why_out(case, there[-1]) or "over the shop's limit"
        options = self.cases.options
        tried = options.columns["n_parts"][options.by_unit.get(int(self.cases.machine[case]), [])] > 0
        tail = "no part that fits makes it usable" if tried.any() else "no part fits that would mend it"
        return f"no desktop is usable ({self.every.editions[there[-1]]}: {why}); {tail}", COMFORT_SOURCE

    # The part that changes the answer

    def best_fix(self, case: int) -> str:
        """The parts of the option, where they come from and what they change; else the part that would be worth it."""
        cases, advice = self.cases, self.cases.advice[case]
        if advice == Advice.HOLD:
            return FIND_OUT
        if advice == Advice.SET_ASIDE:
            return NO_PART
        fitted = cases.parts_of(case)
        row = cases.rows[case]
        if not fitted:
            return self._worth_buying(case, row)
        names = joined([f"{part.change} ({self.source_of(case, part)})" for part in fitted])
        at = self.plain[cases.machine[case]]
        before = self._state(self.cases.options.row(int(at))) if at >= 0 else "not usable"
        after = self._state(row)
        change = f"{before} becomes {after}" if before != after else f"{after} as before"
        checks = joined([part.check for part in fitted if part.check])
        return f"fit {names}: {change}" + (f"; check {checks}" if checks else "")

    def source_of(self, case: int, part: FittedPart) -> str:
        """Where a part comes from: '3 of 9, kept for this unit', 'none left, to be bought' or 'to be bought'."""
        count = int(self.cases.options.shelf.count[part.at])
        if part.bought:
            return "none left in the drawer, to be bought" if count else "not in the drawer, to be bought"
        number = self.kept.get((case, part.at))
        return f"{number} of {count}, kept for this unit" if number else f"{count} in the drawer"

    def _state(self, row: Mapping[str, Any]) -> str:
        slow = LEVEL_WORDS.get(int(row["level"]), "")
        return f"{row['edition']}, {slow}" if slow else str(row["edition"])

    def _worth_buying(self, case: int, row: Mapping[str, Any]) -> str:
        """A part that would make more of a unit, if there is one, though it is not asked for."""
        usual = str(self.facts.shop.standard_edition)
        if row["level"] == COMFORTABLE and row["edition"] == usual:
            return NOTHING_TO_FIX
        at = self._better[self.cases.machine[case]]
        if at < 0:
            return NOTHING_TO_FIX if row["level"] == COMFORTABLE else NO_PART
        other = self.cases.options.row(int(at))
        ask = self._ask(case, self.cases.options, int(at)).partition(", ")[0].removeprefix("fit ")
        return f"{ask} (not in the drawer) would give {self._state(other)}"

    @cached_property
    def _better(self) -> np.ndarray:
        """Each machine's best option with parts that is better in comfort or desktop than its best without."""
        frame = self.cases.options.frame
        plain = self.plain[frame["row"].to_numpy()]
        level = np.where(plain >= 0, frame["level"].to_numpy()[plain], 9)
        other = np.where(plain >= 0, frame["unusual"].to_numpy()[plain], 9)
        gain = (frame["level"].to_numpy() < level) | (
            (frame["level"].to_numpy() == level) & (frame["unusual"].to_numpy() < other)
        )
        return self.cases.options.best(gain & (frame["n_parts"].to_numpy() > 0))

    # The runner-up

    def runner_up(self, case: int) -> tuple[str, str]:
        """The best option that asks for something else, and why it lost; ('', '') where there is none."""
        cases = self.cases
        if cases.option[case] < 0:
            return "", ""
        frame = cases.options.frame
        mine = cases.rows[case]
        some = frame[frame["row"].eq(cases.machine[case]) & frame["unusable"].eq(0)]
        # The same on another stick is no other thing to do.
        asks = list(ASKS)
        some = some[(some[asks] != [mine[name] for name in asks]).any(axis=1)]
        if some.empty:
            return "", ""
        at = int(some.index.to_numpy()[np.argmin(cases.options.order[some.index.to_numpy()])])
        best = self.cases.options.row(at)
        lost = next((LOST[name] for name in KEY if best[name] > mine[name]), "it is alike in all")
        return self._ask(case, cases.options, at), lost
