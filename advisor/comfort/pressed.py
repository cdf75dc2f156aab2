"""Measure sessions under pressure: python -m advisor.comfort.pressed (root, Debian).

Goes through a design (`advisor.comfort.design`), an edition after the other, and goes on where it was stopped.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pandas as pd

from advisor.comfort.design import BROWSER_LIMIT_S, SESSION_LIMIT_S, Plan, read_design
from advisor.comfort.rows import COLUMNS, append, told
from advisor.comfort.sessions import Conditions, measure
from advisor.errors import AdvisorError

AFTER_LIMIT_S = 25.0
AFTER_ROOMY_S = 12.0
ROOMY_MIB = 4096
SLOW_PCT = 30
SLOW_ROOMY_MIB = 2048
"""After the first page, the other two and the text document get this long [s] to come to rest; less with so much
memory [MiB] that nothing is killed, or a processor [% of one core] that does not get so far in any case."""

RELEASE = "13"


def conditions_of(plan: Plan, core: int) -> Conditions:
    """What holds a planned session back.

    Parameters
    ----------
    plan : advisor.comfort.design.Plan
    core : int

    Returns
    -------
    advisor.comfort.sessions.Conditions
    """
    enough = SLOW_ROOMY_MIB if plan.quota_pct < SLOW_PCT else ROOMY_MIB
    return Conditions(
        memory_limit_mib=plan.memory_limit_mib, quota_pct=plan.quota_pct, disk=plan.disk,
        rate_mib_s=plan.rate_mib_s, access_ms=plan.access_ms, plan=plan.name, core=core,
        session_limit_s=SESSION_LIMIT_S, browser_limit_s=BROWSER_LIMIT_S,
        after_s=AFTER_ROOMY_S if plan.memory_limit_mib >= enough else AFTER_LIMIT_S,
    )  # fmt: skip


def _image(plan: Plan, given: argparse.Namespace) -> Path:
    return given.work / f"{plan.edition.lower().replace(' ', '-')}.img"


def _made(plan: Plan, given: argparse.Namespace) -> Path:
    """Make the image of a plan's edition in a process of low priority, so that it may run beside a session."""
    code = (
        "import sys; from pathlib import Path; from advisor.comfort.paced import make_image; "
        "from advisor.comfort.trees import Tree; "
        "make_image(Tree(sys.argv[1], sys.argv[2], Path(sys.argv[3])).build(), Path(sys.argv[4]), Path(sys.argv[5]))"
    )
    image = _image(plan, given)
    if not image.exists():
        words = [RELEASE, plan.edition, str(given.cache), str(image), str(given.work)]
        subprocess.run(["nice", "-n", "10", sys.executable, "-c", code, *words], check=True)
    return image


def _so_far(out: Path) -> pd.DataFrame:
    return pd.read_csv(out, dtype="string") if out.exists() else pd.DataFrame(columns=list(COLUMNS))


def done_names(out: Path) -> set[str]:
    """Names of the plans that have an undisturbed row of the desktop in a table.

    Parameters
    ----------
    out : pathlib.Path
        As comfort/sessions.

    Returns
    -------
    set of str
    """
    frame = _so_far(out)
    return set(frame.loc[frame["plan"].notna() & frame["disturbed"].isna(), "plan"])


def free_names(out: Path) -> set[str]:
    """Editions that a table has a session of on one core with nothing holding it back.

    Parameters
    ----------
    out : pathlib.Path
        As comfort/sessions.

    Returns
    -------
    set of str
    """
    frame = _so_far(out)
    return set(frame.loc[frame["ready_2"].notna() & frame["release"].eq(RELEASE), "edition"])


def main() -> None:
    """Measure what of the design is not measured yet, and add the rows to a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--design", type=Path, required=True, help="CSV, as advisor.comfort.design writes it")
    parser.add_argument("--cache", type=Path, required=True, help="folder that keeps the trees (4 GB each)")
    parser.add_argument("--work", type=Path, required=True, help="folder for images (two at a time, 5 GB each)")
    parser.add_argument("--core", type=int, default=1, help="the core that sessions run on")
    parser.add_argument("--beside", default="", help="control group of real-time work beside, to tell disturbance by")
    parser.add_argument("--until", default="", help="start no session after this time of day, such as 19:02")
    parser.add_argument("--most-quota", type=float, default=100, help="only sessions with no more processor than this")
    parser.add_argument("--only", action="append", help="name of a plan; may be given more than once")
    parser.add_argument("--out", type=Path, required=True, help="CSV to add the rows to")
    given = parser.parse_args()
    # So that a terminated run still stops its container and takes its mounts away.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    given.work.mkdir(parents=True, exist_ok=True)
    plans = [plan for plan in read_design(given.design) if not given.only or plan.name in given.only]
    done = done_names(given.out)
    todo = [plan for plan in plans if plan.name not in done and plan.quota_pct <= given.most_quota]
    # The session comes before other people's work on the machine, what measures it too.
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    free_done = set(free_names(given.out))
    ahead: threading.Thread | None = None
    for at, plan in enumerate(todo):
        if given.until and time.strftime("%H:%M") >= given.until:
            break
        try:
            # The next edition's image is made beside the sessions of this one; only its first session waits for it.
            if ahead and (not _image(plan, given).exists() or not ahead.is_alive()):
                ahead.join()
                ahead = None
            image = _made(plan, given)
            others = [one for one in todo[at:] if one.edition != plan.edition]
            if ahead is None:
                keep = {image, *(_image(one, given) for one in others[:1])}
                for old in set(given.work.glob("*.img")) - keep:
                    old.unlink()
                if others:
                    ahead = threading.Thread(target=_made, args=(others[0], given), daemon=True)
                    ahead.start()
            began = time.monotonic()
            folder = given.work / f"run-{os.getpid()}"
            if plan.edition not in free_done:
                free = Conditions(core=given.core, count_ready=True)
                rows = measure(RELEASE, plan.edition, free, image, folder, given.beside)
                print(told(append(rows, given.out)), flush=True)
                free_done.add(plan.edition)
            rows = measure(RELEASE, plan.edition, conditions_of(plan, given.core), image, folder, given.beside)
        except (AdvisorError, OSError, subprocess.SubprocessError) as error:
            print(f"{time.strftime('%H:%M:%S')} {plan.name}: {error}", flush=True)
            continue
        print(f"{time.strftime('%H:%M:%S')} {plan} took {time.monotonic() - began:.0f} s", flush=True)
        print(told(append(rows, given.out)), flush=True)
    if ahead:
        ahead.join()


if __name__ == "__main__":
    main()
