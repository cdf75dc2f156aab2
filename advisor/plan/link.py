"""The shop's link: what a day downloads, how long when many units do at once, and from when a package cache pays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

from advisor.plan.chance import assumed
from advisor.plan.problem import TICKS, Schedule, UnitJob
from advisor.shop import Practice
from advisor.timing.conditions import MIB
from advisor.timing.predict import CACHE_MBPS

if TYPE_CHECKING:
    from advisor.advice import Batch

CACHE_COMMANDS = (
    "sudo apt install apt-cacher-ng",
    "echo 'Acquire::http::Proxy \"http://SHOP:3142\";' | sudo tee /etc/apt/apt.conf.d/80bench",
)
"""On the shop's machine, and on each unit until it is sealed. apt.conf(5), Acquire::http::Proxy; 3142 is the port that
Debian's package apt-cacher-ng listens on unless told otherwise (its acng.conf)."""


def fair_shares(starts: Sequence[float], sizes: Sequence[float], link: float) -> list[float]:
    """When downloads of these sizes, begun then, are done on one link, each getting the same share of it while it runs.

    Equal shares are max-min fair where every download could fill the link by itself (Bertsekas and Gallager, Data
    Networks, section 6.5.2); it is what TCP comes near to between equals.
    """
    left = {at: float(size) for at, size in enumerate(sizes) if size > 0}
    done = [float(start) for start in starts]
    now = min(starts, default=0.0)
    while left:
        running = [at for at in left if starts[at] <= now]
        coming = min((starts[at] for at in left if starts[at] > now), default=float("inf"))
        if not running:
            now = coming
            continue
        share = link / len(running)
        step = min(coming - now, min(left[at] for at in running) / share)
        now += step
        for at in running:
            left[at] -= share * step
            if left[at] <= 1e-9 * max(1.0, sizes[at]):
                done[at] = now
                del left[at]
    return done


@dataclass(frozen=True)
class Link:
    """What a day asks of the link."""

    mib: float  # Downloaded by all units [MiB]
    at_once: int  # Downloads side by side at the most
    longest_min: float  # By how much the most delayed download takes longer than alone [min]
    # Units from which on a package cache saves more minutes than it takes; None where it never does.
    cache_from: int | None
    cache_mib: float  # Its size at the most: every kind of install once [MiB]
    has_cache: bool  # Whether the shop has one already

    def sentences(self) -> list[str]:
        """What is to be known of the link, in sentences."""
        if not self.mib:
            return []
        text = [
            f"Downloads: {self.mib / 1024:.1f} GiB; at most {self.at_once} at once, the longest wait for each other "
            f"{self.longest_min:.1f} min."
        ]
        if self.has_cache:
            return text
        if self.cache_from is None:
            return [*text, "A package cache saves less here than it takes to set up."]
        text.append(
            f"A package cache pays from {self.cache_from} units on (up to {self.cache_mib / 1024:.1f} GiB of disk). On "
            f"the shop's machine: {CACHE_COMMANDS[0]}; on each unit, until it is sealed: {CACHE_COMMANDS[1]}"
        )
        return text


def link_of(batch: Batch, jobs: tuple[UnitJob, ...], schedule: Schedule) -> Link:
    """What the units of a plan ask of the shop's link; base set and updates each begin when their visit ends."""
    conditions, mbps = batch.timing.conditions, batch.shop.link_mbps
    columns = {"base": "extra_bytes", "updates": "update_bytes"}
    sized = {phase: (conditions[name].astype(float) / MIB).to_dict() for phase, name in columns.items()}
    starts, sizes, by_kind = [], [], {}
    for at, placed in schedule.items():
        case = int(batch.case[jobs[at].row])
        need = {phase: of_case[case] for phase, of_case in sized.items()}
        by_kind[jobs[at].stick, str(batch.cases.chosen["edition"].iloc[case])] = sum(need.values())
        for number, one in enumerate(placed):
            for phase in jobs[at].visits[number].phases:
                if phase in need:
                    starts.append(one.end / TICKS)
                    sizes.append(need.pop(phase))
    rate = mbps * 1e6 / 8 / MIB * 60
    done = fair_shares(starts, sizes, rate)
    waits = [end - start - size / rate for start, end, size in zip(starts, done, sizes, strict=True)]
    many = max((sum(a <= start < b for a, b in zip(starts, done, strict=True)) for start in starts), default=0)
    mean = sum(sizes) / max(1, len(schedule))
    return Link(
        sum(sizes), many, max(waits, default=0.0), cache_pays(mean, mbps, len(by_kind)), sum(by_kind.values()),
        Practice.CACHE in batch.shop.practices,
    )  # fmt: skip


def cache_pays(mib: float, mbps: float, kinds: int) -> int | None:
    """From how many units on, each of `mib` [MiB] over `mbps` [Mbit/s], a package cache saves more minutes than its
    set-up takes; the first unit of each kind of install fills it, and saves nothing.
    """
    seconds = mib * MIB * 8 / 1e6 * (1 / mbps - 1 / max(mbps, CACHE_MBPS))
    gain = seconds / 60 - assumed()["cache_unit_hands"]
    return kinds + ceil(assumed()["cache_hands"] / gain) if gain > 0 else None
