"""Many measured sessions, one after another: those of a design under pressure, or repeats with nothing held back."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from advisor.errors import InputError
from advisor.lab import results, trees
from advisor.lab.campaign import Campaign
from advisor.lab.design import Pressure
from advisor.lab.sessions.container import STARTS, prepare
from advisor.lab.sessions.measure import COLUMNS, Conditions, measure
from advisor.lab.sessions.swap import SWAP_MIB
from advisor.lab.workplace import SESSION_TOOLS, Workplace, mounted, open_workplace, require, run_folder
from advisor.releases import CODENAMES
from advisor.shop import Edition

RELEASE = "13"
WRITES_BYTES = (1 << 30) + (SWAP_MIB << 20)
"""Room in a session's file system for what it writes, and for its swap [B]."""

LEFT_OUT = (*(f"usr/share/{name}" for name in ("doc", "help", "man", "info", "locale")), "var/lib/apt/lists")
"""Folders that no session in the plain locale reads: a seventh of the tree."""

SHOWN = (
    "edition", "stage", "ok", "seconds", "processor_s", "read_mib", "reads", "kills", "pss_mib", "decompress_mib_s",
    "disk_read_mib_s", "disk_access_ms", "throttled_s", "others_s", "beside_s", "disturbed", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Rig:
    """Where sessions are measured, and the table that their rows are added to.

    They run on one `core`, or on the first ones; `beside` is a control group of real-time work on this machine, to tell
    disturbance by.
    """

    place: Workplace
    out: Path
    core: int | None = None
    beside: str = ""
    say: Callable[[str], None] = print

    def image(self, release: str, edition: str) -> Path:
        """File of an edition's image."""
        return self.place.images / f"session-{Edition(edition).name.lower()}{release}.ext4"

    def make(self, release: str, edition: str) -> Path:
        """Make an edition's image if need be, in a process of low priority, so that it may run beside a session."""
        image = self.image(release, edition)
        if not image.exists():
            code = "import sys; from advisor.lab.sessions.series import make_here; make_here(*sys.argv[1:])"
            words = [str(self.place.root), release, edition, str(image)]
            subprocess.run(["nice", "-n", "10", sys.executable, "-P", "-c", code, *words], check=True)
        return image

    def keep(self, *images: Path) -> None:
        """Delete the images of other editions: 5 GB each."""
        for old in set(self.place.images.glob("session-*.ext4")) - set(images):
            old.unlink()

    def rows(self) -> list[dict[str, str]]:
        """Rows of the table so far."""
        return results.read_rows(self.out, COLUMNS)

    def once(self, release: str, edition: str, conditions: Conditions, note: str = "") -> str:
        """Measure one session, add its rows to the table, and give them in words."""
        number = _number(self.rows(), release, edition, conditions.plan.name if conditions.plan else None)
        with run_folder(self.place, "session") as folder:
            image = self.image(release, edition)
            found = measure(release, edition, conditions, image, folder, self.beside, number, note)
        rows = [{name: _short(name, row.get(name)) for name in COLUMNS} for row in found]
        results.append_rows(self.out, COLUMNS, rows)
        return "\n".join(" ".join(f"{name}={row[name]}" for name in SHOWN if row[name] != "") for row in rows)


def _short(name: str, value: Any) -> Any:
    # Access times of fast disks need more places.
    value = round(value, 4 if name.endswith("_ms") else 2) if isinstance(value, float) else value
    return "" if value is None else value


def make_here(root: str, release: str, edition: str, path: str) -> None:
    """Make an edition's tree, and once a file system (ext4) of it that is ready for its session."""
    place = open_workplace(root)
    recipe = trees.RECIPES[f"{Edition(edition).name.lower()}{release}-full"]
    layers = trees.layers(place, recipe, session=True)

    def make(part: Path) -> None:
        trees.build(place, recipe, session=True)
        with run_folder(place, "image") as folder, trees.view(folder / "view", layers) as tree:
            with mounted(("-t", "proc", "proc", f"{tree}/proc")):
                prepare(tree, STARTS[edition])
            hidden = [str(tree / name) for name in LEFT_OUT if (tree / name).is_dir()]
            with mounted(*(("-t", "tmpfs", "tmpfs", one) for one in hidden)):
                trees.file_system(tree, part, WRITES_BYTES)

    trees.made_once(Path(path), make)


def _number(rows: Sequence[dict[str, str]], release: str, edition: str, plan: str | None) -> int:
    """Number of the next repetition: of a plan, or of an edition's sessions without one."""
    wanted = ("", release, edition) if plan is None else (plan,)
    names = ("plan", "release", "edition")[: len(wanted)]
    return 1 + sum(row["stage"] == "idle" and tuple(row[name] for name in names) == wanted for row in rows)


@dataclass(frozen=True)
class Free:
    """A session with nothing holding it back."""

    name: str
    edition: str

    def check(self) -> None:
        """There is nothing to refuse."""


def repeat(rig: Rig, release: str, editions: Sequence[str], runs: int, note: str = "") -> Campaign[Free]:
    """A campaign of sessions with nothing holding them back, so many of each edition.

    On one core it is also counted what more cores would be worth.
    """
    free = Conditions(cpus=None if rig.core is None else (rig.core,), count_ready=rig.core is not None)
    plans = [Free(f"{edition}-{number}", edition) for edition in editions for number in range(runs)]
    done: list[tuple[str, bool]] = []

    def once(rest: Sequence[Free]) -> str:
        name, edition = rest[0].name, rest[0].edition
        rig.keep(rig.make(release, edition))
        outcome = rig.once(release, edition, free, note)
        done.append((name, True))
        return outcome

    return Campaign(rig.place, plans, lambda: done, once)


def under_pressure(rig: Rig, plans: Sequence[Pressure]) -> Campaign[Pressure]:
    """A campaign of a design's sessions that the table holds no undisturbed one of; with a core, those of one alone.

    Each edition also gets one session on the one core with nothing holding it back, unless the table has it.
    """
    ahead: list[threading.Thread] = []

    def made() -> list[tuple[str, bool]]:
        return [(row["plan"], not row["disturbed"]) for row in rig.rows() if row["plan"] and row["stage"] == "idle"]

    def ready(rest: Sequence[Pressure]) -> None:
        # The next edition's image is made beside this one's sessions; only its first session waits for it.
        editions = list(dict.fromkeys(one.edition for one in rest))[:2]
        rig.make(RELEASE, editions[0])
        rig.keep(*(rig.image(RELEASE, one) for one in editions))
        if editions[1:] and not any(one.is_alive() for one in ahead):
            ahead[:] = [threading.Thread(target=rig.make, args=(RELEASE, editions[1]), daemon=True)]
            ahead[0].start()

    def once(rest: Sequence[Pressure]) -> str:
        ready(rest)
        plan = rest[0]
        # The session comes before other people's work on the machine, what measures it too.
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, -10)
        counted = {row["edition"] for row in rig.rows() if row["ready_2"] and row["release"] == RELEASE}
        if plan.edition not in counted and rig.core is not None:
            rig.say(rig.once(RELEASE, plan.edition, Conditions(cpus=(rig.core,), count_ready=True)))
        cpus = tuple(range(plan.cores)) if rig.core is None else (rig.core,)
        return rig.once(RELEASE, plan.edition, Conditions(plan, cpus))

    chosen = [plan for plan in plans if rig.core is None or plan.cores == 1]
    return Campaign(rig.place, chosen, made, once)


def check(release: str) -> None:
    """Check for root, for the programs that are called, and for the release (AccessError, ToolError, InputError)."""
    if release not in CODENAMES:
        raise InputError(f"There is no release {release!r}.", f"There are: {', '.join(CODENAMES)}.")
    require(SESSION_TOOLS)
