"""The one door from intake to advice: a frame of units in, everything that is shown, printed or written out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.advice.cases import Cases
from advisor.advice.decide import Decision, decide
from advisor.advice.facts import Facts, of_units
from advisor.advice.flags import raise_flags
from advisor.advice.gather import gather
from advisor.advice.options import SLOW, UNUSABLE, fitted
from advisor.advice.parts import shelf
from advisor.advice.record import MINUTES
from advisor.advice.sentences import Wording
from advisor.advice.share import Shares, fitted_parts, share
from advisor.columns import by_row, distinct, numbers
from advisor.display import Shown, page, pictures
from advisor.shop import Shop, default_shop
from advisor.unit import Advice, Severity, Status

if TYPE_CHECKING:
    from advisor.advice.compose import Composer
    from advisor.advice.record import Record
    from advisor.intake import Understood
    from advisor.timing import Timing, TimingModel

SCORED_COLUMNS = (
    "status", "problem", "cpu_microarch", "cpu_generation", "cpu_year", "cpu_level", "advice", "do_first", "edition",
    "image_used", "hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min", "minutes_from",
    "wireless_support", "firmware_packages", "flags", "reasons", "best_fix", "taken_as",
)  # fmt: skip
"""Columns that scoring adds, in order."""


@dataclass(frozen=True, repr=False)
class Batch(Shown):
    """A batch of units with what was decided of them. `batch[tag]` is a unit's record, `batch.frame` the scored table.

    Attributes
    ----------
    raw : pandas.DataFrame
        The rows as they came.
    understood : Understood
        What intake made of their cells.
    cases : Cases
        Distinct units with the option each gets.
    case : numpy.ndarray of int, shape (n_units,)
        The case of each row.
    shares : Shares
        Where each row's parts come from.
    timing : Timing
        Of the cases.
    flags : pandas.DataFrame
        Of the cases, columns `flags.FLAG_COLUMNS`.
    """

    shop: Shop
    raw: pd.DataFrame
    understood: Understood
    cases: Cases
    case: np.ndarray
    shares: Shares
    timing: Timing
    flags: pd.DataFrame
    wording: Wording

    def __len__(self) -> int:
        return len(self.case)

    @cached_property
    def tags(self) -> list[str]:
        """Name of each unit: its asset tag, else 'row N'."""
        tags = self.understood.units["asset_tag"]
        return [f"row {row + 1}" if pd.isna(tag) else str(tag) for row, tag in enumerate(tags)]

    def __getitem__(self, tag: str | int) -> Record:
        """The record of a unit, by its tag or its position; KeyError when no unit has that tag, or several have."""
        if isinstance(tag, (int, np.integer)):
            return self._composer.compose(int(tag))
        at = self.rows_of(tag)
        if len(at) != 1:
            raise KeyError(f"{tag!r} stands on {len(at)} rows of this batch; give the row's number, from 0, instead.")
        return self._composer.compose(at[0])

    def rows_of(self, tag: str) -> list[int]:
        """Positions of the units with a tag, capitals and space around it ignored."""
        wanted = tag.strip().casefold()
        return [row for row, name in enumerate(self.tags) if name.strip().casefold() == wanted]

    def where(self, condition: Callable[[pd.DataFrame], Any] | pd.Series[bool]) -> Batch:
        """Some units of the batch, as they were decided with all the others beside them.

        Parameters
        ----------
        condition : callable or boolean Series
            True for the rows to keep, or a function that makes it from `frame`, such as
            ``lambda frame: frame["advice"] == "hold"``.

        Returns
        -------
        Batch
            Same decisions, same parts kept.
        """
        mask = pd.Series(condition(self.frame) if callable(condition) else condition, dtype="boolean")
        if len(mask) != len(self):
            raise ValueError(f"The condition has {len(mask)} rows, the batch {len(self)}.")
        rows = np.flatnonzero(mask.fillna(False).to_numpy(dtype=bool))
        whole = self.understood
        understood = replace(
            whole, units=whole.units.iloc[rows].reset_index(drop=True),
            problems=of_units(whole.problems, rows, 1), notes=of_units(whole.notes, rows, 1),
            extra=whole.extra.iloc[rows].reset_index(drop=True) if len(whole.extra) else whole.extra,
        )  # fmt: skip
        raw, shares = self.raw.iloc[rows].reset_index(drop=True), self.shares.take(rows)
        return replace(self, raw=raw, understood=understood, case=self.case[rows], shares=shares)

    def kept_for(self, row: int) -> dict[str, int]:
        """Parts of the drawer that are kept for a unit: name to how many."""
        return {one.part.name: one.times for one in self.cases.parts_of(int(self.case[row])) if not one.bought}

    @property
    def plot(self) -> Any:
        """Pictures: `batch.plot.advice()`, `.minutes()`, `.memory()`, `.parts()`, `.measured()`."""
        return pictures(self)

    def savings(self, units_a_month: float | None = None) -> pd.DataFrame:
        """What each way of working that the shop has not would save; see `advisor.advice.savings.savings`."""
        from advisor.advice.savings import savings

        return savings(self, units_a_month)

    def sheet(self) -> Any:
        """The printed pages of all units: show themselves in a notebook; `.pdf`, `.html`, `.save(path)`."""
        return page(self)

    @cached_property
    def _composer(self) -> Composer:
        from advisor.advice.compose import Composer

        return Composer(self)

    def __iter__(self) -> Iterator[Record]:
        return (self[row] for row in range(len(self)))

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The rows as they came, under names of their own, and `SCORED_COLUMNS` beside them."""
        from advisor.intake.carried import carried

        return pd.concat([carried(self.raw, SCORED_COLUMNS), self.scored], axis=1)

    @cached_property
    def scored(self) -> pd.DataFrame:
        """The added columns alone, a row a unit."""
        out = self._by_case.iloc[self.case].reset_index(drop=True)
        out["taken_as"] = _join(self.taken_as, "text", len(self))
        return out[list(SCORED_COLUMNS)]

    @property
    def _by_case(self) -> pd.DataFrame:
        cases, facts, wording = self.cases, self.cases.facts, self.wording
        n = len(cases)
        packages = [dict.fromkeys(one.package for one in each) for each in cases.bring]
        reasons = [wording.reason(case)[0] for case in range(n)]
        flags = self.flags.assign(
            text=self.flags["title"].astype("string") + ": " + self.flags["reason"].astype("string")
        )
        flags = flags[flags["severity"].ne(Severity.NOTE).to_numpy()]
        untold = [
            str(reason).rstrip(".") not in reasons[row] and code not in _told(cases, row)
            for row, reason, code in zip(*(flags[name].tolist() for name in ("row", "reason", "code")), strict=True)
        ]
        weighty = _join(flags[np.array(untold, dtype=bool)], "text", n, " | ")
        processors, taken = facts.processors, self.timing
        return pd.DataFrame(
            {
                **self.standing,
                **{name: processors[name] for name in ("cpu_microarch", "cpu_generation", "cpu_year", "cpu_level")},
                "advice": pd.Series(cases.advice.astype(str), dtype="string"),
                "do_first": pd.Series([wording.headline(case) for case in range(n)], dtype="string"),
                "edition": cases.edition,
                "image_used": pd.Series(cases.image_used, dtype="string"),
                **{name: getattr(taken, name).round(1) for name in MINUTES},
                "minutes_from": _with(self.rests_on, taken.note, "; "),
                "wireless_support": pd.Series(cases.wireless, dtype="string"),
                "firmware_packages": pd.Series(map(";".join, packages), dtype="string"),
                "flags": _join(self.flags, "code", n, ";"),
                "reasons": _with(reasons, weighty, " | "),
                "best_fix": pd.Series([wording.best_fix(case) for case in range(n)], dtype="string"),
            }
        )

    @cached_property
    def standing(self) -> pd.DataFrame:
        """How each case was read: status, problem (what was not understood)."""
        facts, n = self.cases.facts, len(self.cases)
        problems = facts.problems.assign(
            row=facts.problems["row"].astype(int) - 1,
            text=facts.problems["column"].astype("string") + ": " + facts.problems["problem"].astype("string"),
        )
        nothing = facts.no_processor & facts.units[["ram_gib", "storage_kind"]].isna().all(axis=1).to_numpy()
        flawed = np.isin(np.arange(n), problems["row"]) | (self.cases.advice == Advice.HOLD)
        status = np.where(nothing, str(Status.UNREADABLE), np.where(flawed, str(Status.PARTIAL), str(Status.SCORED)))
        return pd.DataFrame({"status": pd.Series(status, dtype="string"), "problem": _join(problems, "text", n)})

    @cached_property
    def rests_on(self) -> list[str]:
        """What the minutes of each case rest on, in shares; '' where there are none."""
        return _rests_on(self.timing)

    @cached_property
    def taken_as(self) -> pd.DataFrame:
        """What a cell was taken as where it might mean something else, by intake or by name: row (from 0), text."""
        notes, devices = self.understood.notes, self.cases.facts.devices
        words = devices.by_spec["taken_as"]
        some = np.flatnonzero(words[devices.spec] != "") if len(words) else np.zeros(0, dtype=int)
        if not len(notes) and not len(some):
            return pd.DataFrame({"row": np.zeros(0, dtype="int64"), "text": np.zeros(0, dtype=object)})
        value = notes["value"].astype("string").fillna("").str.split(" | ", n=1, regex=False).str[0]
        text = notes["column"].astype("string") + " '" + value + "': " + notes["note"].astype("string")
        cells = pd.DataFrame({"row": notes["row"].astype("int64") - 1, "text": text.astype("string")})
        named = pd.DataFrame({"case": devices.row[some], "text": words[devices.spec[some]]}).drop_duplicates()
        names = pd.DataFrame({"row": np.arange(len(self)), "case": self.case}).merge(named, on="case")[["row", "text"]]
        return pd.concat([cells, names], ignore_index=True).sort_values("row", kind="stable", ignore_index=True)

    @cached_property
    def drawer(self) -> pd.DataFrame:
        """The drawer's list and the shopping list.

        Returns
        -------
        pandas.DataFrame
            A row a part that lies in the drawer or is wanted: part, kind, in_drawer, kept (for units of this batch),
            kept_for (their tags), to_buy, for_units (their tags), and what each further part buys: saves (units that
            would leave very slow, or not at all, without it), lifts (units that get comfortable, or the usual desktop).
        """
        cases, parts, tags = self.cases, self.cases.options.shelf, self.tags
        before = np.append(cases.options.columns["level"], UNUSABLE)[self.wording.plain[cases.machine]]
        saved = (before == UNUSABLE) | ((before > SLOW) & (cases.level <= SLOW))
        given: dict[tuple[int, bool], list[tuple[int, int]]] = {}
        for row, which, times, bought in fitted_parts(cases.options, self.shares):
            given.setdefault((which, bought), []).append((row, times))
        rows = []
        for at, (part, count) in enumerate(zip(parts.parts, parts.count.tolist(), strict=True)):
            kept, wanted = (given.get((at, buy), []) for buy in (False, True))
            if count or wanted:
                saves = sum(bool(saved[self.case[row]]) for row, _ in wanted)
                rows.append((
                    part.name, str(part.kind), count,
                    sum(times for _, times in kept), "; ".join(dict.fromkeys(tags[row] for row, _ in kept)),
                    sum(times for _, times in wanted), "; ".join(tags[row] for row, _ in wanted),
                    saves, len(wanted) - saves,
                ))  # fmt: skip
        columns = ["part", "kind", "in_drawer", "kept", "kept_for", "to_buy", "for_units", "saves", "lifts"]
        return pd.DataFrame(rows, columns=columns)

    def __repr__(self) -> str:
        counts = pd.Series(self.cases.advice[self.case]).value_counts()
        told = ", ".join(f"{counts[str(word)]} {word}" for word in Advice if str(word) in counts)
        return f"<Batch of {len(self)} units at {self.shop.name}: {told}>"


def assess(
    frame: pd.DataFrame, shop: Shop | None = None, model: TimingModel | None = None,
    apart: bool = False,
) -> Batch:  # fmt: skip
    """Assess a batch of units: every row comes out, in order.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n_units, any)
        Intake rows as typed, or a Unit frame.
    shop : Shop, optional
        The built-in settings when left out.
    model : advisor.timing.TimingModel, optional
        The serving timing model when left out.
    apart : bool
        Decide each unit as were it alone with the drawer; `shares.wishes` tells for which that may not hold.

    Raises
    ------
    advisor.errors.InputError
        When no column can be understood as the processor or the asset tag.
    advisor.errors.TableError
        When a table that an image names is missing or damaged.
    """
    from advisor import intake

    shop = shop or default_shop()
    understood = intake.understand(frame)
    units = understood.units.reset_index(drop=True)
    tags = units["asset_tag"]
    twice = (tags.duplicated(keep=False) & tags.notna()).to_numpy(dtype=bool)
    machine, first = _distinct(units, understood.problems, twice)
    drawer = shelf(shop)
    facts = gather(units.iloc[first], of_units(understood.problems, first, 1), twice[first], shop)
    decision = decide(facts, drawer)
    # What notes or model demand, and what is not known, hold a unit: it asks for no part.
    demanded = facts.conditions["row"][facts.conditions["effect"].ne("")].to_numpy(dtype=int)
    asks = ~np.isin(machine, [*demanded, *decision.open_facts])
    minutes = partial(_minutes, facts, decision, model)
    shares = share(decision.options, decision.pick, machine, asks, minutes, shop.buys_parts, apart)
    case, cases = _cases(facts, decision, machine, shares)
    timing = timing_of(cases, model)
    return Batch(
        shop=shop, raw=frame, understood=understood, cases=cases, case=case, shares=shares, timing=timing,
        flags=raise_flags(cases, numbers(timing.elapsed_min)), wording=Wording(cases, _kept(cases, case, shares)),
    )  # fmt: skip


def _distinct(units: pd.DataFrame, problems: pd.DataFrame, twice: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number the distinct machines, in the order of the rows, and give each one's first row."""
    columns = (problems[name].astype(str) for name in ("column", "value", "problem"))
    wrong = by_row(problems["row"], map("|".join, zip(*columns, strict=True)))
    told = np.array(["|".join(wrong.get(row + 1, ())) for row in range(len(units))], dtype=object)
    stated = units.columns[np.flatnonzero(units.notna().to_numpy().any(axis=0))]
    return distinct([*(units[name] for name in stated if name != "asset_tag"), told, twice], len(units))


def _cases(facts: Facts, decision: Decision, machine: np.ndarray, shares: Shares) -> tuple[np.ndarray, Cases]:
    """Distinct machines with the option and the sources of parts that each row got."""
    table = pd.DataFrame({"machine": machine, "option": shares.choice, **shares.bought})
    # A part that is kept is kept for one unit: alike units that get such parts are cases of their own.
    drawn = [row for row, _, _, bought in fitted_parts(decision.options, shares) if not bought]
    rows = np.arange(len(machine))
    table["unit"] = np.where(np.isin(rows, drawn), rows, -1)
    code = table.groupby(list(table.columns), sort=False).ngroup().to_numpy()
    _, first = np.unique(code, return_index=True)
    some = shares.take(first)
    return code, Cases(facts.take(machine[first]), decision, machine[first], some.choice, some.bought)


def _kept(cases: Cases, case: np.ndarray, shares: Shares) -> dict[tuple[int, int], int]:
    """Number of the part in the drawer that is kept for a case, where only one row is of it."""
    taken = [0] * len(cases.options.shelf.parts)
    single = np.bincount(case, minlength=len(cases)) == 1
    out: dict[tuple[int, int], int] = {}
    for row, at, times, bought in fitted_parts(cases.options, shares):
        taken[at] += 0 if bought else times
        if single[case[row]] and not bought:
            out[int(case[row]), at] = taken[at]
    return out


def timing_of(cases: Cases, model: TimingModel | None) -> Timing:
    """Minutes of every case; NA where nothing is installed."""
    from advisor import timing

    chosen = cases.chosen
    extra = np.where(chosen["fit_min"] > 0, cases.facts.extra_min, 0.0)
    firmware = [any(one.decides for one in each) for each in cases.bring]
    return timing.predict(
        cases.prepared, cases.facts.processors, cases.edition,
        pd.Series(cases.image_used, dtype="string").where(cases.works), cases.facts.shop, model=model,
        firmware=pd.Series(firmware, dtype=bool), part_min=chosen["fit_min"] + extra,
        remembered=chosen["fit_remembered"] + extra,
    )  # fmt: skip


def _minutes(facts: Facts, decision: Decision, model: TimingModel | None, at: np.ndarray) -> np.ndarray:
    """Elapsed minutes of some options [min]."""
    from advisor import timing

    some = decision.options.frame.iloc[at].reset_index(drop=True)
    rows = some["row"].to_numpy(dtype=int)
    read = decision.reading.units.iloc[rows].reset_index(drop=True)
    units = facts.units.iloc[rows].reset_index(drop=True).assign(**{str(name): read[name] for name in read})
    processors = decision.reading.processors.iloc[rows].reset_index(drop=True)
    names = np.array([image.name for image in facts.shop.images], dtype=object)
    taken = timing.predict(
        fitted(units, some, decision.options.shelf), processors, some["edition"].astype("string"),
        pd.Series(names[some["image"].to_numpy(dtype=int)], dtype="string"), facts.shop, model=model,
        part_min=some["fit_min"].astype("float64"),
    )  # fmt: skip
    return numbers(taken.elapsed_min)


def _join(frame: pd.DataFrame, column: str, n_units: int, separator: str = "; ") -> pd.Series[str]:
    """Join the distinct texts of a long frame by unit, in their order; '' where there is none."""
    some = frame[[column, "row"]].dropna()
    texts = by_row(some["row"], some[column].astype(str))
    joined = (separator.join(filter(None, dict.fromkeys(texts.get(row, ())))) for row in range(n_units))
    return pd.Series(list(joined), dtype="string")


def _with(texts: list[str], more: pd.Series[str], separator: str) -> pd.Series[str]:
    """Texts, with what is more to be said of some of them."""
    joined = pd.Series(texts, dtype="string").str.cat(more.reset_index(drop=True), sep=separator)
    return joined.str.removesuffix(separator)


def _rests_on(timing: Timing) -> list[str]:
    shares = timing.shares.to_numpy(dtype="float64", na_value=np.nan)
    rounded = _per_cent(shares)
    # Few are told apart once they are rounded.
    texts: dict[tuple[float, ...], str] = {}
    for parts in set(map(tuple, rounded[~np.isnan(shares).any(axis=1)].tolist())):
        texts[parts] = ", ".join(
            f"{part:.0f} % {name}" for name, part in zip(timing.shares.columns, parts, strict=True) if part
        )
    return [texts.get(tuple(parts), "") for parts in rounded.tolist()]


def _per_cent(shares: np.ndarray) -> np.ndarray:
    """Shares that sum to 1, by row, in whole per cent that sum to 100: the largest remainders are rounded up."""
    exact = np.round(100 * shares, 6)
    whole = np.floor(exact)
    missing = np.rint(exact.sum(axis=1)) - whole.sum(axis=1)
    place = np.argsort(np.argsort(whole - exact, axis=1, kind="stable"), axis=1, kind="stable")
    return np.asarray(whole + (place < missing[:, None]))


_TOLD_BY_FACT = {"cpu": "processor-unknown", "ram_gib": "memory-unknown", "storage_kind": "disk-unknown"}


def _told(cases: Cases, case: int) -> set[str]:
    """Codes of flags that the advice's own reason tells already."""
    told = {"slow", *(_TOLD_BY_FACT.get(name, "") for name in cases.open_facts.get(case, ()))}
    if cases.works[case] and cases.rows[case]["ssd"] >= 0:
        told |= {"no-disk", "disk-worn", "disk-unknown"}
    return told
