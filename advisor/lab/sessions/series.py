"""Many measured sessions, one after another: those of a design under pressure, or repeats with nothing held back.

A series goes on where it was stopped. All that it writes is its table, and what lies below the rig's own work folder.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from advisor.errors import AdvisorError, InputError
from advisor.files import is_there, read_text
from advisor.lab.campaign import alone, ends_tidily
from advisor.lab.sessions.counters import Group
from advisor.lab.sessions.design import BROWSER_LIMIT_S, SESSION_LIMIT_S, TIGHT, Plan
from advisor.lab.sessions.measure import Conditions, measure
from advisor.lab.sessions.paced import make_image
from advisor.lab.sessions.rows import COLUMNS, append, told
from advisor.lab.sessions.trees import CODENAMES, Tree
from advisor.lab.workplace import (
    SESSION_TOOLS,
    Workplace,
    close_run,
    is_stale,
    open_run,
    open_workplace,
    own_folder,
    require,
)  # fmt: skip

AFTER_LIMIT_S = 25.0
AFTER_ROOMY_S = 12.0
ROOMY_MIB = 4096
SLOW_PCT = 30
SLOW_ROOMY_MIB = 2048
"""After the first page, the other two and the text document get this long [s] to come to rest; less with so much
memory [MiB] that nothing is killed, or a processor [% of one core] that does not get so far in any case."""

AFTER_TIGHT_S = 60.0
"""Where a session is to show what is killed, its whole load gets this long [s]."""

RELEASE = "13"
RUN = "session-"
"""Beginning of the names of the rig's run folders and control groups that belong to sessions."""


@dataclass(frozen=True)
class Rig:
    """Where sessions are measured.

    Attributes
    ----------
    place : advisor.lab.workplace.Workplace
        The rig's own folder.
    core : int, optional
        The one core that sessions run on; all when left out.
    beside : str
        Control group of real-time work on this machine, to tell disturbance by; '' for none.
    """

    place: Workplace
    core: int | None = None
    beside: str = ""

    @property
    def trees(self) -> Path:
        """Installed editions, 4 GB each."""
        return own_folder(self.place.trees / "sessions")

    @property
    def images(self) -> Path:
        """File systems of editions, 5 GB each; a series keeps two at a time."""
        return own_folder(self.place.images / "sessions")

    def image(self, release: str, edition: str) -> Path:
        """File of an edition's image."""
        return self.images / f"{release}-{edition.lower().replace(' ', '-')}.img"

    def make(self, release: str, edition: str) -> Path:
        """Make an edition's image if need be, in a process of low priority, so that it may run beside a session."""
        image = self.image(release, edition)
        if not image.exists():
            code = "import sys; from advisor.lab.sessions.series import make_here; make_here(*sys.argv[1:])"
            words = [str(self.place.root), release, edition]
            subprocess.run(["nice", "-n", "10", sys.executable, "-c", code, *words], check=True)
        return image

    @contextmanager
    def run_folder(self) -> Iterator[Path]:
        """A folder for one session; what a kill leaves of it, `clean_sessions` and the rig's `clean` put away."""
        folder = open_run(self.place, f"{RUN}{os.getpid()}")
        try:
            yield folder
        finally:
            if folder.exists():
                close_run(folder)


def make_here(root: str, release: str, edition: str) -> None:
    """Make an edition's tree and image.

    Parameters
    ----------
    root : str
        The rig's own folder.
    release, edition : str
    """
    rig = Rig(open_workplace(root))
    folder = open_run(rig.place, f"image-{os.getpid()}")
    try:
        make_image(Tree(release, edition, rig.trees).build(), rig.image(release, edition), folder)
    finally:
        close_run(folder)


def conditions_of(plan: Plan, core: int | None) -> Conditions:
    """What holds a planned session back.

    Parameters
    ----------
    plan : advisor.lab.sessions.design.Plan
    core : int, optional

    Returns
    -------
    advisor.lab.sessions.measure.Conditions
    """
    enough = SLOW_ROOMY_MIB if plan.quota_pct < SLOW_PCT else ROOMY_MIB
    after_s = AFTER_ROOMY_S if plan.memory_limit_mib >= enough else AFTER_LIMIT_S
    if plan.name.rpartition("-")[2] in TIGHT:
        after_s = AFTER_TIGHT_S
    return Conditions(
        memory_limit_mib=plan.memory_limit_mib, quota_pct=plan.quota_pct, disk=plan.disk,
        rate_mib_s=plan.rate_mib_s, access_ms=plan.access_ms, plan=plan.name, core=core,
        session_limit_s=SESSION_LIMIT_S, browser_limit_s=BROWSER_LIMIT_S, after_s=after_s,
    )  # fmt: skip


def so_far(out: Path) -> pd.DataFrame:
    """Rows of a table, as text; none when it does not exist.

    Parameters
    ----------
    out : pathlib.Path

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    InputError
        When it is no table of sessions.
    """
    if not is_there(out):
        return pd.DataFrame(columns=list(COLUMNS), dtype="string")
    try:
        frame = pd.read_csv(io.StringIO(read_text(out)), dtype="string")
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{out} cannot be read: {error}.") from error
    if list(frame.columns) != list(COLUMNS):
        raise InputError(f"{out} is no table of sessions.", "Name a new file, or one that a series has written.")
    return frame


def outstanding(plans: Sequence[Plan], frame: pd.DataFrame) -> list[Plan]:
    """Plans of a design that a table holds no undisturbed session of, in order.

    Parameters
    ----------
    plans : sequence of Plan
    frame : pandas.DataFrame
        As `so_far` gives it.

    Returns
    -------
    list of Plan
    """
    done = set(frame.loc[frame["plan"].notna() & frame["disturbed"].isna(), "plan"])
    return [plan for plan in plans if plan.name not in done]


def _number(frame: pd.DataFrame, release: str, edition: str, plan: str | None) -> int:
    """Number of the next repetition."""
    same = frame["plan"].isna() & frame["release"].eq(release) & frame["edition"].eq(edition)
    same = same if plan is None else frame["plan"].eq(plan)
    return 1 + int((same.fillna(False) & frame["stage"].eq("idle")).sum())


def _once(rig: Rig, release: str, edition: str, conditions: Conditions, out: Path, note: str = "") -> pd.DataFrame:
    number = _number(so_far(out), release, edition, conditions.plan)
    with rig.run_folder() as folder:
        image = rig.image(release, edition)
        rows = measure(release, edition, conditions, image, folder, rig.beside, number, note)
    return append(rows, out)


def repeat(
    rig: Rig, release: str, editions: Sequence[str], runs: int, out: Path, note: str = "",
    say: Callable[[str], None] = print,
) -> int:  # fmt: skip
    """Measure sessions with nothing holding them back, and add their rows to a table.

    Parameters
    ----------
    rig : Rig
        On one core it is also counted what more cores would be worth.
    release : str
        Of Debian.
    editions : sequence of str
    runs : int
        Of each.
    out : pathlib.Path
    note : str
        What else is to be known of these runs.
    say : callable
        Takes each session's rows in words.

    Returns
    -------
    int
        Sessions added.
    """
    check(release)
    free = Conditions(core=rig.core, count_ready=rig.core is not None)
    added = 0
    with alone(rig.place), ends_tidily():
        for edition in editions:
            for _ in range(runs):
                try:
                    rig.make(release, edition)
                    say(told(_once(rig, release, edition, free, out, note)))
                except (AdvisorError, OSError, subprocess.SubprocessError) as error:
                    say(f"{edition}: {error}")
                    continue
                added += 1
            rig.image(release, edition).unlink(missing_ok=True)
    return added


def carry_out(
    rig: Rig, plans: Sequence[Plan], out: Path, until: float | None = None, say: Callable[[str], None] = print
) -> int:
    """Measure what of a design is not measured yet, and add the rows to a table.

    Each edition also gets one session on the one core with nothing holding it back, unless the table has it.

    Parameters
    ----------
    rig : Rig
    plans : sequence of Plan
    out : pathlib.Path
    until : float, optional
        Start no session after this time [s since the epoch].
    say : callable
        Takes what is done, and each session's rows in words.

    Returns
    -------
    int
        Sessions of the design added.
    """
    check(RELEASE)
    frame = so_far(out)
    todo = outstanding(plans, frame)
    free_done = set(frame.loc[frame["ready_2"].notna() & frame["release"].eq(RELEASE), "edition"])
    # The session comes before other people's work on the machine, what measures it too.
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    ahead: threading.Thread | None = None
    added = 0
    with alone(rig.place), ends_tidily():
        for at, plan in enumerate(todo):
            if until is not None and time.time() >= until:
                break
            try:
                # The next edition's image is made beside this one's sessions; only its first session waits for it.
                if ahead and (not rig.image(RELEASE, plan.edition).exists() or not ahead.is_alive()):
                    ahead.join()
                    ahead = None
                image = rig.make(RELEASE, plan.edition)
                others = [one.edition for one in todo[at:] if one.edition != plan.edition]
                if ahead is None:
                    keep = {image, *(rig.image(RELEASE, one) for one in others[:1])}
                    for old in set(rig.images.glob("*.img")) - keep:
                        old.unlink()
                    if others:
                        ahead = threading.Thread(target=rig.make, args=(RELEASE, others[0]), daemon=True)
                        ahead.start()
                began = time.monotonic()
                if plan.edition not in free_done and rig.core is not None:
                    free = Conditions(core=rig.core, count_ready=True)
                    say(told(_once(rig, RELEASE, plan.edition, free, out)))
                    free_done.add(plan.edition)
                rows = _once(rig, RELEASE, plan.edition, conditions_of(plan, rig.core), out)
            except (AdvisorError, OSError, subprocess.SubprocessError) as error:
                say(f"{time.strftime('%H:%M:%S')} {plan.name}: {error}")
                continue
            say(f"{time.strftime('%H:%M:%S')} {plan.name} took {time.monotonic() - began:.0f} s")
            say(told(rows))
            added += 1
        if ahead:
            ahead.join()
    return added


def check(release: str) -> None:
    """Check for root, for the programs that are called, and for the release.

    Parameters
    ----------
    release : str

    Raises
    ------
    AccessError
        When not run as root.
    ToolError
        When a program is missing; the hint names the Debian packages.
    InputError
        When there is no such release.
    """
    if release not in CODENAMES:
        raise InputError(f"There is no release {release!r}.", f"There are: {', '.join(CODENAMES)}.")
    require(SESSION_TOOLS)


def clean_sessions(place: Workplace) -> list[str]:
    """End what killed sessions left running, before their mounts and folders are put away.

    Parameters
    ----------
    place : advisor.lab.workplace.Workplace

    Returns
    -------
    list of str
        What was put away, a line each.
    """
    done = []
    for folder in sorted(place.runs.glob(f"{RUN}*")):
        group = Group(folder.name)
        if is_stale(folder) and group.path("memory").is_dir():
            group.end()
            done.append(f"control group {group.name}")
    return done
