"""Many rehearsals or sessions, one after another: resumable, pausable, a result each."""

from __future__ import annotations

import subprocess
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic

from advisor.errors import AdvisorError
from advisor.files import ends_tidily
from advisor.lab import rehearsal, results
from advisor.lab.groups import calm
from advisor.lab.results import P
from advisor.lab.workplace import Workplace, alone, clean

TRIES = 2
"""How often a disturbed or failed one is made before it is left at that."""

PAUSE_S = 5.0
FAILURES = (AdvisorError, OSError, subprocess.SubprocessError)


@dataclass(frozen=True)
class Campaign(Generic[P]):
    """A design and how its plans are carried out.

    `made` gives (name, whether it is good) of every result so far; `once` carries out the first of what is outstanding,
    adds its result and says it in a few words.
    """

    place: Workplace
    plans: Sequence[P]
    made: Callable[[], Sequence[tuple[str, bool]]]
    once: Callable[[Sequence[P]], str]

    def outstanding(self, failures: Counter[str] | None = None) -> list[P]:
        """What is still to be made: what was never made, in order, then what was disturbed and may be tried again."""
        made = self.made()
        good = {name for name, fine in made if fine}
        tried = Counter(name for name, _ in made) | (failures or Counter())
        fresh = [plan for plan in self.plans if not tried[plan.name]]
        again = [plan for plan in self.plans if 0 < tried[plan.name] < TRIES and plan.name not in good]
        return fresh + again

    def carry_out(
        self, *, pause_file: Path | None = None, until: float | None = None, say: Callable[[str], None] = print
    ) -> int:
        """Make what is outstanding, and give how many were made.

        While `pause_file` exists, nothing further starts, nor after the time `until` [s since 1970].
        """
        count, failures = 0, Counter[str]()
        with alone(self.place), ends_tidily():
            for thing in clean(self.place):
                say(f"left behind, put away: {thing}")
            calm()
            while (rest := self.outstanding(failures)) and (until is None or time.time() < until):
                if pause_file is not None and pause_file.exists():
                    say(f"paused while {pause_file} exists")
                    while pause_file.exists():
                        time.sleep(PAUSE_S)
                plan = rest[0]
                say(f"{time.strftime('%H:%M:%S')} {plan.name}, {len(rest)} of {len(self.plans)} to go")
                began = time.monotonic()
                try:
                    outcome = self.once(rest)
                    count += 1
                except FAILURES as error:
                    failures[plan.name] += 1
                    outcome = str(error)
                say(f"  {time.monotonic() - began:.0f} s: {outcome}")
        return count


def rehearse(
    place: Workplace, plans: Sequence[rehearsal.Setup], out: Path, say: Callable[[str], None] = print,
    core: int | None = None,
) -> Campaign[rehearsal.Setup]:  # fmt: skip
    """A campaign of rehearsals, whose lines are added to a file; with `core` only those of one core, made on it."""
    cpus = None if core is None else (core,)

    def made() -> list[tuple[str, bool]]:
        return [
            (str(line.get("name")), not line.get("disturbed") and not line.get("failed"))
            for line in results.read_lines(out)
        ]

    def once(rest: Sequence[rehearsal.Setup]) -> str:
        plan = rest[0]
        processor = f"{plan.quota_pct:g} % on {plan.cores}"
        say(f"    {plan.tree} {plan.installer}, {processor}, {plan.disk}, {plan.link_mbps:g} Mbit/s")
        try:
            line = rehearsal.once(place, plan, cpus, say=lambda text: say(f"    {text}"))
        except FAILURES as error:
            failed = {"name": plan.name, "failed": str(error), "disturbed": True, "disturbed_reason": "failed"}
            results.append_line(out, failed)
            raise
        results.append_line(out, line)
        return f"total {line['total_s']} s {line['disturbed_reason']}"

    chosen = [plan for plan in plans if core is None or plan.cores == 1]
    return Campaign(place, chosen, made, once)
