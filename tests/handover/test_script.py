"""The script finds, in two shells, what the check finds by the rules that a shell can ask; and shows no secret."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from base import SECRET, plant_clean
from innocents import INNOCENTS
from leftovers import LEFTOVERS
from plant import plant

from advisor.errors import InputError
from advisor.handover import check, script
from advisor.handover.rules import every

SHELLS = [["dash"], ["busybox", "sh"]]
RULES = {rule.id: rule for rule in every()}
OVERWRITES = {"etc/passwd", "etc/shadow", "etc/fstab", "var/lib/dpkg/status"}
"""Files of which only one leftover can stand at a time; the last one stays."""


def run(shell, root, tmp_path) -> str:
    path = tmp_path / "handover.sh"
    path.write_text(script.generate())
    done = subprocess.run([*shell, str(path), str(root)], capture_output=True, text=True, timeout=300, check=False)
    assert done.stderr == "" and done.returncode in (0, 1)
    return done.stdout


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    root = tmp_path_factory.mktemp("full") / "root"
    plant_clean(root)
    for _, path, content in LEFTOVERS:
        if not (root / path).is_dir() or content is None:
            plant(root, path, content)
    return root


@pytest.mark.slow
@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_both_find_the_same(full, shell, tmp_path):
    said = run(shell, full, tmp_path)
    assert SECRET not in said
    report = script.read_back(said)
    here = {one.rule: set(one.paths) for one in check(full).findings}
    there = {one.rule: set(one.paths) for one in report.findings}
    left = {line.removeprefix("# not asked by script: ") for line in said.splitlines() if line.startswith("# not")}
    assert len(RULES) - len(left) >= 120
    missing = {rule: paths - there.get(rule, set()) for rule, paths in here.items() if rule not in left}
    assert {rule: paths for rule, paths in missing.items() if paths} == {}
    # A shell's '*' spans folders: what is in a folder that the check names may be named beside it.
    more = {
        path
        for rule, paths in there.items()
        for path in paths - here.get(rule, set())
        if not any(path.startswith(f"{known}/") for known in here.get(rule, ()))
    }
    assert more == set()


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_no_innocent_is_named(shell, tmp_path):
    root = tmp_path / "root"
    plant_clean(root)
    for path, content in INNOCENTS:
        if not path.startswith("etc/hostname"):
            plant(root, path, content)
    assert script.read_back(run(shell, root, tmp_path)).findings == ()


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_the_script_follows_nothing_out_of_the_root(shell, tmp_path):
    outside = tmp_path / "outside"
    plant(outside, ".ssh/id_rsa", "x")
    plant(outside, ".bash_history", "x")
    (tmp_path / "root/etc").mkdir(parents=True)
    (tmp_path / "root/home").symlink_to(outside)
    (tmp_path / "root/root").symlink_to("../outside")
    (tmp_path / "root/etc/skel").symlink_to("/")
    assert script.read_back(run(shell, tmp_path / "root", tmp_path)).findings == ()


@pytest.mark.slow
@pytest.mark.skipif(not shutil.which("shellcheck"), reason="shellcheck is not installed")
def test_a_linter_has_nothing_to_say(tmp_path):
    path = tmp_path / "handover.sh"
    path.write_text(script.generate())
    done = subprocess.run(["shellcheck", "-s", "sh", str(path)], capture_output=True, text=True, check=False)
    assert done.stdout == ""


def test_other_text_is_refused():
    with pytest.raises(InputError, match="not what the hand-over script printed"):
        script.read_back("hello\n")
