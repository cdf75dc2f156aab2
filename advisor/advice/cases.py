"""Cases: each distinct unit with the option it gets, one advice a case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from advisor.advice.bank import in_place_of
from advisor.advice.decide import Decision
from advisor.advice.facts import DECISIVE, Facts, kernel_from_backports
from advisor.advice.options import NONE, Options, asked_for, fitted, most_risk, sticks
from advisor.advice.parts import check
from advisor.advice.readings import BEST, Reading, read, sides
from advisor.columns import among, records, texts
from advisor.comfort import LONGEST_SAID_S
from advisor.drivers import PlacedDevices
from advisor.drivers.kinds import Kind
from advisor.drivers.needs import Lack
from advisor.editions.gates import starts, why_not_start
from advisor.shop import Image, Part
from advisor.unit import Advice, Support


@dataclass(frozen=True)
class Cases:
    """Units with what was decided of them; arrays have the shape (n_cases,)."""

    facts: Facts
    decision: Decision  # Of all distinct units; `machine` tells which of them a case is
    # machine, option: Position of the distinct unit, and of the option it gets (-1 for none).
    machine: np.ndarray
    option: np.ndarray
    bought: dict[str, np.ndarray]  # For each of `PART_COLUMNS`, whether that part of the option must be bought

    def __len__(self) -> int:
        return len(self.option)

    @property
    def options(self) -> Options:
        """Options of all distinct units."""
        return self.decision.options

    @cached_property
    def open_facts(self) -> dict[int, tuple[str, ...]]:
        """Cases that are held for want of facts, and which."""
        known = self.decision.open_facts
        return {case: known[at] for case, at in enumerate(self.machine.tolist()) if at in known}

    @cached_property
    def chosen(self) -> pd.DataFrame:
        """The options' rows, `NONE` and else NA where a case has none; shape (n_cases, ...)."""
        some = self.options.frame.reindex(self.option).reset_index(drop=True)
        return some.fillna(NONE).astype({name: type(value) for name, value in NONE.items()})

    @cached_property
    def rows(self) -> list[dict[str, Any]]:
        """The options' rows as dictionaries."""
        return records(self.chosen)

    @cached_property
    def prepared(self) -> pd.DataFrame:
        """The units with the parts of their options fitted."""
        return fitted(self.facts.units, self.chosen, self.options.shelf)

    @cached_property
    def effect(self) -> np.ndarray:
        """What notes and model demand of each case: 'set aside', 'hold' or ''."""
        out = np.full(len(self), "", dtype=object)
        for word in (Advice.HOLD, Advice.SET_ASIDE):
            rows = self.facts.conditions["row"][self.facts.conditions["effect"].eq(word)].to_numpy(dtype=int)
            out[rows] = word
        return out

    @cached_property
    def held(self) -> np.ndarray:
        """Where a missing fact would change the option."""
        return np.isin(np.arange(len(self)), list(self.open_facts))

    @cached_property
    def advice(self) -> np.ndarray:
        """One of `Advice` a case."""
        chosen, has = self.chosen, self.option >= 0
        fit, bring = (chosen[name].to_numpy() > 0 for name in ("n_parts", "bring"))
        order = {str(name): at for at, name in enumerate(self.facts.shop.richness)}
        usual = order[str(self.facts.shop.standard_edition)]
        lighter = chosen["edition"].map(order).to_numpy(dtype="float64", na_value=-1) > usual
        return np.select(
            [self.effect == Advice.SET_ASIDE, self.effect == Advice.HOLD, self.held, ~has, fit, bring, lighter],
            [Advice.SET_ASIDE, Advice.HOLD, Advice.HOLD, Advice.SET_ASIDE, Advice.PART_FIRST, Advice.FIRMWARE_FIRST,
             Advice.LIGHTER],
            Advice.STANDARD,
        ).astype(object)  # fmt: skip

    @cached_property
    def works(self) -> np.ndarray:
        """Where the unit is worked on: neither held nor set aside."""
        return ~among(self.advice, (Advice.HOLD, Advice.SET_ASIDE))

    @cached_property
    def edition(self) -> pd.Series[str]:
        """What is installed, NA where nothing is."""
        return self.chosen["edition"].where(self.works).astype("string")

    @cached_property
    def reading(self) -> Reading:
        """The units with every missing fact at its best: what still speaks against them then is certain."""
        return read(self.facts, sides(len(self), BEST))

    @cached_property
    def rank(self) -> tuple[np.ndarray, np.ndarray]:
        """Which sticks may start each unit, and their rank; see `options.sticks`."""
        return sticks(self.facts, self.reading)

    @cached_property
    def starts(self) -> np.ndarray:
        """Which images may start each unit, on hand or not; bool, shape (n_cases, n_images)."""
        r = self.reading
        return starts(r.units, r.processors, self.facts.shop.images)

    @cached_property
    def image(self) -> np.ndarray:
        """Position of the image of the option, else of the best stick that may start the unit; -1 for none."""
        may, rank = self.rank
        best = np.where(may.any(axis=1), rank.argmin(axis=1), -1)
        return np.where(self.option >= 0, self.chosen["image"].to_numpy(), best)

    @cached_property
    def named(self) -> np.ndarray:
        """Position of the image that the row names, -1 where it names none of the shop's."""
        return asked_for(self.facts.units, self.facts.shop)

    @cached_property
    def wanted(self) -> np.ndarray:
        """Position of the image meant for the unit: the one its row names, else the shop's usual one."""
        names = [image.name.casefold() for image in self.facts.shop.images]
        return np.where(self.named >= 0, self.named, names.index(self.facts.shop.default_image.casefold()))

    def why_not_start(self, case: int, image: int) -> str:
        """Why an image does not start on a unit, '' where nothing that is known speaks against it."""
        level = self._levels[case]
        return why_not_start(self.facts.fields.row(case), level, self.facts.shop.images[image])

    @cached_property
    def _levels(self) -> np.ndarray:
        return texts(self.facts.processors["cpu_level"])

    def why_no_image(self, case: int) -> str:
        """Why none of the shop's images starts on a unit."""
        reasons = (self.why_not_start(case, at) for at in range(len(self.facts.shop.images)))
        return "; ".join(dict.fromkeys(reason for reason in reasons if reason))

    def why_other_stick(self, case: int) -> str:
        """Why another stick than the one meant is used."""
        asked, taken = int(self.wanted[case]), int(self.image[case])
        names = [image.name for image in self.facts.shop.images]
        instead = f"{names[taken]} instead of {names[asked]}"
        stops = self.why_not_start(case, asked)
        if stops:
            return f"{instead}: {stops}"
        better = [
            f"{kind} {matrix[case, asked]} there, {matrix[case, taken]} here"
            for kind, matrix in self.facts.support.items()
            if matrix[case, asked] != matrix[case, taken]
        ]
        return f"{instead}: {'; '.join(better) or 'it serves the unit better'}"

    @cached_property
    def image_used(self) -> np.ndarray:
        """Name of that image, None for none."""
        names = np.array([*(image.name for image in self.facts.shop.images), None], dtype=object)
        return names[self.image]

    @cached_property
    def devices(self) -> PlacedDevices:
        """The devices on that image."""
        return self.facts.devices.on(self.image)

    @cached_property
    def level(self) -> np.ndarray:
        """Level of comfort of the option; `COMFORTABLE` where there is none."""
        return self.chosen["level"].to_numpy()

    @cached_property
    def wireless(self) -> np.ndarray:
        """Support word of the Wi-Fi on the image used, None where there is none."""
        matrix = self.facts.support.get(Kind.WIRELESS)
        if matrix is None:
            return np.full(len(self), None, dtype=object)
        words = matrix[np.arange(len(self)), np.maximum(self.image, 0)].copy()
        words[self.image < 0] = None
        return words

    def parts_of(self, case: int) -> list[FittedPart]:
        """Parts of a case's option, memory first."""
        shelf, out = self.options.shelf.parts, int(self.rows[case]["out"])
        old = in_place_of(self.facts.fields["ram_modules"][case], out)
        return [
            FittedPart(
                at, shelf[at], times, bool(self.bought[name][case]), check(self.facts, case, shelf[at], out),
                old if name == "module" else "",
            )
            for name, at, times in self.options.parts(self.option[case])
        ]  # fmt: skip

    @cached_property
    def adapter(self) -> np.ndarray:
        """Where a Wi-Fi adapter takes the place of what is built in."""
        return self.chosen["adapter"].to_numpy() >= 0

    @cached_property
    def bring(self) -> list[tuple[Brought, ...]]:
        """What must be brought to each case on the image used, decisive devices first."""
        every = self.devices
        wanted = ~among(every["support"], (Support.WORKS, Support.UNKNOWN, Support.NO_DRIVER))
        out: list[list[Brought]] = [[] for _ in range(len(self))]
        weighty = among(every["kind"], DECISIVE) & (every["severity"] != Lack.DEGRADES)
        columns = {name: every[name] for name in ("kind", "support", "firmware_packages", "cure")}
        for at in np.flatnonzero(wanted)[np.argsort(~weighty[wanted], kind="stable")]:
            device = {name: values[at] for name, values in columns.items()}
            case = int(every.row[at])
            if self.adapter[case] and device["kind"] == Kind.WIRELESS:
                continue
            image = self.facts.shop.images[self.image[case]]
            for one in _packages(device, image, bool(weighty[at])):
                if one.package not in [seen.package for seen in out[case]]:
                    out[case].append(one)
        return [tuple(each) for each in out]

    @cached_property
    def needs_network(self) -> np.ndarray:
        """Where something without which the unit is not handed over needs a network to install."""
        return np.array([any(one.network and one.decides for one in each) for each in self.bring], dtype=bool)


def shortfall(option: Mapping[str, Any], facts: Facts, case: int) -> str:
    """Say what of an option misses the shop's thresholds, '' for nothing."""
    limits = facts.shop.thresholds
    words = []
    for what, seconds, limit in (
        ("desktop", option["desktop_high_s"], limits.desktop_s),
        ("browser", option["browser_high_s"], limits.browser_s),
    ):  # fmt: skip
        if seconds > limit:
            words.append(f"{what} usable after {seconds_words(seconds)}, over {limit:g} s")
    gib = facts.ram_gib[case] + option["memory_gib"]
    if option["left_mib"] < limits.memory_left_pct / 100 * gib * 1024:
        words.append(f"{np.floor(option['left_mib']):.0f} MiB of memory left, under {limits.memory_left_pct:g} %")
    if option["killed"] > most_risk(limits):
        words.append(f"{np.ceil(100 * option['killed']):.0f} % likely to have a program killed")
    if option["disk_left_pct"] < limits.disk_left_pct:
        words.append(f"{np.floor(option['disk_left_pct']):.0f} % of the disk left, under {limits.disk_left_pct:g} %")
    if facts.worn[case] and option["ssd"] < 0:
        words.append("the disk is worn")
    return "; ".join(words)


def seconds_words(seconds: float) -> str:
    """A bound in words, rounded up so that no sentence says '30 s, over 30 s'."""
    if seconds > LONGEST_SAID_S:
        return f"more than {LONGEST_SAID_S / 60:g} minutes"
    return f"{np.ceil(seconds):.0f} s"


@dataclass(frozen=True)
class FittedPart:
    """One part of an option."""

    at: int  # Position on the shelf
    part: Part
    times: int  # How many of it
    bought: bool  # Whether it must be bought first
    check: str  # What to look at before it is fitted, '' for nothing
    old: str  # Such as 'in place of 2 x 1 GiB', '' where nothing need be said

    @property
    def name(self) -> str:
        """Such as '2 x 4 GiB DDR3 DIMM'."""
        return self.part.several(self.times)

    @property
    def change(self) -> str:
        """The name, and what comes out for it."""
        return f"{self.name} {self.old}".strip()


@dataclass(frozen=True)
class Brought:
    """A package that must be brought to a unit."""

    package: str
    device: str  # Kind of device that asks for it
    decides: bool  # Whether the unit is not handed over without
    network: bool  # Whether it needs a network to install, since it fetches or builds something


def _packages(row: Mapping[str, Any], image: Image, decides: bool) -> list[Brought]:
    """Packages that one device's verdict asks for."""
    kind, support, cure = str(row["kind"]), row["support"], str(row["cure"])
    if support == Support.NEEDS_FIRMWARE:
        names = str(row["firmware_packages"]).split() or [cure]
        return [Brought(name, kind, decides, name.endswith("-installer")) for name in names if name]
    if support == Support.SEPARATE_DRIVER and cure:
        headers = f"linux-headers-{image.flavour}"
        return [Brought(cure, kind, decides, True), Brought(headers, kind, decides, True)]
    kernel = kernel_from_backports(str(support), cure, image)
    return [Brought(f"{kernel}/{image.release}-backports", kind, decides, True)] if kernel else []
