"""From an assessment to the sheets of its units: choosing, ordering and wording; no layout."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.advice.assessment import NO_PART, NOTHING_TO_FIX
from advisor.comfort.rungs import LONGEST_SAID_S
from advisor.sheet import words
from advisor.sheet.cells import ByRow, clean
from advisor.sheet.devices import ACROSS_COLUMNS, across, devices_of, packages
from advisor.sheet.model import (
    ADVICE_MARK,
    SEVERITY_MARK,
    Across,
    Device,
    Flag,
    Item,
    Mark,
    Phase,
    Reason,
    Rung,
    Sheet,
)  # fmt: skip
from advisor.unit import Advice, FormFactor, Support

if TYPE_CHECKING:
    from advisor.advice import Assessment
    from advisor.shop import Thresholds

_SPAN = 5
"""Most digits of two numbers side by side."""

CODE_BYTES = 80
"""Longest asset tag put into a QR code; a longer one makes modules too fine for a cheap reader."""

_PORTABLE = (FormFactor.LAPTOP, FormFactor.CONVERTIBLE, FormFactor.TABLET)
_SEVERITY_WORST_FIRST = ("stop", "act", "note")
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


def minutes(value: Any) -> str:
    """Minutes of a phase to a tenth below ten, whole above, '' for unknown or none [min]."""
    if value is None or pd.isna(value) or float(value) < 0.05:
        return ""
    return number(value, 1 if float(value) < 9.95 else 0)


class Composer:
    """Composes sheets of one assessment, with its long frames looked up by unit only once.

    Parameters
    ----------
    assessment : Assessment
    """

    def __init__(self, assessment: Assessment) -> None:
        self.assessment = assessment
        self._devices = ByRow(assessment.facts.devices)
        self._everywhere = ByRow(assessment.facts.all_devices[[*ACROSS_COLUMNS]])
        self._flags = ByRow(assessment.flags)
        self._phases = ByRow(assessment.timing.phases)
        self._assumed = ByRow(assessment.timing.assumed)
        self._parts = ByRow(assessment.parts)
        self._problems = ByRow(assessment.understood.problems)
        self._taken = ByRow(assessment.taken_as)
        self._ladder = ByRow(assessment.ladder.long())

    def compose(self, row: int) -> Sheet:
        """Compose the sheet of one unit.

        Parameters
        ----------
        row : int
            Position, counted from 0.

        Returns
        -------
        Sheet

        Raises
        ------
        IndexError
            When there is no such row.
        """
        result = self.assessment
        if not 0 <= row < len(result.units):
            raise IndexError(f"row {row} is not among the {len(result.units)} assessed units")
        unit = result.units.iloc[row]
        decision = result.decision.frame.iloc[row]
        advice = clean(decision["advice"])
        tag = clean(unit["asset_tag"])
        devices = devices_of(self._devices(row))
        image = clean(result.facts.chosen["image_used"].iat[row])
        edition, part = clean(decision["edition"]), clean(decision["part"])
        flags = self._flag_rows(row)
        images, rows, no_boot = self._across(row)
        works = bool(edition) and advice not in (Advice.HOLD, Advice.SET_ASIDE)
        return Sheet(
            tag=tag or (f"row {row + 1}" if len(result.units) > 1 else "no tag"),
            code=tag if 0 < len(tag.encode()) <= CODE_BYTES else "",
            shop=clean(result.shop.name),
            title=" ".join(filter(None, (clean(unit["maker"]), clean(unit["model"])))) or "maker and model not known",
            facts=self._facts(row),
            unknown=self._unknown(row),
            taken=tuple(_clause(clean(entry["text"])) for entry in self._taken(row)),
            notes=clean(unit["notes"]),
            advice=advice,
            mark=ADVICE_MARK.get(advice, Mark.QUERY),
            edition=edition,
            image=image if works or advice == Advice.PART_FIRST else "",
            part=part,
            reasons=self._reasons(row),
            best_fix=_fix(clean(result.best_fix.iat[row]), advice),
            at_hand=self._at_hand(row, devices) if works or advice == Advice.PART_FIRST else (),
            find_out=tuple(f"{flag.title}: {flag.action}" for flag in flags if flag.severity != "note")
            if advice == Advice.HOLD
            else (),
            devices=devices,
            images=images,
            across=rows,
            no_boot=no_boot,
            rungs=self._rungs(row),
            phases=self._phase_rows(row) if works else (),
            hands_on_min=self._minutes("hands_on_min", row) if works else "",
            elapsed_min=self._minutes("elapsed_min", row) if works else "",
            elapsed_low_min=self._minutes("elapsed_low_min", row) if works else "",
            elapsed_high_min=self._minutes("elapsed_high_min", row) if works else "",
            basis=clean(result.timing.basis),
            assumed=tuple(
                f"{_FACT_WORDS.get(str(entry['fact']), clean(entry['fact']).replace('_', ' '))} {clean(entry['value'])}"
                for entry in self._assumed(row)
            )
            if works
            else (),
            flags=flags,
            checks=self._checks(row, advice, devices),
            cautions=words.CAUTIONS,
            limits=words.LIMITS.format(
                desktop=number(result.shop.thresholds.desktop_s),
                browser=number(result.shop.thresholds.browser_s),
                memory=number(result.shop.thresholds.memory_left_pct),
            ),
            made_with=_program(),
        )

    def _minutes(self, name: str, row: int) -> str:
        return number(getattr(self.assessment.timing, name).iat[row])

    def _facts(self, row: int) -> tuple[str, ...]:
        unit = self.assessment.units.iloc[row]
        processor = self.assessment.processors.iloc[row]
        name = processor.get("cpu_name")
        cpu = _short_cpu(clean(unit["cpu"] if name is None or pd.isna(name) else name))
        known = [
            clean(processor.get("cpu_microarch")), number(processor.get("cpu_year")), clean(processor.get("cpu_level")),
        ]  # fmt: skip
        beside = ", ".join(filter(None, known))
        memory = f"{number(unit['ram_gib'], 1)} GiB memory" if pd.notna(unit["ram_gib"]) else ""
        free = unit["ram_slots_free"]
        if memory and pd.notna(unit["ram_soldered"]) and bool(unit["ram_soldered"]):
            memory += ", soldered"
        elif memory and pd.notna(free):
            memory += f", {int(free)} slot{'' if free == 1 else 's'} free"
        disk = clean(unit["storage_kind"])
        if disk == "none":
            disk = "no disk"
        elif disk and pd.notna(unit["storage_gib"]):
            disk += f" {number(unit['storage_gib'])} GiB"
        if disk and pd.notna(unit["storage_health_pct"]):
            disk += f", {number(unit['storage_health_pct'])} % life left"
        mode = clean(unit.get("storage_mode"))
        if mode in ("raid", "vmd"):
            disk += f", {mode.upper()} mode"
        screen = clean(unit["screen"])
        battery = unit["battery_health_pct"]
        return tuple(
            filter(
                None,
                (
                    clean(unit["form_factor"]),
                    f"{cpu} ({beside})" if cpu and beside else cpu,
                    memory,
                    disk,
                    clean(unit["boot_mode"]),
                    f"screen {screen}" if screen else "",
                    f"battery {number(battery)} %" if pd.notna(battery) else "",
                ),
            )
        )

    def _unknown(self, row: int) -> tuple[str, ...]:
        unit = self.assessment.units.iloc[row]
        wanted = {
            "cpu": "processor", "ram_gib": "memory", "storage_kind": "kind of disk", "storage_gib": "disk size",
            "boot_mode": "firmware mode", "form_factor": "kind of box",
        }  # fmt: skip
        return tuple(text for name, text in wanted.items() if pd.isna(unit[name]))

    def _reasons(self, row: int) -> tuple[Reason, ...]:
        decision = self.assessment.decision.frame.iloc[row]
        out = [Reason(_sentence(clean(decision["reason"])), clean(decision["source"]))]
        out += [
            Reason(f"{flag.title}: {flag.reason}", flag.source)
            for flag in self._flag_rows(row)
            if flag.severity == "stop" and flag.reason.rstrip(".").lower() not in out[0].text.lower()
        ]
        return tuple(reason for reason in out if reason.text)

    def _across(self, row: int) -> tuple[tuple[str, ...], tuple[Across, ...], tuple[str, ...]]:
        facts = self.assessment.facts
        boots = facts.boots.iloc[row]
        never = [clean(name) for name, there in boots.items() if pd.notna(there) and not there]
        images, rows = across(self._everywhere(row), clean(facts.chosen["image_used"].iat[row]), never)
        return images, rows, tuple(never) if rows else ()

    def _rungs(self, row: int) -> tuple[Rung, ...]:
        advised = clean(self.assessment.decision.frame["edition"].iat[row])
        fitted = bool(clean(self.assessment.decision.frame["part"].iat[row]))
        gate = self.assessment.ladder.gate[row]
        limits = self.assessment.shop.thresholds
        return tuple(
            _rung(entry, int(gate[column]), advised, fitted, limits) for column, entry in enumerate(self._ladder(row))
        )

    def _phase_rows(self, row: int) -> tuple[Phase, ...]:
        return tuple(
            Phase(clean(entry["title"]), minutes(entry["hands_on_min"]), minutes(entry["machine_min"]))
            for entry in self._phases(row)
        )

    def _flag_rows(self, row: int) -> tuple[Flag, ...]:
        order = {severity: position for position, severity in enumerate(_SEVERITY_WORST_FIRST)}
        rows = [
            Flag(
                severity=clean(entry["severity"]),
                mark=SEVERITY_MARK.get(clean(entry["severity"]), Mark.QUERY),
                title=clean(entry["title"]),
                reason=_stopped(clean(entry["reason"])),
                action=clean(entry["action"]),
                source=clean(entry["source"]),
            )
            for entry in self._flags(row)
        ]
        return tuple(sorted(rows, key=lambda flag: order.get(flag.severity, len(order))))

    def _at_hand(self, row: int, devices: Sequence[Device]) -> tuple[Item, ...]:
        result = self.assessment
        items: list[Item] = []
        name = clean(result.facts.chosen["image_used"].iat[row])
        image = result.shop.image(name)
        if name:
            ready = "" if image is None or image.on_hand else "not ready: make it first"
            items.append(Item(f"Stick {name}", ready))
        part = clean(result.decision.frame["part"].iat[row])
        if part:
            items.append(Item(f"Part: {part}", self._part_note(row, part)))
        blocked = [entry for entry in self._devices(row) if entry["support"] != Support.WORKS]
        for word, what in ((Support.NEEDS_FIRMWARE, "on the stick"), (Support.SEPARATE_DRIVER, "the package file")):
            for entry in blocked:
                if entry["support"] == word:
                    for package in packages(entry["firmware_packages"]) or packages(entry["cure"]):
                        items.append(Item(f"{package}, {what}", f"for {clean(entry['kind'])}"))
        for entry in blocked:
            if entry["support"] == Support.NEWER_KERNEL and clean(entry["cure"]):
                items.append(Item(f"Stick {clean(entry['cure'])}", f"its newer kernel, for {clean(entry['kind'])}"))
        form = clean(result.units["form_factor"].iat[row])
        wireless = [device for device in devices if device.kind == "wireless"]
        if not any(device.support == Support.WORKS for device in wireless):
            items.append(Item("Network cable, or USB network adapter", "no Wi-Fi works yet"))
        if form == FormFactor.TABLET:
            items.append(Item("USB hub with keyboard and mouse", "a tablet has few ports"))
        if form in _PORTABLE:
            items.append(Item("Its charger", "updates and installs do not run on battery alone"))
        return tuple(dict.fromkeys(items))

    def _part_note(self, row: int, part: str) -> str:
        stock = {entry.name: entry.count for entry in self.assessment.shop.stock}
        count = stock.get(part, 0)
        notes = [f"{count} in the drawer" if count else "not in the drawer"]
        for entry in self._parts(row):
            if clean(entry["part"]) == part and clean(entry["check"]):
                notes.append(f"check {clean(entry['check'])}")
                break
        return "; ".join(notes)

    def _checks(self, row: int, advice: str, devices: Iterable[Device]) -> tuple[str, ...]:
        if advice == Advice.SET_ASIDE:
            return words.STOPPED_CHECKS
        if advice == Advice.HOLD:
            return words.HOLD_CHECKS
        there = {device.kind for device in devices if device.support != Support.NO_DRIVER}
        tried = [word for kind, word in words.KINDS_TRIED.items() if kind in there]
        form = clean(self.assessment.units["form_factor"].iat[row])
        portable = (words.PORTABLE_CHECK,) if form in _PORTABLE else ()
        kinds = ", ".join([*tried, *words.ALWAYS_TRIED])
        return (*words.CHECKS, words.TRIED_CHECK.format(kinds=kinds), *portable)


def compose(assessment: Assessment, row: int) -> Sheet:
    """Compose the sheet of one unit.

    Parameters
    ----------
    assessment : advisor.advice.Assessment
    row : int
        Position of the unit, counted from 0.

    Returns
    -------
    Sheet

    Raises
    ------
    IndexError
        When there is no such row.
    """
    return _composer(assessment).compose(row)


def compose_all(assessment: Assessment, rows: Iterable[int] | None = None) -> list[Sheet]:
    """Compose the sheets of many units of one assessment.

    Parameters
    ----------
    assessment : advisor.advice.Assessment
    rows : iterable of int, optional
        Positions; all units when left out.

    Returns
    -------
    list of Sheet
    """
    composer = _composer(assessment)
    return [composer.compose(row) for row in (range(len(assessment.units)) if rows is None else rows)]


def _composer(assessment: Assessment) -> Composer:
    """The assessment's composer, kept beside it as a cached property would be."""
    composer = assessment.__dict__.get("_composer")
    if composer is None:
        composer = assessment.__dict__["_composer"] = Composer(assessment)
    return composer


def _clause(text: str) -> str:
    """What a cell was taken as, without what to write instead."""
    return text.replace("_", " ").partition("; ")[0]


def _rung(entry: dict[str, Any], gate: int, advised: str, fitted: bool, limits: Thresholds) -> Rung:
    edition = clean(entry["edition"])
    comfortable, failed = _true(entry["comfortable"]), gate == 0
    if failed:
        verdict, mark = "ruled out", Mark.CROSS
    elif _true(entry["unknown"]):
        verdict, mark = "cannot tell", Mark.QUERY
    elif comfortable:
        verdict, mark = "comfortable", Mark.FULL
    else:
        verdict, mark = _lacks(entry, limits), Mark.RING
    if edition == advised:
        verdict = "advised" if comfortable or not fitted else "with the part"
    return Rung(
        edition=edition,
        verdict=verdict,
        mark=mark,
        # Rounded to the side that the reasons round to, so that a sheet says one figure everywhere.
        desktop_s="" if failed else span(entry["desktop_s"], np.ceil(entry["desktop_high_s"])),
        browser_s="" if failed else span(entry["browser_s"], np.ceil(entry["browser_high_s"])),
        memory_left_pct="" if failed else number(np.floor(entry["memory_left_pct"])),
        why=clean(entry["out"]) if failed else "",
    )


def span(low: Any, high: Any) -> str:
    """Two numbers as one text, such as '22–30'; one when they round to the same, '184+' where both are long.

    Beyond all that was watched it is '600+'.
    """
    first, last = number(low), number(high)
    if first and float(low) > LONGEST_SAID_S:
        return f"{LONGEST_SAID_S:.0f}+"
    if len(first) + len(last) > _SPAN:
        return f"{first}+"
    return first if first == last or not last else f"{first}–{last}"


def _lacks(entry: dict[str, Any], limits: Thresholds) -> str:
    """Name what is not comfortable."""
    words_ = [
        word
        for word, hit in (
            ("desktop", _above(entry["desktop_high_s"], limits.desktop_s)),
            ("browser", _above(entry["browser_high_s"], limits.browser_s)),
        )
        if hit
    ]
    if words_:
        return f"{'both' if len(words_) > 1 else words_[0]} slow"
    return "memory tight" if _above(limits.memory_left_pct, entry["memory_left_pct"]) else "disk tight"


def _above(value: Any, limit: Any) -> bool:
    return bool(pd.notna(value) and pd.notna(limit) and float(value) > float(limit))


def _true(value: Any) -> bool:
    return bool(pd.notna(value)) and bool(value)


def _sentence(text: str) -> str:
    # A module's or package's name keeps its own letters.
    return text[:1].upper() + text[1:] if text.partition(" ")[0].isalpha() else text


def _stopped(text: str) -> str:
    """End a sentence, so that the next may follow."""
    return text if not text or text[-1] in ".!?…" else f"{text}."


def _fix(text: str, advice: str) -> str:
    """Keep the part that would help, or that none does; on hold or where none is needed nothing is to be said."""
    silent = {NOTHING_TO_FIX, NO_PART} if advice == Advice.SET_ASIDE else {NOTHING_TO_FIX}
    return "" if advice == Advice.HOLD or text in silent else text


def _short_cpu(name: str) -> str:
    name = re.sub(r"\((?:R|TM|C)\)", "", name, flags=re.I)
    name = re.sub(r"\s*(?:CPU\s*)?@\s*[\d.]+\s*GHz", "", name, flags=re.I)
    name = re.sub(r"\s+with Radeon.*$", "", name, flags=re.I)
    return " ".join(name.split())


def _program() -> str:
    import advisor

    return f"bench-advisor {advisor.__version__}"
