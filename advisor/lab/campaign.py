"""Many rehearsals, one after another: resumable, pausable, a line a rehearsal."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from advisor.errors import AdvisorError, InputError
from advisor.files import append_whole, is_there, parse_json, read_text
from advisor.lab.limits import calm
from advisor.lab.rehearsal import Plan, once
from advisor.lab.workplace import Workplace, clean

TRIES = 2
"""How often a disturbed rehearsal is made before it is left at that."""

PAUSE_S = 5.0


def read_lines(path: Path) -> list[dict[str, object]]:
    """Read the lines written so far; one cut off by a kill at the end is passed over.

    Parameters
    ----------
    path : pathlib.Path
        May be missing.

    Returns
    -------
    list of dict

    Raises
    ------
    InputError
        When a line before the last is not JSON.
    """
    if not is_there(path):
        return []
    texts = read_text(path).split("\n")
    lines: list[dict[str, object]] = []
    for number, text in enumerate(texts, start=1):
        if not text.strip():
            continue
        try:
            line = parse_json(text, f"{path}, line {number}", hint="Take that line out.")
        except InputError:
            if number == len(texts):
                break
            raise
        if isinstance(line, dict):
            lines.append(line)
    return lines


def append_line(path: Path, line: dict[str, object]) -> None:
    """Add a line and see it onto the disk."""
    append_whole(path, json.dumps(line, ensure_ascii=False) + "\n")


def outstanding(plans: Sequence[Plan], lines: Sequence[dict[str, object]]) -> list[Plan]:
    """What is still to be made: first what was never made, in order, then what was disturbed and may be tried again.

    Parameters
    ----------
    plans : sequence of Plan
    lines : sequence of dict

    Returns
    -------
    list of Plan
    """
    good = {line.get("name") for line in lines if not line.get("disturbed") and not line.get("failed")}
    tried = [line.get("name") for line in lines]
    fresh = [plan for plan in plans if plan.name not in tried]
    again = [plan for plan in plans if plan.name in tried and plan.name not in good and tried.count(plan.name) < TRIES]
    return fresh + again


@contextlib.contextmanager
def alone(place: Workplace) -> Iterator[None]:
    """Hold the work folder's lock: two rehearsals at a time would measure each other.

    Raises
    ------
    InputError
        When another rehearsal holds it.
    """
    with os.fdopen(os.open(place.root / "lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o644), "r+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputError(
                f"Another rehearsal runs in {place.root}.", "Wait for it: two at a time would measure each other."
            ) from error
        yield


@contextlib.contextmanager
def ends_tidily() -> Iterator[None]:
    """Let a request to end (SIGTERM) unwind, so that what is in hand is put away."""

    def stop(number: int, frame: object) -> None:
        raise SystemExit(128 + number)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def carry_out(
    place: Workplace,
    plans: Sequence[Plan],
    out: Path,
    pause_file: Path | None = None,
    until: float | None = None,
    say: Callable[[str], None] = print,
) -> int:
    """Make what is outstanding of a design.

    Parameters
    ----------
    place : Workplace
    plans : sequence of Plan
    out : pathlib.Path
        Lines are added to this file.
    pause_file : pathlib.Path, optional
        While it exists, no further rehearsal starts.
    until : float, optional
        No rehearsal starts after this time [s since 1970].
    say : callable
        Called with lines of progress.

    Returns
    -------
    int
        How many lines were added.
    """
    added = 0
    with alone(place), ends_tidily():
        for thing in clean(place):
            say(f"left behind, put away: {thing}")
        calm()
        while (rest := outstanding(plans, read_lines(out))) and (until is None or time.time() < until):
            if pause_file is not None and pause_file.exists():
                say(f"paused while {pause_file} exists")
                while pause_file.exists():
                    time.sleep(PAUSE_S)
            plan = rest[0]
            say(
                f"{time.strftime('%H:%M:%S')} {plan.name}, {len(rest)} of {len(plans)} to go: {plan.tree} "
                f"{plan.compression}, {plan.quota_pct:g} % on {plan.cores}, {plan.disk}, {plan.link_mbps:g} Mbit/s"
            )
            try:
                line: dict[str, object] = once(place, plan, say=lambda text: say(f"    {text}"))
            except (AdvisorError, OSError) as error:
                line = {"name": plan.name, "failed": str(error), "disturbed": True, "disturbed_reason": "failed"}
            append_line(out, line)
            added += 1
            say(f"  total {line.get('total_s', 0)} s {line.get('failed', '')}{line.get('disturbed_reason', '')}")
    return added
