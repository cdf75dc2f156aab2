"""From a batch to the record of one unit: choosing and ordering, once, for every view.

No figure is made here: minutes are of `timing.predict`, seconds and memory of `comfort.ladder` as `options` asks it,
sentences of `sentences`, flags of `flags`, devices of `drivers.judge`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.advice import fixed
from advisor.advice.devices import ACROSS_COLUMNS, DEVICE_COLUMNS, across, devices_of
from advisor.advice.options import COMFORTABLE, SLOW, UNUSABLE, VERY_SLOW
from advisor.advice.printable import clean
from advisor.advice.readings import TITLES, WHERE
from advisor.advice.record import (
    ADVICE_MARK,
    MINUTES,
    SEVERITY_MARK,
    Across,
    Device,
    Fitting,
    Flag,
    Item,
    Mark,
    Phase,
    Reason,
    Record,
    Rung,
)  # fmt: skip
from advisor.advice.sentences import LEVEL_WORDS
from advisor.columns import by_row, records
from advisor.comfort import LONGEST_SAID_S, beyond
from advisor.drivers.kinds import Kind
from advisor.phrases import counted, spelt, titled
from advisor.unit import PORTABLE, Advice, FormFactor, Severity, StorageKind, StorageMode, Support

if TYPE_CHECKING:
    from advisor.advice.batch import Batch

_DIAGONAL = re.compile(r"(?:^|\s)(?:[7-9]|[1-4][0-9])(?:\.[0-9]+)?$")
"""A number at the end of what is typed of a screen that is its diagonal in inches; common practice, no source."""

_SPAN = 5
"""Most digits of two numbers side by side."""

CODE_BYTES = 80
"""Longest asset tag put into a QR code; a longer one makes modules too fine for a cheap reader."""

_FACT_WORDS = {
    "decompress_mib_s": "decompression", "disk_read_mib_s": "disk read", "disk_access_ms": "disk access",
    "link_mbps": "link", "cpu_cores": "cores", "cpu_speed": "processor speed", "storage_kind": "kind of disk",
}  # fmt: skip


def number(value: Any, digits: int = 0) -> str:
    """Write a number out, '' for unknown; trailing zeros go."""
    if value is None or pd.isna(value):
        return ""
    text = f"{float(value):.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def span(low: Any, high: Any) -> str:
    """Two seconds as one text, such as '22–30'; one when they round to the same, '600+' beyond all that was watched."""
    first, last = number(low), number(high)
    if first and float(low) > LONGEST_SAID_S:
        return f"{LONGEST_SAID_S:.0f}+"
    if last and float(high) > LONGEST_SAID_S:
        last = f"{LONGEST_SAID_S:.0f}+"
    if len(first) + len(last) > _SPAN:
        return f"{first}+"
    return first if first == last or not last else f"{first}–{last}"


def _by_unit(frame: pd.DataFrame) -> dict[int, list[dict[str, Any]]]:
    """Rows of a long frame, as dictionaries, by the unit's position in its column row."""
    return by_row(frame["row"], records(frame))


class Composer:
    """Composes records of one batch, with its long frames looked up by unit only once."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.cases, self.wording = batch.cases, batch.wording
        self._devices = batch.cases.devices.records(DEVICE_COLUMNS)
        self._everywhere = batch.cases.facts.devices.on().records(ACROSS_COLUMNS)
        self._flags = _by_unit(batch.flags)
        self._phases = _by_unit(batch.timing.phases)
        self._assumed = _by_unit(batch.timing.assumed)
        self._taken = _by_unit(batch.taken_as)

    @cached_property
    def _beyond(self) -> np.ndarray:
        return beyond(self.cases.facts.units, self.cases.facts.processors)

    def compose(self, row: int) -> Record:
        """Compose the record of one unit, by its position from 0; IndexError where there is none."""
        batch, cases = self.batch, self.cases
        if not 0 <= row < len(batch):
            raise IndexError(f"row {row} is not among the {len(batch)} units of the batch")
        case = int(batch.case[row])
        unit = cases.facts.units.iloc[case]
        advice = str(cases.advice[case])
        tag = clean(batch.understood.units["asset_tag"].iat[row])
        devices = devices_of(self._devices.get(case, ()))
        flags = self._flag_rows(case)
        images, rows, no_boot = self._across(case)
        limits = batch.shop.thresholds
        return Record(
            row=row,
            tag=tag or (f"row {row + 1}" if len(batch) > 1 else "no tag"),
            code=tag if 0 < len(tag.encode()) <= CODE_BYTES else "",
            shop=clean(batch.shop.name),
            title=titled(clean(unit["maker"]), clean(unit["model"])) or "maker and model not known",
            facts=self._facts(case),
            unknown=self._unknown(case),
            taken=tuple(
                clean(entry["text"]).replace("_", " ").partition("; ")[0] for entry in self._taken.get(row, ())
            ),
            notes=clean(unit["notes"]),
            advice=advice,
            mark=ADVICE_MARK.get(advice, Mark.QUERY),
            headline=clean(self.wording.headline(case)),
            reasons=self._reasons(case, flags),
            best_fix=clean(self.wording.best_fix(case)),
            find_out=self._find_out(case, flags) if advice == Advice.HOLD else (),
            devices=devices,
            images=images,
            across=rows,
            no_boot=no_boot,
            rungs=tuple(self._rung(case, at) for at in range(len(self.wording.every.editions))),
            flags=flags,
            checks=self._checks(case, advice, devices),
            cautions=fixed.CAUTIONS,
            limits=fixed.LIMITS.format(
                certainty=number(100 * limits.certainty),
                desktop=number(limits.desktop_s),
                browser=number(limits.browser_s),
                memory=number(limits.headroom_mib),
            ),
            made_with=_program(),
            status=clean(batch.standing["status"].iat[case]),
            problem=clean(batch.standing["problem"].iat[case]),
            **(self._work(case, devices) if cases.works[case] else {"basis": clean(batch.timing.basis)}),
        )

    def _work(self, case: int, devices: Sequence[Device]) -> dict[str, Any]:
        """Fields of the record that only a unit has which is worked on now: what to do, and how long it takes."""
        cases, wording, timing = self.cases, self.wording, self.batch.timing
        runner_up, lost = wording.runner_up(case)
        waits = f"waits beyond what was measured: {self._beyond[case]}" if self._beyond[case] else ""
        minutes = {
            name: None if pd.isna(value := getattr(timing, name).iat[case]) else float(value) for name in MINUTES
        }
        return {
            "edition": clean(cases.rows[case]["edition"]),
            "image": clean(cases.image_used[case]),
            "parts": tuple(
                Fitting(clean(part.name), wording.source_of(case, part), part.check) for part in cases.parts_of(case)
            ),
            "bring": tuple(one.package for one in cases.bring[case]),
            "runner_up": runner_up,
            "lost": lost,
            "slow": LEVEL_WORDS[int(cases.level[case])],
            "at_hand": self._at_hand(case, devices),
            "phases": tuple(
                Phase(clean(entry["title"]), float(entry["hands_on_min"]), float(entry["machine_min"]))
                for entry in self._phases.get(case, ())
            ),
            **minutes,
            "basis": self._basis(case),
            "shares": tuple((str(name), float(part)) for name, part in timing.shares.iloc[case].items()),
            "beyond": "; ".join(filter(None, (str(timing.note.iat[case]), waits))),
            "assumed": tuple(
                f"{_FACT_WORDS.get(str(entry['fact']), clean(entry['fact']).replace('_', ' '))} {clean(entry['value'])}"
                for entry in self._assumed.get(case, ())
            ),
        }

    def _basis(self, case: int) -> str:
        """What the minutes rest on, with shares, and whether they lie beyond what was measured."""
        beyond_it = ", beyond what was measured" if self.batch.timing.note.iat[case] else ""
        rests_on = self.batch.rests_on[case].replace(" % memory", " % from memory")
        return f"{clean(self.batch.timing.basis)}: {rests_on}{beyond_it}"

    def _facts(self, case: int) -> tuple[str, ...]:
        unit = self.cases.facts.units.iloc[case]
        processor = self.cases.facts.processors.iloc[case]
        name = processor.get("cpu_name")
        cpu = _short_cpu(clean(unit["cpu"] if name is None or pd.isna(name) else name))
        known = [
            clean(processor.get("cpu_microarch")), number(processor.get("cpu_year")), clean(processor.get("cpu_level")),
        ]  # fmt: skip
        beside = ", ".join(filter(None, known))
        screen, battery = clean(unit["screen"]), unit["battery_health_pct"]
        words = (
            clean(unit["form_factor"]), f"{cpu} ({beside})" if cpu and beside else cpu, _memory_words(unit),
            _disk_words(unit), spelt(clean(unit["boot_mode"])), f"screen {_with_inches(screen)}" if screen else "",
            f"battery {number(battery)} %" if pd.notna(battery) else "",
        )  # fmt: skip
        return tuple(filter(None, words))

    def _unknown(self, case: int) -> tuple[str, ...]:
        unit = self.cases.facts.units.iloc[case]
        wanted = {
            "cpu": "processor", "ram_gib": "memory", "storage_kind": "kind of disk", "storage_gib": "disk size",
            "boot_mode": "firmware mode", "form_factor": "kind of box",
        }  # fmt: skip
        return tuple(text for name, text in wanted.items() if pd.isna(unit[name]))

    def _reasons(self, case: int, flags: Sequence[Flag]) -> tuple[Reason, ...]:
        text, source = self.wording.reason(case)
        out = [Reason(_sentence(clean(text)), clean(source))]
        out += [
            Reason(f"{flag.title}: {flag.reason}", flag.source)
            for flag in flags
            if flag.severity == Severity.STOP and flag.reason.rstrip(".").lower() not in out[0].text.lower()
        ]
        return tuple(reason for reason in out if reason.text)

    def _find_out(self, case: int, flags: Sequence[Flag]) -> tuple[str, ...]:
        """What to find out, first what the decision hangs on."""
        facts = [f"{TITLES[name].capitalize()}: {WHERE[name]}" for name in self.cases.open_facts.get(case, ())]
        asked = [f"{flag.title}: {flag.action}" for flag in flags if flag.severity == Severity.STOP]
        return tuple(dict.fromkeys([*facts, *asked]))

    def _across(self, case: int) -> tuple[tuple[str, ...], tuple[Across, ...], tuple[str, ...]]:
        may = self.cases.starts[case]
        never = [image.name for image, there in zip(self.batch.shop.images, may, strict=True) if not there]
        images, rows = across(self._everywhere.get(case, []), clean(self.cases.image_used[case]), never)
        return images, rows, tuple(never) if rows else ()

    def _rung(self, case: int, at: int) -> Rung:
        every = self.wording.every
        edition = every.editions[at]
        advised = bool(self.cases.works[case]) and edition == self.cases.rows[case]["edition"]
        why = self.wording.why_out(case, at)
        if not every.offered[case, at] or not every.figures["gate"][case, at]:
            return Rung(edition, "ruled out", Mark.CROSS, why=why)
        row = self.wording.edition_row(case, at)
        level = int(row["level"])
        words = {SLOW: "slow", VERY_SLOW: "very slow", UNUSABLE: "over the limit"}
        verdict = words.get(level, "comfortable" if row["roomy"] == 0 else "little memory")
        mark = (
            Mark.FULL if level == COMFORTABLE and row["roomy"] == 0 else Mark.CROSS if level == UNUSABLE else Mark.RING
        )
        return Rung(
            edition=edition,
            verdict=f"advised, {verdict}" if advised and level > COMFORTABLE else "advised" if advised else verdict,
            mark=mark,
            # Rounded to the side that the reasons round to, so that a sheet says one figure everywhere.
            desktop_s=span(row["desktop_s"], np.ceil(row["desktop_high_s"])),
            browser_s=span(row["browser_s"], np.ceil(row["browser_high_s"])),
            memory_left_mib=number(np.floor(row["left_mib"])),
            why=why,
        )  # fmt: skip

    def _flag_rows(self, case: int) -> tuple[Flag, ...]:
        return tuple(
            Flag(
                mark=SEVERITY_MARK[entry["severity"]],
                reason=_stopped(clean(entry["reason"])),
                **{name: clean(entry[name]) for name in ("severity", "title", "action", "source")},
            )
            for entry in self._flags.get(case, ())
        )

    def _at_hand(self, case: int, devices: Sequence[Device]) -> tuple[Item, ...]:
        cases, shop = self.cases, self.batch.shop
        image = shop.images[cases.image[case]]
        items = [Item(f"Stick {image.name}", "" if image.on_hand else "not ready: make it first")]
        for part in cases.parts_of(case):
            check = f"check {part.check}" if part.check else ""
            items.append(
                Item(part.name, "; ".join(filter(None, (self.wording.source_of(case, part), part.old, check))))
            )
        for one in cases.bring[case]:
            items.append(Item(one.package, f"for {one.device}" + (", needs a network" if one.network else "")))
        form = clean(cases.facts.units["form_factor"].iat[case])
        wireless = [device for device in devices if device.kind == Kind.WIRELESS]
        network = cases.needs_network[case]
        if network or not any(device.support == Support.WORKS for device in wireless):
            why = "the packages to bring need a network" if network else "no Wi-Fi works yet"
            items.append(Item("Network cable, or USB network adapter", why))
        if form == FormFactor.TABLET:
            items.append(Item("USB hub with keyboard and mouse", "a tablet has few ports"))
        if form in PORTABLE:
            items.append(Item("Its charger", "updates and installs do not run on battery alone"))
        return tuple(dict.fromkeys(items))

    def _checks(self, case: int, advice: str, devices: Iterable[Device]) -> tuple[str, ...]:
        if advice == Advice.SET_ASIDE:
            return fixed.STOPPED_CHECKS
        if advice == Advice.HOLD:
            return fixed.HOLD_CHECKS
        there = {device.kind for device in devices if device.support != Support.NO_DRIVER}
        tried = [word for kind, word in fixed.KINDS_TRIED.items() if kind in there]
        form = clean(self.cases.facts.units["form_factor"].iat[case])
        portable = (fixed.PORTABLE_CHECK,) if form in PORTABLE else ()
        kinds = ", ".join([*tried, *fixed.ALWAYS_TRIED])
        return (*fixed.CHECKS, fixed.TRIED_CHECK.format(kinds=kinds), *portable)


def _memory_words(unit: pd.Series[Any]) -> str:
    if pd.isna(unit["ram_gib"]):
        return ""
    memory, free = f"{number(unit['ram_gib'], 1)} GiB memory", unit["ram_slots_free"]
    if pd.notna(unit["ram_soldered"]) and bool(unit["ram_soldered"]):
        return f"{memory}, soldered"
    return f"{memory}, {counted(int(free), 'slot')} free" if pd.notna(free) else memory


def _disk_words(unit: pd.Series[Any]) -> str:
    disk = spelt(clean(unit["storage_kind"]))
    if disk == StorageKind.NONE:
        return "no disk"
    if disk and pd.notna(unit["storage_gib"]):
        # As it stands on the label: makers count in thousands.
        disk += f" {number(unit['storage_gib'] * 1.073741824)} GB"
    if disk and pd.notna(unit["storage_health_pct"]):
        disk += f", {number(unit['storage_health_pct'])} % life left"
    mode = clean(unit.get("storage_mode"))
    return disk + (f", {mode.upper()} mode" if mode in (StorageMode.RAID, StorageMode.VMD) else "")


def _sentence(text: str) -> str:
    # A module's or package's name keeps its own letters.
    return text[:1].upper() + text[1:] if text.partition(" ")[0].isalpha() else text


def _stopped(text: str) -> str:
    """End a sentence, so that the next may follow."""
    return text if not text or text[-1] in ".!?…" else f"{text}."


def _with_inches(screen: str) -> str:
    """A screen as it was typed, its diagonal with a unit: '1366x768 14 inch'."""
    return f"{screen} inch" if _DIAGONAL.search(screen) else screen


def _short_cpu(name: str) -> str:
    name = re.sub(r"\((?:R|TM|C)\)", "", name, flags=re.I)
    name = re.sub(r"\s*(?:CPU\s*)?@\s*[\d.]+\s*GHz", "", name, flags=re.I)
    name = re.sub(r"\s+with Radeon.*$", "", name, flags=re.I)
    return " ".join(name.split())


def _program() -> str:
    import advisor

    return f"bench-advisor {advisor.__version__}"
