"""The harness itself: what falls is found, made small, kept and said; what takes too long is stopped."""

from __future__ import annotations

import sys
import time

import pytest
from hypothesis import strategies as st

from advisor.errors import InputError


@pytest.fixture
def harness(fuzz, tmp_path, monkeypatch):
    """The harness's module, keeping what it finds in a folder of the test's own."""
    module = sys.modules[fuzz.__module__]
    monkeypatch.setattr(module, "FOUND", tmp_path)
    monkeypatch.setattr(module, "SECONDS", 5.0)
    return module


def test_what_falls_is_kept_small_and_said(harness, fuzz, tmp_path, capsys):
    def read(case: bytes) -> None:
        if b"x" in case:
            raise KeyError("x")

    with pytest.raises(KeyError):
        fuzz("target", st.binary(max_size=40), read)
    [kept] = (tmp_path / "target").iterdir()
    assert kept.read_bytes() == b"x"
    assert str(kept) in capsys.readouterr().out


def test_an_error_of_our_own_is_no_fall(harness, fuzz, monkeypatch):
    monkeypatch.setattr(harness, "SECONDS", 0.2)

    def read(case: bytes) -> None:
        raise InputError("It is no sheet.")

    assert fuzz("target", st.binary(max_size=4), read) > 10


def test_what_takes_too_long_is_stopped(harness):
    start = time.process_time()
    with pytest.raises(AssertionError, match="took more than"), harness.bounded(0.3):
        while True:
            pass
    assert time.process_time() - start < 5


def test_a_sentence_without_an_end_falls(attack):
    def read(case: bytes) -> None:
        raise InputError("oops")

    with pytest.raises(AssertionError):
        attack(read, b"")
