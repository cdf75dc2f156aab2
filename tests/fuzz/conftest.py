"""Fuzzing of readers: cases until the time is up, each a file's bytes; what falls is kept as a file and said."""

from __future__ import annotations

import hashlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from advisor.errors import AdvisorError

SECONDS = float(os.environ.get("ADVISOR_FUZZ_S", "2"))
"""How long each target is fuzzed [s]; `.ci/run` sets its own."""

MOST_S = 10.0
"""Most processor time for one case of at most a few ten thousand bytes [s]."""

FOUND = Path(__file__).parent / "found"
"""A folder a target with the cases that fell once; a new one is written there, to be added."""

ROUND = settings(
    max_examples=50, deadline=None, derandomize=False, print_blob=True, suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate, Phase.shrink),
)  # fmt: skip


@contextmanager
def bounded(seconds: float = MOST_S) -> Iterator[None]:
    """Stop what takes more processor time than it should."""

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise AssertionError(f"took more than {seconds:g} s")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def _attack(read: Callable[[bytes], object], case: bytes) -> None:
    """Hand a reader a case: it is read, or refused in this package's own words, soon."""
    with bounded():
        try:
            read(case)
        except AdvisorError as error:
            assert error.message.endswith("."), error.message
            assert len(error.message) < 2_000, len(error.message)


def _fuzz(name: str, cases: st.SearchStrategy[bytes], read: Callable[[bytes], object]) -> int:
    """Hand a reader cases until the time is up.

    Parameters
    ----------
    name : str
        Of the target, and of its folder below `FOUND`.
    cases : strategy of bytes
    read : callable

    Returns
    -------
    int
        How many cases were tried.
    """
    last, tried = b"", 0

    @ROUND
    @given(cases)
    def one(case: bytes) -> None:
        nonlocal last, tried
        last, tried = case, tried + 1
        _attack(read, case)

    until = time.monotonic() + SECONDS
    while True:
        try:
            one()
        except BaseException:
            # Hypothesis ends with the smallest case, so that is the last one tried.
            kept = FOUND / name / hashlib.sha256(last).hexdigest()[:16]
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_bytes(last)
            print(f"The case is kept as {kept}: {last[:300]!r}")
            raise
        if time.monotonic() >= until:
            print(f"{name}: {tried} cases in {SECONDS:g} s")
            return tried


@st.composite
def _mutated(draw: st.DrawFn, seeds: list[bytes], tokens: list[bytes]) -> bytes:
    """A true file with parts taken out, doubled, overwritten, and words put in that a reader takes seriously."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(data)))
        end = min(len(data), at + draw(st.sampled_from([0, 1, 2, 8, 64, 1_000])))
        word = draw(st.one_of(st.sampled_from(tokens), st.binary(max_size=8), st.text(max_size=8).map(_utf8)))
        what = draw(st.sampled_from(["put", "over", "out", "double", "repeat", "splice"]))
        if what == "put":
            data = data[:at] + word + data[at:]
        elif what == "over":
            data = data[:at] + word + data[at + len(word) :]
        elif what == "out":
            data = data[:at] + data[end:]
        elif what == "double":
            data = data[:end] + data[at:end] + data[end:]
        elif what == "repeat":
            data = data[:at] + word * draw(st.sampled_from([2, 50, 5_000])) + data[at:]
        else:
            other = draw(st.sampled_from(seeds))
            data = data[:at] + other[at:]
    return data[:200_000]


def _utf8(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


@pytest.fixture
def fuzz() -> Callable[[str, st.SearchStrategy[bytes], Callable[[bytes], object]], int]:
    """Hand a reader cases until the time is up."""
    return _fuzz


@pytest.fixture
def attack() -> Callable[[Callable[[bytes], object], bytes], None]:
    """Hand a reader one case."""
    return _attack


@pytest.fixture
def mutated() -> Callable[[list[bytes], list[bytes]], st.SearchStrategy[bytes]]:
    """Cases made of true files."""
    return _mutated
