"""`advisor handover`: what it prints, its exit codes, what the shop waives, and what goes into the log."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest
from base import SECRET, plant_clean, put

from advisor.benchlog import BenchLog, ready
from advisor.errors import InputError
from advisor.handover import check, rules
from advisor.handover.report import PARTS
from advisor.shop import Shop, Waived


@pytest.fixture
def root(tmp_path):
    plant_clean(tmp_path / "unit")
    return tmp_path / "unit"


def run(tmp_path, *words):
    return subprocess.run(
        [sys.executable, "-c", "from advisor.cli import main; main()", "handover", *map(str, words)],
        capture_output=True, text=True, env={**os.environ, "ADVISOR_HOME": str(tmp_path / "home")}, timeout=120,
        check=False,
    )  # fmt: skip


def test_clean_is_0_and_an_empty_array(root, tmp_path):
    done = run(tmp_path, "--root", root, "--json")
    assert (done.returncode, json.loads(done.stdout), done.stderr) == (0, [], "")


def test_a_finding_is_1_and_an_object(root, tmp_path):
    put(root, "root/.netrc", f"machine a login b password {SECRET}\n")
    done = run(tmp_path, "--root", root, "--json")
    [token] = [one for one in json.loads(done.stdout) if one["rule"] == "token"]
    assert done.returncode == 1 and set(token) == {"rule", "severity", "paths", "why", "mend"}
    assert token["severity"] == "must mend" and token["paths"] == ["root/.netrc"] and "# deletes" in token["mend"]
    assert str(root / "root/.netrc") in token["mend"] and SECRET not in done.stdout


def test_no_root_is_2(tmp_path):
    assert run(tmp_path, "--root", tmp_path / "none", "--json").returncode == 2


def test_what_was_written_is_read_back(root, tmp_path):
    put(root, "root/.netrc", "x")
    made = tmp_path / "result.json"
    made.write_text(run(tmp_path, "--root", root, "--json").stdout)
    done = run(tmp_path, "--from", made)
    assert done.returncode == 1 and "MUST MEND  Token or password of a service  (token)" in done.stdout


def test_the_log_keeps_the_result(root, tmp_path):
    put(root, "root/.netrc", "x")
    run(tmp_path, "--root", root, "--tag", "OM-1003", "--log", tmp_path / "log.sqlite")
    with BenchLog(tmp_path / "log.sqlite") as book:
        row = ready.latest(book, "OM-1003")
    assert row["must"] == 1 and "must mend: Token or password of a service: root/.netrc" in json.loads(row["findings"])


def test_the_demo_is_kept_too_so_that_the_readme_can_be_followed(tmp_path):
    """The README: with --tag the result is kept in the log, and 11 things must be mended."""
    run(tmp_path, "--demo", "--tag", "OM-1003", "--log", tmp_path / "log.sqlite")
    with BenchLog(tmp_path / "log.sqlite") as book:
        assert ready.latest(book, "OM-1003")["must"] == 11


def test_the_demo_is_json_where_asked_and_refuses_what_would_need_a_real_unit(tmp_path):
    found = json.loads(run(tmp_path, "--demo", "--json").stdout)
    assert sum(one["severity"] == "must mend" for one in found) == 11
    done = run(tmp_path, "--demo", "--slip", tmp_path / "slip.pdf")
    assert done.returncode == 2 and "invented" in done.stderr and not (tmp_path / "slip.pdf").exists()


def test_a_shop_waives_a_rule_with_a_reason(root):
    put(root, "etc/hostname", "bench-07\n")
    shop = Shop(waived=(Waived(rule="hostname", reason="the recipient chose it"),))
    report = check(root, shop=shop)
    assert report.findings == () and "Waived by the shop: hostname, because the recipient chose it" in report.lines()


@pytest.mark.parametrize(
    ("rule", "reason", "words"), [("hostnme", "a b", "does not exist"), ("hostname", "no", "reason")]
)
def test_a_rule_is_not_waived_by_mistake(root, rule, reason, words):
    with pytest.raises(InputError, match=words):
        check(root, shop=Shop(waived=(Waived(rule=rule, reason=reason),)))


def test_a_shop_adds_a_rule(root, tmp_path, monkeypatch):
    own = put(tmp_path, "home/tables/handover/rules.csv", "")
    header = "id,part,severity,title,where,look,pattern,why,mend,source\n"
    own.write_text(header + "asset,left,must mend,Asset label,etc/asset,there,,ours,rm -- {path},our own\n")
    put(root, "etc/asset", "7\n")
    done = run(tmp_path, "--root", root, "--json")
    assert [one["paths"] for one in json.loads(done.stdout) if one["rule"] == "asset"] == [["etc/asset"]]


@pytest.mark.parametrize("place", ["etc/motd", "var/lib/app/state", "usr/local/etc/x.conf"])
def test_names_of_the_bench_are_found_anywhere(root, place):
    put(root, place, "Prepared by BENCHY at Werkstätte Nord\n")
    for name in ("benchy", "Werkstätte Nord"):
        [found] = [one for one in check(root, names=[name]).findings if one.rule == "names-bench"]
        assert found.paths == (place,)
    assert "names-bench" not in {one.rule for one in check(root, names=["bench"]).findings}


def test_a_name_is_learnt_from_what_is_left_of_an_account(root):
    put(root, "etc/passwd-", "benchy:x:1000:1000::/home/benchy:/bin/bash\n")
    put(root, "etc/motd", "ask benchy\n")
    assert "names-bench" in {one.rule for one in check(root).findings}


def test_firmware_of_the_units_own_devices(root):
    """iwlwifi asks for its ucode; firmware-iwlwifi ships it (Debian 12, package metadata)."""
    from advisor.unit import Unit

    unit = Unit(asset_tag="x", wireless="8086:24f3", storage_kind="sata ssd")
    [found] = [one for one in check(root, unit=unit).findings if one.rule == "firmware"]
    assert "firmware-iwlwifi" in found.mend
    with (root / "var/lib/dpkg/status").open("a") as status:
        status.write("Package: firmware-iwlwifi\nStatus: install ok installed\nArchitecture: all\nVersion: 1\n\n")
    assert "firmware" not in {one.rule for one in check(root, unit=unit).findings}


def test_trim_on_an_ssd(root):
    from advisor.unit import Unit

    assert "trim" in {one.rule for one in check(root, unit=Unit(storage_kind="sata ssd")).findings}
    assert "trim" not in {one.rule for one in check(root, unit=Unit(storage_kind="spinning disk")).findings}
    link = root / "etc/systemd/system/timers.target.wants/fstrim.timer"
    link.parent.mkdir(parents=True)
    link.symlink_to("/usr/lib/systemd/system/fstrim.timer")
    assert "trim" not in {one.rule for one in check(root, unit=Unit(storage_kind="sata ssd")).findings}


def test_a_partition_that_nobody_uses(root):
    for name, number in (("sda1", "8:1"), ("sda2", "8:2"), ("sda3", "8:3")):
        put(root, f"sys/devices/{name}/partition", "1\n")
        put(root, f"sys/devices/{name}/dev", f"{number}\n")
        (root / "sys/class/block").mkdir(parents=True, exist_ok=True)
        (root / f"sys/class/block/{name}").symlink_to(f"../../devices/{name}")
        put(root, f"run/udev/data/b{number}", f"E:ID_FS_TYPE=ntfs\nE:ID_FS_UUID=U-{name}\n")
    put(root, "proc/self/mountinfo", "22 1 8:1 / / rw - ext4 /dev/sda1 rw\n")
    put(root, "proc/swaps", "Filename Type Size Used Priority\n/dev/sda2 partition 1 0 -2\n")
    assert {one.rule: one.paths for one in check(root).findings} == {"old-partition": ("sys/class/block/sda3",)}


def test_it_is_said_when_nothing_would_make_the_recipients_account(root):
    """machine-id(5): only a missing file, or 'uninitialized', makes the first start; an empty one does not."""
    said = lambda: [line for line in check(root).not_judged if line.startswith("first start")]  # noqa: E731
    assert [line.endswith("(gnome-initial-setup)") for line in said()] == [True]
    put(root, "etc/machine-id", "")
    assert [line.endswith("'uninitialized' for systemd-firstboot to ask") for line in said()] == [True]
    with (root / "var/lib/dpkg/status").open("a") as status:
        status.write("Package: gnome-initial-setup\nStatus: install ok installed\nArchitecture: amd64\nVersion: 43\n\n")
    assert said() == []


def test_lists_that_are_old_and_updates_that_wait(root):
    path = put(
        root, "var/lib/apt/lists/mirror.example.org_debian_dists_bookworm_main_binary-amd64_Packages",
        "Package: bash\nVersion: 5.2.15-2+b8\nArchitecture: amd64\n\nPackage: zsh\nVersion: 9\nArchitecture: amd64\n",
    )  # fmt: skip
    assert {one.rule for one in check(root).findings} == {"updates"}
    path.write_text("Package: bash\nArchitecture: amd64\nVersion: 5.2.15-2+b7\n")
    assert check(root).findings == ()
    os.utime(path, (1e9, 1e9))
    assert {one.rule for one in check(root).findings} == {"lists-old"}


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ("1.0~rc1", "1.0"), ("1.0", "1.0-1"), ("1.9", "1.10"), ("1:0.1", "2:0"), ("9", "1:1"), ("1.0a", "1.0+b1"),
        ("5.2.15-2+b7", "5.2.15-2+b8"), ("2.36-9+deb12u4", "2.36-9+deb12u10"), ("1.0~~", "1.0~"),
    ],
)  # fmt: skip
def test_versions_are_ordered_as_dpkg_does(older, newer):
    """dpkg --compare-versions says the same (Debian Policy 5.6.12)."""
    from advisor.handover.apt import version_key

    assert version_key(older) < version_key(newer)
    assert subprocess.run(["dpkg", "--compare-versions", older, "lt", newer], check=False).returncode == 0


@pytest.mark.parametrize("rule", rules.every(), ids=lambda rule: rule.id)
def test_a_row_is_whole(rule):
    assert rule.part in PARTS and rule.why and rule.source
    if rule.look in ("line", "text", "link", "name", "apt", "debconf", "missing", "head"):
        assert rule.head_regex if rule.look == "head" else rule.regex
    deletes = re.search(r"\brm\b|\bwipefs\b|userdel|purge|apt-get clean|-B\b", rule.mend)
    assert not deletes or re.search("# .*deletes", rule.mend) or "chattr" in rule.mend


def test_the_readme_shows_what_the_demo_prints(tmp_path):
    """All of it on one screen of 24 lines, and the number of what must be mended in the log's sentence too."""
    from pathlib import Path

    done = run(tmp_path, "--demo")
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    lines = done.stdout.splitlines()
    shown = readme.split("<!-- handover-demo -->")[1].split("```")[1].splitlines()[1:-1]
    assert [line.strip() for line in shown] == lines and len(lines) <= 24
    must = re.search(r"\d+ must", lines[1])[0].split()[0]
    assert f"has {must} open 'must mend'" in readme
