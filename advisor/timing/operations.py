"""Hands-on time from operations: each phase as steps, each step as operators with counts, each operator with its time.

Times of single operators are published means for practised, faultless work, so an allowance comes on top. What a shop's
own log says of its pace stands above all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from advisor import tables
from advisor.timing.conformal import Z

Array = NDArray[np.float64]

ALLOWANCE = 0.11
"""Share of the time added for rest: personal needs 5 %, basic fatigue 4 %, standing 2 %. International Labour Office,
Introduction to Work Study, table of relaxation allowances."""

STEP_ERROR = 0.21
"""How far a step of its own misses, as a share of it: root mean square error of a task by the keystroke-level model,
Card, Moran and Newell, CACM 23(7), 1980, 396-410, abstract."""

PACE_CORRELATION = 0.5
"""How far the pace of one person at two kinds of operator goes together; from memory."""

_SHIFTED = set('~!@#$%^&*()_+{}|:"<>?')
_SCREENS = "the screens of "


@dataclass(frozen=True)
class Operators:
    """The operators as arrays: seconds for the mean of persons, and how far persons differ [share of 1]."""

    names: tuple[str, ...]
    seconds: Array
    spread: Array
    remembered: NDArray[np.bool_]

    def counts(self, text: str, typed: str = "") -> Array:
        """Counts of the operators in a cell such as '2 key + 1 think', and of the keys that a text takes to type."""
        out = np.zeros(len(self.names))
        for part in filter(None, text.split(" + ")):
            number, _, name = part.partition(" ")
            if name not in self.names:
                raise tables.damaged("timing/operators", f"it has no operator {name!r}")
            out[self.names.index(name)] += float(number)
        out[self.names.index("key")] += keystrokes(typed)
        return out


def keystrokes(text: str) -> int:
    """Keys pressed to type a text; Shift is a key of its own, as the keystroke-level model counts it."""
    return len(text) + sum(one.isupper() or one in _SHIFTED for one in text)


@cache
def operators() -> Operators:
    """The table of operators."""
    rows = tables.dicts("timing/operators")
    seconds, low, high = (np.array([float(row[name]) for row in rows]) for name in ("seconds", "low", "high"))
    return Operators(
        tuple(row["operator"] for row in rows), seconds, (high - low) / (2 * Z) / seconds,
        np.array(["from memory" in row["source"] for row in rows]),
    )  # fmt: skip


@dataclass(frozen=True)
class Steps:
    """All steps of the work, in order, as arrays of shape (n_steps, ...)."""

    phase: tuple[str, ...]
    title: tuple[str, ...]
    applies_when: tuple[str, ...]
    typed: tuple[str, ...]
    source: tuple[str, ...]
    counts: Array  # shape (n_steps, n_operators)
    seconds: Array  # With the allowance, waits apart [s]
    wait: Array  # Stood by while the machine works, at the most [s]
    spread: Array  # How far units differ in how much there is of the step [share of 1]
    # meanwhile, after: Whether it can be done while the machine works, and whether it is only done once the machine is
    # ready.
    meanwhile: NDArray[np.bool_]
    after: NDArray[np.bool_]
    remembered: Array  # Seconds of it whose operator's time, or whose count, is from memory [s]


@cache
def steps() -> Steps:
    """The table of steps; those of an installer's screens are unfolded from `timing/screens`."""
    order = {row["phase"]: int(row["order"]) for row in tables.dicts("timing/phases")}
    rows = sorted(tables.dicts("timing/operations"), key=lambda row: (order[row["phase"]], int(row["step"])))
    known = operators()
    step_counts = np.array([_counts_of(row["operators"], row["typed"]) for row in rows])
    at = known.names.index("wait")
    wait = step_counts[:, at].copy()
    step_counts[:, at] = 0.0
    counts = step_counts + np.array([_cycle(row["title"]) for row in rows])
    seconds, of_own = (each * known.seconds * (1 + ALLOWANCE) for each in (counts, step_counts))
    by_heart = np.array(["from memory" in row["source"] for row in rows])
    words = {name: tuple(row[name] for row in rows) for name in ("phase", "title", "applies_when", "typed", "source")}
    return Steps(
        phase=words["phase"], title=words["title"], applies_when=words["applies_when"], typed=words["typed"],
        source=words["source"], counts=counts, seconds=seconds.sum(axis=1), wait=wait,
        spread=np.array([(float(row["high"]) - float(row["low"])) / (2 * Z) for row in rows]),
        meanwhile=np.array([row["meanwhile"] == "yes" for row in rows]),
        after=np.array([row["meanwhile"] == "after" for row in rows]),
        remembered=np.where(by_heart, of_own.sum(axis=1), of_own @ known.remembered),
    )  # fmt: skip


def _cycle(title: str) -> Array:
    """What every step has: it is taken in, by its title on the sheet, and seen to be done.

    Card, Studies in the psychology of computer text editing systems, SSL-78-1, 1978, abstract: a task is a cycle of
    taking it in, finding its place, doing it and verifying it; the row of the table has the middle two.
    """
    return operators().counts(f"{len(title.split())} word + 1 think")


def _counts_of(text: str, typed: str) -> Array:
    if not text.startswith(_SCREENS):
        return operators().counts(text, typed)
    return np.sum(
        [operators().counts(row["operators"], row["typed"]) for row in screens(text[len(_SCREENS) :])], axis=0
    )


def screens(kind: str) -> list[dict[str, str]]:
    """The rows of `timing/screens` of a kind, in order."""
    found = [row for row in tables.dicts("timing/screens") if row["kind"] == kind]
    if not found:
        raise tables.damaged("timing/screens", f"it has no row of the kind {kind!r}")
    return sorted(found, key=lambda row: int(row["order"]))


def times(conditions: Mapping[str, Array], n: int) -> Array:
    """How often each step is done on each unit.

    Parameters
    ----------
    conditions : mapping of str to numpy.ndarray, each of shape (n,)
        What the column `applies_when` of `timing/operations` names: 0, 1, or a count.

    Returns
    -------
    numpy.ndarray, shape (n, n_steps)
    """
    return np.column_stack([_holds(text, conditions, n) for text in steps().applies_when])


def _holds(text: str, conditions: Mapping[str, Array], n: int) -> Array:
    if not text:
        return np.ones(n)
    any_of = []
    for part in text.split(" | "):
        all_of = np.ones(n)
        for word in part.split(" & "):
            name = word.removeprefix("not ")
            if name not in conditions:
                raise tables.damaged("timing/operations", f"{name!r} in applies_when is no condition")
            all_of = all_of * (conditions[name] if name == word else 1.0 - conditions[name])
        any_of.append(all_of)
    return np.asarray(np.max(any_of, axis=0), dtype=float)


@dataclass(frozen=True)
class Sums:
    """Sums over the steps of each unit."""

    # seconds, wait, meanwhile: By phase [s], shape (n, n_phases).
    seconds: Array
    wait: Array
    meanwhile: Array
    # Of the sum over the phases [s2]: each step misses by itself, and one person's pace runs through all of them, shape
    # (n,).
    variance: Array
    remembered: Array  # Seconds that rest on memory [s], shape (n,)


def sums(done: Array, phases: tuple[str, ...]) -> Sums:
    """Add up what is done; `done` from `times`, shape (n, n_steps)."""
    table, known = steps(), operators()
    into = np.array([[phase == name for name in phases] for phase in table.phase], dtype=float)
    exposed = (done @ (table.counts * known.seconds * (1 + ALLOWANCE))) * known.spread
    scatter = (table.seconds**2) * (STEP_ERROR**2 + table.spread**2)
    return Sums(
        (done * table.seconds) @ into, (np.minimum(done, 1) * table.wait) @ into,
        (done * table.seconds * table.meanwhile) @ into, pace_variance(exposed) + done**2 @ scatter,
        done @ table.remembered,
    )  # fmt: skip


def pace_variance(exposed: Array) -> Array:
    """Variance of a sum whose parts one person does, each with its standard deviation [s]; shape (n,) of (n, k)."""
    apart = (1 - PACE_CORRELATION) * (exposed**2).sum(axis=1)
    return np.asarray(PACE_CORRELATION * exposed.sum(axis=1) ** 2 + apart, dtype=float)


PARTS = (
    "memory", "memory out", "ssd sata", "ssd nvme", "ssd msata", "ssd m.2 sata", "wireless usb", "wireless m.2",
    "wireless mini pcie",
)  # fmt: skip
"""Parts that `timing/fitting` knows, as their kind and what they fit."""

OUTSIDE = ("wireless usb",)
"""Parts for which no box is opened."""


@cache
def _fitting() -> dict[tuple[str, str], tuple[float, float]]:
    """Minutes of each row of `timing/fitting`, and those of them that rest on memory."""
    known, out = operators(), {}
    for row in tables.dicts("timing/fitting"):
        counts = known.counts(row["operators"]) + known.counts(row["back"])
        parts = counts * known.seconds * (1 + ALLOWANCE) / 60
        whole = float(parts.sum())
        out[row["what"], row["name"]] = whole, whole if "memory" in row["source"] else float(parts @ known.remembered)
    return out


def boxes() -> frozenset[str]:
    """Kinds of box, and traps of models, whose opening is known."""
    return frozenset(name for what, name in _fitting() if what == "box")


def opening_min(box: NDArray[np.object_]) -> Array:
    """Minutes to open and to close each box, and those of them from memory [min]; shape (n, 2).

    A kind that is not known is as a laptop.
    """
    known = _fitting()
    names, codes = np.unique(box.astype(str), return_inverse=True)
    return np.array([known.get(("box", name), known["box", ""]) for name in names]).reshape(-1, 2)[codes]


def part_min(kind: str, fits: str) -> tuple[float, float]:
    """Minutes to fit one part in an open box, and those of them from memory [min]."""
    return _fitting()["part", part_name(kind, fits)]


def part_name(kind: str, fits: str) -> str:
    """Row of `timing/fitting` for a part; what a shop words in its own way is as the usual one of its kind."""
    name = f"{kind} {fits}"
    return name if name in PARTS else {"ssd": "ssd sata", "wireless": "wireless usb"}.get(kind, "memory")


def worded(counts: Array) -> str:
    """A step's operators in words, such as '2 key, 1 think'."""
    return ", ".join(f"{number:g} {name}" for name, number in zip(operators().names, counts, strict=True) if number)
