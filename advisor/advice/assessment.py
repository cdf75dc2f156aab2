"""The one path from intake to advice: a frame of units in, everything that is shown, printed or written out."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.advice import images, parts
from advisor.advice.decide import Decision, decide
from advisor.advice.facts import Facts
from advisor.advice.flags import no_processor, raise_flags
from advisor.shop import Shop, default_shop
from advisor.unit import Advice, Status

if TYPE_CHECKING:
    from advisor.intake import Understood
    from advisor.timing import Timing, TimingModel

SCORED_COLUMNS = (
    "status", "problem", "cpu_microarch", "cpu_generation", "cpu_year", "cpu_level", "advice", "edition", "image_used",
    "hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min", "wireless_support", "firmware_packages",
    "flags", "reasons", "best_fix", "taken_as",
)  # fmt: skip
"""Columns that scoring adds, in order."""

NO_PART = "no part helps"
FIND_OUT = "first find out what is missing"
NOTHING_TO_FIX = "none needed"


@dataclass(frozen=True)
class Assessment:
    """All that was found out about a batch, a row a unit in every frame that has no `row` column.

    Attributes
    ----------
    shop : Shop
    understood : Understood
        What intake made of the cells.
    facts : Facts
    decision : Decision
    timing : Timing
        For the advised edition, with the advised part fitted; NA where no edition is advised.
    flags : pandas.DataFrame
        Columns `flags.FLAG_COLUMNS`.
    parts : pandas.DataFrame
        Columns `parts.TRIAL_COLUMNS`, a row a unit and part that changes something.
    best_fix : pandas.Series of str, shape (n_units,)
    """

    shop: Shop
    understood: Understood
    facts: Facts
    decision: Decision
    timing: Timing
    flags: pd.DataFrame
    parts: pd.DataFrame
    best_fix: pd.Series[str]
    raw: pd.DataFrame

    @property
    def units(self) -> pd.DataFrame:
        """Unit frame as understood."""
        return self.facts.units

    @property
    def processors(self) -> pd.DataFrame:
        """What `identify.processors` says of each unit."""
        return self.facts.processors

    @property
    def ladder(self) -> Any:
        """Comfort of every edition on each unit as it stands."""
        return self.facts.ladder

    @property
    def devices(self) -> pd.DataFrame:
        """Device verdicts on every image of the shop."""
        return self.facts.all_devices

    @cached_property
    def taken_as(self) -> pd.DataFrame:
        """What intake took a cell as where it might mean something else: row (from 0), text."""
        return _taken_as(self.understood)

    @cached_property
    def scored(self) -> pd.DataFrame:
        """The intake columns as they came, under names of their own, and `SCORED_COLUMNS` beside them."""
        from advisor.intake.carried import carried

        return pd.concat([carried(self.raw, SCORED_COLUMNS), _scored(self)], axis=1)


def assess(frame: pd.DataFrame, shop: Shop | None = None, model: TimingModel | None = None) -> Assessment:
    """Assess a batch of units.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n_units, any)
        Intake rows as typed, or a Unit frame.
    shop : Shop, optional
        The built-in settings when left out.
    model : advisor.timing.TimingModel, optional
        The serving timing model when left out.

    Returns
    -------
    Assessment

    Raises
    ------
    advisor.errors.InputError
        When no column can be understood as the processor or the asset tag.
    advisor.errors.TableError
        When a table that an image names is missing or damaged.
    """
    from advisor import comfort, drivers, editions, identify, intake, timing

    shop = shop or default_shop()
    understood = intake.understand(frame)
    units = understood.units.reset_index(drop=True)
    processors = identify.processors(units).reset_index(drop=True)
    verdicts = drivers.assess(units, shop.images)
    each = {image.name: editions.boots(units, processors, image) for image in shop.images}
    boots, why = (
        pd.DataFrame({name: verdict[column] for name, verdict in each.items()}) for column in ("passes", "reason")
    )
    why = why.where(boots.eq(False).fillna(False))
    chosen, support = images.choose(units, boots, verdicts.kinds, shop)
    all_devices = verdicts.devices
    used = all_devices["row"].map(chosen["image_used"]).astype("string")
    ladder = comfort.ladder(units, processors, chosen["image_used"], shop)
    facts = Facts(
        shop=shop, units=units, processors=processors, problems=understood.problems, chosen=chosen, boots=boots,
        boots_reason=why, support=support,
        devices=all_devices[all_devices["image"].astype("string").eq(used).fillna(False)].reset_index(drop=True),
        all_devices=all_devices, ladder=ladder,
    )  # fmt: skip
    decision = decide(facts)
    drawer = [*shop.stock, *parts.usual_parts()]
    prepared = parts.fit(units, decision.frame["part"], drawer)
    part_min = decision.frame["part"].map({part.name: part.fit_min for part in reversed(drawer)}).astype("Float64")
    taken = timing.predict(
        prepared, processors, decision.frame["edition"], chosen["image_used"], shop,
        model=model, firmware=pd.Series(decision.firmware), part_min=part_min,
    )  # fmt: skip
    best_fix = _best_fix(facts, decision, drawer, model)
    return Assessment(
        shop=shop, understood=understood, facts=facts, decision=decision, timing=taken,
        flags=raise_flags(dataclasses.replace(facts, elapsed_min=taken.elapsed_min)), parts=decision.trials.frame,
        best_fix=best_fix, raw=frame,
    )  # fmt: skip


def _best_fix(facts: Facts, decision: Decision, drawer: list[Any], model: TimingModel | None) -> pd.Series[str]:
    """Sentence on the one part that would change the answer, for every unit."""
    n_units = len(facts)
    best = decision.trials.best
    out = np.full(n_units, NOTHING_TO_FIX, dtype=object)
    out[decision.trials.tried] = NO_PART
    if len(best):
        rows = best.index.to_numpy(dtype=int)
        saved = _saved_min(facts, best, drawer, model)
        wireless = decision.trials.frame.query("kind == 'wireless'").drop_duplicates("row")
        adapters = dict(zip(wireless["row"].astype(int), wireless["part"].astype(str), strict=True))
        for position, row in enumerate(rows):
            trial = best.iloc[position]
            also = f"; also fit {adapters[row]}, for Wi-Fi" if trial["kind"] != "wireless" and row in adapters else ""
            out[row] = _fix_sentence(trial, saved[position]) + also
    hold = decision.frame["advice"].eq(Advice.HOLD).to_numpy(dtype=bool)
    out[hold] = FIND_OUT
    out[decision.frame["advice"].eq(Advice.SET_ASIDE).to_numpy(dtype=bool)] = NO_PART
    return pd.Series(out, dtype="string")


def _saved_min(facts: Facts, best: pd.DataFrame, drawer: list[Any], model: TimingModel | None) -> np.ndarray:
    """Minutes in the slot that each best part saves, its fitting counted [min]; NaN for all but disks."""
    from advisor import timing

    saved = np.full(len(best), np.nan)
    disks = best["kind"].eq("ssd").to_numpy(dtype=bool)
    if not disks.any():
        return saved
    some = best[disks]
    rows = some.index.to_numpy(dtype=int)
    units = facts.units.loc[rows].reset_index(drop=True)
    processors = facts.processors.loc[rows].reset_index(drop=True)
    images = facts.chosen["image_used"].loc[rows].reset_index(drop=True)
    edition = pd.Series(some["edition_after"].to_numpy(), dtype="string")
    fitted = parts.fit(units, pd.Series(some["part"].to_numpy(), dtype="string"), drawer)
    # Both in one call: a call costs the same for one unit as for a hundred.
    both = timing.predict(
        pd.concat([fitted, units], ignore_index=True), pd.concat([processors, processors], ignore_index=True),
        pd.concat([edition, edition], ignore_index=True), pd.concat([images, images], ignore_index=True),
        facts.shop, model=model,
    )  # fmt: skip
    after, same = np.split(both.elapsed_min.to_numpy(dtype="float64", na_value=np.nan), 2)
    gained = same - after
    saved[disks] = gained - some["fit_min"].to_numpy(dtype=float)
    return saved


def _taken_as(understood: Understood) -> pd.DataFrame:
    """What intake took a cell as where it might mean something else: row (from 0), text."""
    notes = understood.notes
    if notes.empty:
        return pd.DataFrame({"row": pd.Series(dtype="int64"), "text": pd.Series(dtype="string")})
    value = notes["value"].astype("string").fillna("").str.partition(" | ")[0]
    text = notes["column"].astype("string") + " '" + value + "': " + notes["note"].astype("string")
    return pd.DataFrame({"row": notes["row"].astype(int) - 1, "text": text})


def _fix_sentence(trial: pd.Series[Any], saved: float) -> str:
    words = [f"fit {trial['part']}" + ("" if trial["in_stock"] else " (not in the drawer)")]
    before = "none comfortable" if pd.isna(trial["edition_before"]) else str(trial["edition_before"])
    if trial["ladder_gain"] > 0:
        words.append(f"{before} -> {trial['edition_after']}")
    elif trial["cures"]:
        words.append("cures what blocks the unit")
    elif trial["eases"]:
        words.append(
            f"not comfortable yet, browser {trial['browser_before_s']:.0f} -> {trial['browser_after_s']:.0f} s"
        )
    if np.isfinite(saved) and abs(saved) >= 1:
        words.append(f"{abs(saved):.0f} min {'less' if saved > 0 else 'more'} in the slot, fitting included")
    sentence = ": ".join(words[:2]) + ("".join(f", {word}" for word in words[2:]))
    return sentence + (f"; check {trial['check']}" if trial["check"] else "")


def _join(frame: pd.DataFrame, column: str, n_units: int, separator: str = "; ") -> pd.Series[str]:
    """Join the distinct texts of a long frame by unit, in their order; '' where there is none."""
    some = frame[frame[column].notna() & frame[column].astype("string").ne("")]
    joined = some.drop_duplicates(["row", column]).groupby("row", sort=False)[column].agg(separator.join)
    return joined.reindex(range(n_units)).fillna("").astype("string")


def _scored(result: Assessment) -> pd.DataFrame:
    facts, decision = result.facts, result.decision
    n_units = len(facts)
    problems = facts.problems.assign(
        row=facts.problems["row"].astype(int) - 1,
        text=facts.problems["column"].astype("string") + ": " + facts.problems["problem"].astype("string"),
    )
    advice = decision.frame["advice"]
    nothing = (
        no_processor(facts) & facts.units["ram_gib"].isna().to_numpy() & facts.units["storage_kind"].isna().to_numpy()
    )
    flawed = np.isin(np.arange(n_units), problems["row"]) | advice.eq(Advice.HOLD).to_numpy(dtype=bool)
    status = np.where(nothing, str(Status.UNREADABLE), np.where(flawed, str(Status.PARTIAL), str(Status.SCORED)))
    flags = result.flags.assign(
        text=result.flags["title"].astype("string") + ": " + result.flags["reason"].astype("string")
    )
    told = decision.frame["tells"].to_numpy()[flags["row"].to_numpy(dtype=int)]
    untold = np.array([code not in codes for code, codes in zip(flags["code"], told, strict=True)], dtype=bool)
    weighty = flags[flags["severity"].ne("note").to_numpy() & untold]
    why = decision.frame["reason"].str.cat(_join(weighty, "text", n_units), sep=" | ").str.removesuffix(" | ")
    firmware = facts.devices[facts.devices["firmware_packages"].fillna("").ne("")]
    split = firmware.assign(firmware_packages=firmware["firmware_packages"].str.split(r"[;,\s]+", regex=True)).explode(
        "firmware_packages"
    )
    split = split[split["support"].ne("works")]
    processors = facts.processors
    taken = result.timing
    return pd.DataFrame(
        {
            "status": pd.Series(status, dtype="string"),
            "problem": _join(problems, "text", n_units),
            "cpu_microarch": processors["cpu_microarch"],
            "cpu_generation": processors["cpu_generation"],
            "cpu_year": processors["cpu_year"],
            "cpu_level": processors["cpu_level"],
            "advice": advice,
            "edition": decision.frame["edition"],
            "image_used": facts.chosen["image_used"],
            "hands_on_min": taken.hands_on_min.round(1),
            "elapsed_min": taken.elapsed_min.round(1),
            "elapsed_low_min": taken.elapsed_low_min.round(1),
            "elapsed_high_min": taken.elapsed_high_min.round(1),
            "wireless_support": pd.Series(facts.support_of("wireless"), dtype="string"),
            "firmware_packages": _join(split, "firmware_packages", n_units, ";"),
            "flags": _join(result.flags, "code", n_units, ";"),
            "reasons": why,
            "best_fix": result.best_fix,
            "taken_as": _join(result.taken_as, "text", n_units),
        }
    )
