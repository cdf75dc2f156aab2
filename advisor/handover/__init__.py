"""Room handover: whether a prepared unit is clean, and works, before it goes to its new owner."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable
from contextlib import closing
from typing import TYPE_CHECKING

from advisor.handover.report import Finding, Report
from advisor.handover.rules import LookRule, Weight

if TYPE_CHECKING:
    from advisor.shop import Shop
    from advisor.unit import Unit

_FOR_DISKS = ("media/", "mnt/")
"""Where disks are mounted that need not be the unit's own (FHS 3.0, 3.11 and 3.12)."""

__all__ = ["Finding", "LookRule", "Report", "Weight", "check"]


def check(
    root: str | os.PathLike[str] = "/", *, shop: Shop | None = None, names: Iterable[str] = (), unit: Unit | None = None
) -> Report:
    """Check a prepared system; nothing is written, and nothing is followed out of it.

    Parameters
    ----------
    root : path-like
        '/' for the running system, or where it is mounted or unpacked.
    shop : Shop, optional
        Its waived rules and the bench's names; the user's own when left out.
    names : iterable of str
        Further names of the bench to look for, such as its account or its network.
    unit : Unit, optional
        The unit's capture: its devices ask for firmware, its disk for TRIM.

    Raises
    ------
    InputError, AccessError
        When the root cannot be looked into.
    """
    from advisor.handover import docked, rules, unitside
    from advisor.handover.looks import Context
    from advisor.handover.report import finding, ordered
    from advisor.handover.tree import Tree
    from advisor.handover.walk import walk

    asked, waived = rules.read({one.rule: one.reason for one in shop.waived} if shop else None)
    with closing(Tree(root)) as tree:
        context = Context(tree, now=time.time())
        context.names = unitside.bench_names(context, (*names, *(shop.bench_names if shop else ())))
        context.firmware, context.ssd = unitside.firmware(tree, unit), unitside.has_ssd(tree, unit)
        hits = walk(context, asked)
        beside = docked.found(tree)
        hits |= {rule: dict.fromkeys(devices, False) for rule, devices in (beside or {}).items() if devices}
        packages = " ".join(context.firmware or ())
        places = {path for paths in hits.values() for path in paths if path.startswith(_FOR_DISKS)}
        mounted = {path: disk for path in places if (disk := tree.mounted_at(path))}
        found = [finding(rule, hits[rule.id], tree.root, packages, mounted) for rule in asked if rule.id in hits]
        open_ = unitside.not_judged(context, unit, beside is not None)
        return Report(tree.root, ordered(found), dict(tree.unseen), open_, waived)
