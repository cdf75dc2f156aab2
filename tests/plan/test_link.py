"""Fair shares, the package cache, and what is prepared the evening before."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.errors import ToolError
from advisor.plan.evening import Package, fetch
from advisor.plan.link import CACHE_COMMANDS, cache_pays, fair_shares


def test_fair_shares_of_a_fluid_worked_out_by_hand() -> None:
    """10 a minute; 100 from 0 on, 50 from 4 on. At 4 the first has 60 left; both at 5 a minute, the second is done at
    14, the first has 10 left then and is done at 15. A third, from 20 on, is alone: 30 take 3."""
    assert fair_shares([0, 4, 20], [100, 50, 30], 10) == pytest.approx([15, 14, 23])
    assert fair_shares([0, 0, 0], [30, 30, 30], 10) == pytest.approx([9, 9, 9])
    assert fair_shares([2], [0], 10) == [2]


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 99)), min_size=1, max_size=8))
def test_a_link_neither_loses_nor_makes_anything(some: list[tuple[int, int]]) -> None:
    """The last is done when a single queue would be: the link is never idle while anything is left."""
    starts, sizes = [one for one, _ in some], [two for _, two in some]
    now = 0.0
    for start, size in sorted(some):
        now = max(now, start) + size / 10
    done = fair_shares(starts, sizes, 10)
    assert max(done) == pytest.approx(now)
    assert all(end >= start + size / 10 - 1e-9 for start, size, end in zip(starts, sizes, done, strict=True))


def test_from_how_many_units_a_cache_pays_by_hand() -> None:
    """300 MiB are 62.9 s at 40 Mbit/s and 2.7 s at 941: 1.0 min saved, less 0.2 of hands leaves 0.80; 6 min of set-up
    are won back by 8 units, after the first of each of 2 kinds."""
    assert cache_pays(300, 40, 2) == 10
    assert cache_pays(300, 941, 2) is None


def test_the_hand_over_check_finds_the_proxy_that_the_commands_leave(tmp_path: Path) -> None:
    from advisor import handover

    path, line = CACHE_COMMANDS[1].rpartition(" ")[2], CACHE_COMMANDS[1].split("'")[1]
    file = tmp_path / path.lstrip("/")
    file.parent.mkdir(parents=True)
    file.write_text(line + "\n", encoding="utf-8")
    (tmp_path / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/bash\n", encoding="utf-8")
    found = handover.check(tmp_path)
    assert any("etc/apt/apt.conf.d/80bench" in path for one in found.findings for path in one.paths)


APT = """#!/bin/sh
[ "$1 $2" = "-q download" ] || exit 9
case "$3" in
  firmware-brcm80211/trixie) printf packed > firmware-brcm80211_1_all.deb ;;
  *) echo "E: Release 'nowhere' for '$3' was not found" >&2; exit 100 ;;
esac
"""


def test_packages_are_fetched_with_apt_and_their_sums_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in = tmp_path / "bin" / "apt-get"
    stand_in.parent.mkdir()
    stand_in.write_text(APT, encoding="utf-8")
    stand_in.chmod(0o755)
    monkeypatch.setenv("PATH", f"{stand_in.parent}:{os.environ['PATH']}")
    wanted = (
        Package("firmware-brcm80211", "13", ("A-1",), False),
        Package("kernel/13-backports", "13", ("A-2",), True),
    )
    files, problems = fetch(wanted, tmp_path / "stick")
    assert [one.name for one in files] == ["firmware-brcm80211_1_all.deb"]
    said = "Release 'nowhere' for 'kernel/trixie-backports' was not found"
    assert problems == [f"kernel of trixie-backports was not fetched: {said}"]
    digest = hashlib.sha256(b"packed").hexdigest()
    sums = (tmp_path / "stick" / "SHA256SUMS").read_text(encoding="utf-8")
    assert sums == f"{digest}  debian-13/firmware-brcm80211_1_all.deb\n"


def test_without_apt_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ToolError, match="no apt-get"):
        fetch((Package("a", "13", (), False),), tmp_path)


@pytest.mark.slow
@pytest.mark.outside
@pytest.mark.skipif(shutil.which("apt-get") is None, reason="needs apt")
def test_the_archives_own_apt_gives_a_package(tmp_path: Path) -> None:
    """Debian's apt: a package of the release that this machine runs; its sum is that of the package index."""
    import subprocess

    from advisor.releases import CODENAMES

    said = Path("/etc/os-release").read_text(encoding="utf-8")
    release = next((one for one in CODENAMES if f'VERSION_ID="{one}"' in said), None)
    if release is None:
        pytest.skip("this machine runs none of the releases")
    files, problems = fetch((Package("hostname", release, (), False),), tmp_path)
    assert not problems
    index = subprocess.run(["apt-cache", "show", "hostname"], capture_output=True, text=True, check=True).stdout
    assert hashlib.sha256(files[0].read_bytes()).hexdigest() in index
