"""Every leftover is found by its own rule and at its path, no innocent is named, and no secret is ever shown."""

from __future__ import annotations

import os
import shutil

import pytest
from base import SECRET, plant_clean
from innocents import INNOCENTS
from leftovers import LEFTOVERS
from plant import plant

from advisor.handover import check
from advisor.handover.rules import every

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="leftovers belong to several owners: this needs root")


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    root = tmp_path_factory.mktemp("clean") / "root"
    plant_clean(root)
    return root


@pytest.fixture
def tree(clean, tmp_path):
    root = tmp_path / "unit"
    shutil.copytree(clean, root, symlinks=True)
    return root


def shown(report) -> str:
    return report.json() + "\n".join([*report.lines(), *report.summary()])


def test_the_clean_system_is_clean(clean):
    report = check(clean)
    assert report.findings == () and report.unseen == {} and report.exit_code == 0


def names(row) -> str:
    return f"{row[0]} {row[1]}".replace("/", ":")


@pytest.mark.parametrize("row", LEFTOVERS, ids=names)
def test_a_leftover_is_found_by_its_rule(tree, row):
    rule, path, content = row
    plant(tree, path, content)
    report = check(tree)
    found = {one.rule: one.paths for one in report.findings}
    assert path in found.get(rule, ()), found
    assert SECRET not in shown(report)
    assert report.exit_code == (0 if {str(one.severity) for one in report.findings} == {"to know"} else 1)


@pytest.mark.parametrize("row", INNOCENTS, ids=lambda row: row[0].replace("/", ":"))
def test_an_innocent_is_not_named(tree, row):
    plant(tree, *row)
    report = check(tree)
    assert report.findings == (), "\n".join(report.lines())


def test_there_are_as_many_as_were_asked_for():
    assert len(LEFTOVERS) >= 150 and len(INNOCENTS) >= 20


def test_every_rule_that_must_be_mended_has_a_leftover():
    tried = {rule for rule, *_ in LEFTOVERS}
    elsewhere = {"resolv-fixed", "names-bench", "old-partition", "swap-partition", "firmware"}
    assert {str(one.id) for one in every() if str(one.severity) == "must mend"} - tried - elsewhere == set()
