"""The decision: one advice a unit, with the reason that made it, from one pass over an ordered list of verdicts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.advice.facts import Facts
from advisor.advice.flags import PRACTICE, no_processor, processor_problems, swollen, worn
from advisor.advice.parts import Trials, shortest_browser, trials
from advisor.columns import holds, numbers, texts
from advisor.unit import Advice, StorageKind, Support


@dataclass(frozen=True)
class Decision:
    """What was decided for every unit.

    Attributes
    ----------
    frame : pandas.DataFrame, shape (n_units, 7)
        `advice`, `edition` (NA where none is advised), `part` (name of the part to fit first, NA for none),
        `reason`, `rule` and `source`: what made the advice; `tells`: codes of the flags that the reason already tells.
    trials : Trials
        What each part would do.
    firmware : numpy.ndarray of bool, shape (n_units,)
        Units to which a firmware or driver package must be brought before a device does anything.
    """

    frame: pd.DataFrame
    trials: Trials
    firmware: np.ndarray


MISSING = "no edition is advised while a fact that decides is missing"

_TELLS: dict[str, tuple[str, ...]] = {
    "battery": ("battery-swollen",),
    "no processor": ("processor-unknown",),
    "no image": ("no-image-boots",),
    "no memory figure": ("memory-unknown",),
    "no disk": ("no-disk",),
    "a fact is missing": ("disk-unknown", "below-comfort"),
    "part makes it comfortable": ("below-comfort",),
    "nothing helps": ("below-comfort",),
    "slow": ("below-comfort",),
    "worn disk": ("disk-worn",),
    **{
        rule: tuple(f"{kind}-{word}" for kind in ("storage", "graphics", "wireless") for word in words)
        for rule, words in (
            ("no Wi-Fi driver", ("no-driver",)),
            ("firmware", ("needs-firmware", "newer-kernel", "separate-driver")),
        )
    },
}
"""Flags whose sentence a verdict's reason repeats."""

Verdict = tuple[str, Advice, np.ndarray, Callable[[int], str], str]
"""Name of a verdict, its advice, the rows it holds for, the sentence for a row, its source."""


def decide(facts: Facts) -> Decision:
    """Decide every unit.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    Decision
    """
    n_units = len(facts)
    units, shop = facts.units, facts.shop
    choice = facts.choice
    comfortable = choice.notna().to_numpy()
    boots = facts.image_number >= 0
    no_disk = holds(units["storage_kind"].eq(StorageKind.NONE))
    unclear = no_processor(facts) | units["ram_gib"].isna().to_numpy()
    no_wifi = facts.wireless_wanted & facts.blocked("wireless", Support.NO_DRIVER)
    at_best = facts.ladder.choice_at_best.reset_index(drop=True)
    undecided = boots & (at_best.fillna("") != choice.fillna("")).to_numpy(dtype=bool)
    too_small = facts.ladder.disk_too_small
    adapter_helps = no_wifi | (facts.wireless_wanted & facts.blocked("wireless", Support.SEPARATE_DRIVER))
    adapter_helps |= facts.wireless_wanted & fetched_firmware(facts)
    needs = pd.DataFrame({"storage": no_disk | worn(facts) | too_small, "wireless": adapter_helps})

    standard = facts.richness(pd.Series([shop.standard_edition], dtype="string"))[0]
    below_standard = facts.richness(choice) > standard
    wanted = boots & ~unclear & ~swollen(facts) & (below_standard | needs["storage"] | needs["wireless"]).to_numpy()
    tried = trials(facts, wanted, needs)
    best = tried.best.reindex(range(n_units))
    parts = texts(best["part"])
    cures = holds(best["cures"].astype("boolean"))
    gains = numbers(best["ladder_gain"].astype("Float64")) > 0

    lightest, lightest_s, lightest_why = facts.ladder.lightest()
    limit = shop.thresholds.slow_limit
    browser_s = np.fmin(shortest_browser(facts.ladder), numbers(best["browser_after_s"].astype("Float64")))
    hopeless = (
        ~comfortable
        & ~gains
        & (
            lightest.isna().to_numpy()
            | (lightest_s > limit * shop.thresholds.desktop_s)
            | (browser_s > limit * shop.thresholds.browser_s)
        )
    )
    firmware = np.zeros(n_units, dtype=bool)
    for kind in ("storage", "graphics", "wireless"):
        firmware |= facts.blocked(kind, Support.NEEDS_FIRMWARE, Support.SEPARATE_DRIVER, Support.NEWER_KERNEL)

    blocking = _device_reasons(facts)
    nameless = processor_problems(facts)

    def device_reason(row: int) -> str:
        return blocking.get(row, "")

    def part_reason(row: int) -> str:
        return "a part is needed that the shop does not list" if parts[row] is None else f"fit {parts[row]}"

    def edition_reason(row: int) -> str:
        return str(facts.ladder.why(row))

    limits = f"desktop {shop.thresholds.desktop_s:g} s, browser {shop.thresholds.browser_s:g} s"
    comfort_source = f"comfort model against the shop's thresholds ({limits})"
    stop_texts = facts.boots_reason.apply(lambda texts: "; ".join(dict.fromkeys(texts.dropna())), axis=1) \
        if (~boots).any() else pd.Series("", index=range(n_units))  # fmt: skip

    verdicts: list[Verdict] = [
        ("battery", Advice.SET_ASIDE, swollen(facts),
         lambda row: "a swollen or damaged battery stops work on the unit", PRACTICE),
        ("no processor", Advice.HOLD, no_processor(facts),
         lambda row: f"the processor decides and is not known: {nameless[row]}", MISSING),
        ("no image", Advice.SET_ASIDE, ~boots, lambda row: str(stop_texts.iat[row]), "edition gates"),
        ("no memory figure", Advice.HOLD, units["ram_gib"].isna().to_numpy(),
         lambda row: "the memory decides and is not known", MISSING),
        ("no disk", Advice.PART_FIRST, no_disk, lambda row: f"no disk is fitted; {part_reason(row)}", PRACTICE),
        ("a fact is missing", Advice.HOLD, undecided,
         lambda row: f"the edition depends on what is not known: {facts.ladder.missing_words(row)}", comfort_source),
        ("part makes it comfortable", Advice.PART_FIRST, ~comfortable & gains,
         lambda row: f"no edition is comfortable as it stands ({lightest_why[row]}); {part_reason(row)}",
         comfort_source),
        ("too small a disk", Advice.PART_FIRST, too_small & cures,
         lambda row: f"the disk is too small; {part_reason(row)}", "edition gates"),
        ("nothing helps", Advice.SET_ASIDE, hopeless,
         lambda row: f"no edition is usable and no part helps ({lightest_why[row]})", comfort_source),
        ("worn disk", Advice.PART_FIRST, worn(facts),
         lambda row: f"the disk is worn; {part_reason(row)}", "shop's threshold storage_health_pct"),
        ("no Wi-Fi driver", Advice.PART_FIRST, no_wifi,
         lambda row: f"{device_reason(row)}; {part_reason(row)}", "driver tables"),
        ("firmware", Advice.FIRMWARE_FIRST, firmware, device_reason, "driver and firmware tables"),
        ("slow", Advice.LIGHTER, ~comfortable,
         lambda row: f"no edition is comfortable and no part makes one so; {lightest.iat[row]} comes nearest and will "
         f"be slow ({lightest_why[row]})",
         comfort_source),
        ("lighter", Advice.LIGHTER, below_standard, edition_reason, comfort_source),
        ("standard", Advice.STANDARD, np.ones(n_units, dtype=bool), edition_reason, comfort_source),
    ]  # fmt: skip

    number = np.full(n_units, -1)
    for position, (_, _, mask, _, _) in enumerate(verdicts):
        number[(number < 0) & mask] = position
    advice = np.array([str(verdicts[one][1]) for one in number], dtype=object)
    part_first = advice == Advice.PART_FIRST
    fitted = part_first & best["part"].notna().to_numpy()
    edition = texts(choice)
    edition[fitted] = best["edition_after"].to_numpy(dtype=object)[fitted]
    settle = np.isin(advice, [str(Advice.LIGHTER), str(Advice.FIRMWARE_FIRST), str(Advice.PART_FIRST)]) & ~no_disk
    none_yet = settle & pd.isna(edition)
    edition[none_yet] = texts(lightest)[none_yet]
    edition[np.isin(advice, [str(Advice.HOLD), str(Advice.SET_ASIDE)]) | (no_disk & ~fitted)] = None
    frame = pd.DataFrame(
        {
            "advice": pd.Series(advice, dtype="string"),
            "edition": pd.Series(edition, dtype="string"),
            "part": best["part"].where(fitted).astype("string"),
            "reason": pd.Series([verdicts[one][3](row) for row, one in enumerate(number)], dtype="string"),
            "rule": pd.Series([verdicts[one][0] for one in number], dtype="string"),
            "tells": [_TELLS.get(verdicts[one][0], ()) for one in number],
            "source": pd.Series([verdicts[one][4] for one in number], dtype="string"),
        }
    )
    return Decision(frame, tried, firmware)


def fetched_firmware(facts: Facts) -> np.ndarray:
    """Where the Wi-Fi's firmware may lie on no image and is fetched from the network by a tool.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    numpy.ndarray of bool, shape (n_units,)
    """
    rows = facts.devices
    hit = rows["kind"].eq("wireless") & rows["support"].eq(Support.NEEDS_FIRMWARE)
    return facts.having(hit & rows["cure"].astype("string").str.endswith("-installer").fillna(False))


def _device_reasons(facts: Facts) -> dict[int, str]:
    """Reasons of the devices that do nothing until they are cured, joined by unit."""
    rows = facts.devices
    hit = rows[
        rows["kind"].isin(["storage", "graphics", "wireless"])
        & ~rows["support"].isin([str(Support.WORKS), str(Support.UNKNOWN)])
        & rows["severity"].ne("degrades")
    ]
    out: dict[int, str] = {}
    for row, reason in zip(hit["row"], hit["reason"], strict=True):
        text = str(reason).rstrip(".")
        out[int(row)] = f"{out[int(row)]}; {text}" if int(row) in out else text
    return out
