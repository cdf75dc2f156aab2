"""Files made to stop the check: it ends, says what it could not look into, and finds the rest."""

from __future__ import annotations

import gzip
import signal
import sqlite3
import time

import pytest
from base import plant_clean, put
from leftovers import NET

from advisor.handover import check, patience
from advisor.handover.contents import count, members

MANY = "9" * 5000
"""More digits than `int` takes of a text (docs.python.org, sys.set_int_max_str_digits)."""


@pytest.fixture
def root(tmp_path):
    plant_clean(tmp_path / "unit")
    return tmp_path / "unit"


@pytest.mark.parametrize(
    ("path", "content"),
    [
        ("etc/passwd", f"root:x:0:0:root:/root:/bin/sh\na:x:{MANY}:0::/home/a:/bin/sh\n"),
        ("var/backups/passwd.bak", f"a:x:{MANY}:0::/home/a:/bin/sh\n"),
        ("etc/group", f"root:x:0:\na:x:{MANY}:\n"),
        (
            "var/lib/dpkg/status",
            f"Package: bash\nStatus: install ok installed\nArchitecture: amd64\nVersion: {MANY}\n\n",
        ),
    ],
)
def test_numbers_without_an_end(root, path, content):
    put(root, path, content)
    put(root, "var/lib/apt/lists/a_dists_b_Packages", f"Package: bash\nArchitecture: amd64\nVersion: {MANY}1\n\n")
    put(root, "etc/NetworkManager/system-connections/Shop", NET)
    assert {"network-profile", "updates"} <= {one.rule for one in check(root).findings}


def database(tmp_path, *statements: str) -> bytes:
    with sqlite3.connect(tmp_path / "made") as db:
        for one in statements:
            db.execute(one)
    return (tmp_path / "made").read_bytes()


ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x FROM c"


def test_a_view_in_the_place_of_a_table_holds_something_and_is_not_asked(root, tmp_path):
    path = "etc/skel/.mozilla/firefox/x.default/cookies.sqlite"
    put(root, path, database(tmp_path, f"CREATE VIEW moz_cookies AS {ENDLESS}"))
    assert path in {one.rule: one.paths for one in check(root).findings}["browser-cookies"]


def test_a_count_without_an_end_is_stopped(tmp_path, monkeypatch):
    monkeypatch.setattr("advisor.handover.contents.MOST_TURNS", 100)
    assert count(database(tmp_path, "CREATE TABLE a (b)"), b"", f"SELECT count(*) FROM ({ENDLESS})") == 1


def trailer() -> bytes:
    """The end of an archive (cpio(5), new ASCII format)."""
    name = b"TRAILER!!!\0"
    head = b"070701" + b"".join(b"%08X" % one for one in (0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, len(name), 0)) + name
    return head + b"\0" * (-len(head) % 4)


def test_archives_in_archives_are_unpacked_up_to_a_limit_together(monkeypatch):
    """Eight of 2 MB in each other, where 5 MB may be unpacked."""
    monkeypatch.setattr("advisor.handover.contents.MOST_UNPACKED", 5 << 20)
    unpacked: list[int] = []
    real = gzip.GzipFile.read

    def read(file, size=-1):
        part = real(file, size)
        unpacked.append(len(part))
        return part

    monkeypatch.setattr(gzip.GzipFile, "read", read)
    inner = b""
    for _ in range(8):
        inner = gzip.compress(trailer() + b"\0" * (2 << 20) + inner)
    assert list(members(inner)) == [] and sum(unpacked) <= 5 << 20


@pytest.mark.parametrize(
    ("path", "content"),
    [
        ("etc/apt/apt.conf.d/9", "/* " * (1 << 17)),
        ("etc/apt/apt.conf.d/9", '"' + '\\" ' * (1 << 17)),
        ("etc/aliases", "a@" * (1 << 19)),
        ("etc/passwd.old", "\n" * (1 << 20)),
    ],
    ids=["comments", "quotes", "addresses", "lines"],
)
def test_what_takes_too_long_is_said_and_the_rest_is_found(root, monkeypatch, path, content):
    monkeypatch.setattr(patience, "LONGEST_LOOK_S", 0.5)
    before = signal.getsignal(signal.SIGALRM)
    put(root, path, content)
    put(root, "etc/NetworkManager/system-connections/Shop", NET)
    began = time.monotonic()
    report = check(root)
    assert time.monotonic() - began < 60
    assert "too long" in report.unseen.get(path, "too long")
    assert "network-profile" in {one.rule for one in report.findings}
    assert signal.getsignal(signal.SIGALRM) == before and signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_a_check_that_was_too_slow_for_a_file_is_not_clean(root, monkeypatch):
    monkeypatch.setattr(patience, "LONGEST_LOOK_S", 0.2)
    put(root, "etc/apt/apt.conf.d/9", "/* " * (1 << 18))
    report = check(root)
    assert report.exit_code == 2 and "takes too long" in report.unseen["etc/apt/apt.conf.d/9"]
