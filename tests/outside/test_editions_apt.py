"""Footprints against what apt itself reports, and against the Installation Guide's own table of sizes.

References: apt (its summary of `apt-get install --assume-no`), Debian 12 and 13's package index at the time of the run;
Debian GNU/Linux Installation Guide (package installation-guide-amd64), section D.2, both releases.
"""

from __future__ import annotations

import re

import pytest

from advisor import editions
from advisor.errors import ToolError
from advisor.lab.tables.apt import Apt
from advisor.lab.tables.editions import guide_page, source_of

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def suites(tmp_path_factory):
    return {}


@pytest.fixture
def suite(suites, tmp_path_factory, need, missing):
    def prepared(release: str) -> Apt:
        need("apt-get")
        if release not in suites:
            try:
                suites[release] = source_of(release, "amd64", tmp_path_factory.mktemp(f"apt{release}"))
            except ToolError as error:
                missing(f"the package index of Debian {release}: {error}")
        return suites[release]

    return prepared


@pytest.mark.slow
@pytest.mark.parametrize(("release", "task"), [("13", "task-xfce-desktop"), ("12", "task-gnome-desktop")])
def test_sums_over_the_index_are_what_apt_reports(suite, release, task):
    one = suite(release)
    index = one.index()
    chosen = [index[item] for item in one.resolve([task])]
    said = one.call("apt-get", "install", "--assume-no", task, check=False).stdout
    count = int(re.search(r"(\d+) newly installed", said).group(1))
    fetched = re.search(r"Need to get ([\d,]+(?:\.\d+)?) (MB|GB) of archives", said)
    unpacked = re.search(r"After this operation, ([\d,]+(?:\.\d+)?) (MB|GB) of additional disk space", said)
    assert len(chosen) == count > 1000
    for found, total in (
        (fetched, sum(p.size for p in chosen)),
        (unpacked, sum(p.installed_kib for p in chosen) * 1024),
    ):
        # apt prints whole megabytes of 10**6 bytes up to 9999 MB.
        assert found.group(2) == "MB"
        assert total / 1e6 == pytest.approx(float(found.group(1).replace(",", "")), abs=1)


GUIDE_NAMES = {
    "GNOME (default)": "GNOME",
    "KDE Plasma": "KDE Plasma",
    "Cinnamon": "Cinnamon",
    "MATE": "MATE",
    "Xfce": "Xfce",
    "LXDE": "LXDE",
}


@pytest.mark.slow
@pytest.mark.parametrize("release", ["12", "13"])
def test_installed_sizes_agree_with_the_guides(suite, release):
    """The guide adds a task to a standard system, ours is one whole: within an eighth, as both drift with updates."""
    page, _ = guide_page(suite(release), "apds02.html")
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>|&nbsp;", " ", page)).replace("\u2022", " ").replace("\xa0", " ")
    standard = int(re.search(r"takes up (\d+)\s?MB", text).group(1))
    rows = editions.catalogue().query("release == @release and architecture == 'amd64'").set_index("edition")
    for name, edition in GUIDE_NAMES.items():
        task = int(re.search(rf"{re.escape(name)} (\d+) (\d+) (\d+)", text).group(1))
        assert rows.at[edition, "installed_mib"] == pytest.approx((standard + task) * 1e6 / 2**20, rel=0.125), edition
