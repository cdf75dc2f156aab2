"""The ladder: for each unit every edition side by side, its times, what it leaves, and why it is out."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from advisor.comfort.facts import Facts, Scenario, facts
from advisor.comfort.model import Array, Load, Machine, Model, model
from advisor.comfort.physics import Physics, memory_left_pct, physics
from advisor.comfort.rungs import Ladder, by_image
from advisor.editions.catalogue import SESSION_COLUMNS, rows_of
from advisor.editions.gates import FAIL, GATES, PASS, UNKNOWN, GateCodes, gate_codes
from advisor.editions.measured import anchor_mib_s
from advisor.shop import Shop, Thresholds

_NEAR = 0.1
"""A unit counts as beyond what was measured when it lies further out than this share [1]."""

MODEL_SOURCE = "comfort model on the catalogue's session figures, against the shop's thresholds"


@dataclass
class _Times:
    desktop: Array
    browser: Array
    left: Array
    killed: Array


def _times(scenario: Scenario, rows: pd.DataFrame, certainty: float, p: Physics, by: Model) -> tuple[_Times, _Times]:
    """Times and memory of one reading of the units: typical, and with certainty."""
    number = {name: rows[name].to_numpy(dtype="float64", na_value=np.nan) for name in SESSION_COLUMNS}
    fuller = float(np.exp(float(ndtri(certainty)) * p.memory_spread))
    typical: dict[str, Array] = {}
    high: dict[str, Array] = {}
    for stage, need in (("desktop", "session_mib"), ("browser", "browser_mib")):
        fitted = by.stages[stage]
        work = number[f"{stage}_cpu_s"] * anchor_mib_s()
        read, reads = number[f"{stage}_read_mib"], number[f"{stage}_reads"]
        typical[stage] = fitted.seconds(scenario.typical, Load(work, read, reads, number[need]))
        slower = fitted.seconds(scenario.cautious, Load(work, read, reads, number[need] * fuller))
        # What is not known of the unit and what the model misses are independent; the sum of their squares keeps the
        # bound rising with both, so that it stays monotone.
        off = np.hypot(np.log(slower / typical[stage]), np.log(fitted.factor(certainty)))
        high[stage] = typical[stage] * np.exp(off)
    usable, full = scenario.typical.usable_mib, number["browser_mib"]
    return tuple(
        _Times(
            times["desktop"], times["browser"], memory_left_pct(scenario.ram_mib, full * more, p),
            by.kill.probability(usable, full * more),
        )
        for times, more in ((typical, 1.0), (high, fuller))
    )  # type: ignore[return-value]  # fmt: skip


def _overlay(whole: _Times, part: _Times, rows: np.ndarray) -> _Times:
    """Put some rows of other times in their places."""
    values = {}
    for field in fields(_Times):
        values[field.name] = getattr(whole, field.name).copy()
        values[field.name][rows] = getattr(part, field.name)
    return _Times(**values)


def _meets(times: _Times, disk_left_pct: Array, limits: Thresholds) -> np.ndarray:
    return (
        (times.desktop <= limits.desktop_s)
        & (times.browser <= limits.browser_s)
        & (times.left >= limits.memory_left_pct)
        & (times.killed <= 1 - limits.certainty)
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
    p, limits, by = physics(), shop.thresholds, model()
    editions = tuple(map(str, shop.richness))
    units = units.reset_index(drop=True)
    processors = processors.reset_index(drop=True)
    index = image_of.index
    images = image_of.reset_index(drop=True).astype("string")
    shape = (len(units), len(editions))
    read = facts(units, processors, limits.certainty, p)
    arrays = {
        name: np.full(shape, np.nan)
        for name in ("desktop_s", "desktop_high_s", "browser_s", "browser_high_s", "memory_left_pct",
                     "kill_probability", "disk_left_gib", "disk_left_pct")
    }  # fmt: skip
    gate = np.zeros(shape, dtype=np.int8)
    disk_gate = np.full(shape, PASS, dtype=np.int8)
    at_best, at_worst = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    disk = units["storage_gib"].to_numpy(dtype="float64", na_value=np.nan)
    missing_any = np.logical_or.reduce(list(read.missing.values()))
    assumed = np.zeros(len(units), dtype=bool)
    codes: dict[int, GateCodes] = {}
    groups = by_image(images, shop)
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
        assumed[rows] = codes[number].assumed_drawing
        disk_gate[cell] = codes[number].edition["disk"]
        worst_typical, worst_high = _times(_of(read.worst, rows), offered, limits.certainty, p, by)
        best_typical, best_high = replace(worst_typical), replace(worst_high)
        lacking = np.flatnonzero(missing_any[rows])
        if len(lacking):
            # Where nothing is missing the best and the worst are the same.
            better = _times(_of(read.best, rows[lacking]), offered, limits.certainty, p, by)
            best_typical, best_high = (
                _overlay(whole, part, lacking) for whole, part in zip((worst_typical, worst_high), better, strict=True)
            )
        left = disk[rows, None] - offered["installed_mib"].to_numpy(dtype="float64", na_value=np.nan) / 1024
        with np.errstate(divide="ignore", invalid="ignore"):
            left_pct = np.where(disk[rows, None] > 0, 100 * left / disk[rows, None], np.nan)
        arrays["desktop_s"][cell] = _between(best_typical.desktop, worst_typical.desktop)
        arrays["browser_s"][cell] = _between(best_typical.browser, worst_typical.browser)
        arrays["desktop_high_s"][cell] = worst_high.desktop
        arrays["browser_high_s"][cell] = worst_high.browser
        memory = np.where(read.missing["ram_gib"][rows, None], np.nan, worst_high.left)
        arrays["memory_left_pct"][cell] = memory
        arrays["kill_probability"][cell] = np.where(read.missing["ram_gib"][rows, None], np.nan, worst_high.killed)
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
        beyond=_beyond(read.worst.typical, read.worst.ram_mib, read.missing, by.measured).set_axis(index),
        assumed_drawing=assumed, _units=units, _processors=processors, _images=images, _shop=shop,
        _disk_gate=disk_gate, **arrays,
    )  # fmt: skip


def _beyond(machine: Machine, ram_mib: Array, missing: dict[str, np.ndarray], measured: dict) -> pd.Series:
    """In what each unit lies beyond the machines that were measured."""
    cores = machine.cores[:, 0]
    checks: list[tuple[str, np.ndarray]] = []
    for name, values, low_word, high_word, unknown in (
        ("decompress_mib_s", machine.decompress_mib_s, "a slower processor", "a faster processor", "cpu"),
        ("read_mib_s", machine.read_mib_s, "a slower disk", "a faster disk", "storage_kind"),
        ("access_ms", machine.access_ms, "", "a disk of slower access", "storage_kind"),
        ("memory_mib", ram_mib, "less memory", "", "ram_gib"),
    ):
        low, high = measured.get(name, (0.0, np.inf))
        for word, hit in ((low_word, values < low * (1 - _NEAR)), (high_word, values > high * (1 + _NEAR))):
            if word:
                checks.append((word, hit[:, 0] & ~missing[unknown]))
    key = np.where(np.isfinite(cores), np.clip(cores, 1, 255), 1).astype(np.int64)
    for bit, (_, hit) in enumerate(checks, start=8):
        key |= hit.astype(np.int64) << bit
    distinct, inverse = np.unique(key, return_inverse=True)
    texts = []
    for value in distinct:
        words = [word for bit, (word, _) in enumerate(checks, start=8) if value >> bit & 1]
        count = int(value & 255)
        texts.append(
            ", ".join([*words, f"{count} cores"] if count > measured.get("cores", (1, 1))[1] else words) or None
        )
    return pd.Series(np.array(texts, dtype=object)[inverse], dtype="string")


def _of(scenario: Scenario, rows: np.ndarray) -> Scenario:
    """Take some of the units."""

    def some(machine: Machine) -> Machine:
        return replace(machine, **{field.name: getattr(machine, field.name)[rows] for field in fields(machine)})

    return Scenario(some(scenario.typical), some(scenario.cautious), scenario.ram_mib[rows])
