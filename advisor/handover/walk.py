"""One walk through a tree, every rule asked on the way."""

from __future__ import annotations

import posixpath
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

from advisor.handover import checks, settings
from advisor.handover.globs import Globs
from advisor.handover.looks import LOOKS, PEOPLE, Context
from advisor.handover.rules import LookRule
from advisor.handover.tree import MOST_DEEP, PASSED_BY, Tree, TreeEntry

MOST_PATHS = 2000
"""Most paths kept for a rule; more are counted, so that a full home cannot fill the memory."""

_USR = re.compile("usr/(?!local/)")
"""Where packages alone put files (FHS 3.0, 4.1)."""

Hits = dict[str, dict[str, bool]]
"""Rule to path to whether it counts only when no package owns it."""

assert checks


def homes_of(tree: Tree) -> list[str]:
    """Where homes lie: the usual places, and where passwd puts people's."""
    found = ["home/*", "root", "etc/skel"]
    for line in tree.text("etc/passwd").splitlines():
        row = line.split(":")
        if len(row) == 7 and row[2].isdecimal() and int(row[2]) in PEOPLE:
            home = posixpath.normpath(row[5]).lstrip("/")
            if (home.count("/") and not home.startswith("home/")) or home.count("/") > 1:
                found.append(re.sub(r"([*?\[])", r"[\1]", home))
    return found


def walk(context: Context, rules: Sequence[LookRule]) -> Hits:
    """Ask every rule of every path; `MOST_PATHS` are kept for a rule."""
    tree = context.tree
    by_id = {rule.id: rule for rule in rules}
    everywhere, by_name = _globs(tuple(rules), tuple(homes_of(tree)))
    hits: Hits = defaultdict(dict)

    @cache
    def asked(marks: frozenset[str]) -> list[tuple[LookRule, bool]]:
        """Rules of the marks, and whether what a package brought is passed by; none of those that are excepted."""
        names = {mark.rstrip("?!") for mark in marks} - {mark[:-1] for mark in marks if mark.endswith("!")}
        return [(by_id[name], name not in marks) for name in sorted(names)]

    def ask(entry: TreeEntry, marks: set[str]) -> None:
        for rule, anywhere in asked(frozenset(marks)):
            kept = hits[rule.id]
            if len(kept) < MOST_PATHS:
                for path in LOOKS[rule.look](context, entry, rule):
                    brought = (anywhere and not path.startswith("etc/")) or _USR.match(path) is not None
                    kept[path] = kept.get(path, True) and brought

    for entry, marks in _entries(tree, everywhere, PASSED_BY):
        ask(entry, marks)
    for entry, marks in _entries(tree, by_name, frozenset()):
        ask(entry, marks)
    for rule in rules:
        if rule.look == "setting":
            hits[rule.id].update(dict.fromkeys(settings.found(tree, rule), False))
    _drop_owned(tree, hits, {rule.id for rule in rules if rule.look.startswith("unowned")})
    return {name: kept for name, kept in hits.items() if kept}


@lru_cache(maxsize=4)
def _globs(rules: tuple[LookRule, ...], homes: tuple[str, ...]) -> tuple[Globs, Globs]:
    """Patterns for the walk, and those of the kernel's folders, which are not walked; homes are mostly the same."""
    everywhere: list[tuple[str, str]] = []
    by_name: list[tuple[str, str]] = []
    for rule in rules:
        if rule.look in ("setting", "docked"):
            continue
        for pattern, anywhere in rule.patterns(homes):
            bare = pattern.removeprefix("!")
            mark = rule.id + ("!" if bare != pattern else "?" if anywhere else "")
            (by_name if bare.split("/")[0] in PASSED_BY else everywhere).append((bare, mark))
    return Globs(everywhere), Globs(by_name)


def _entries(tree: Tree, globs: Globs, passed_by: frozenset[str]) -> Iterable[tuple[TreeEntry, set[str]]]:
    """Everything in the tree that a pattern names; folders that no pattern reaches are not entered."""
    waiting = [("", globs.start(), 0)]
    while waiting:
        folder, steps, depth = waiting.pop()
        for entry in tree.entries(folder):
            name = entry.path.rpartition("/")[2]
            if not folder and name in passed_by:
                continue
            following, marks = globs.advance(steps, name)
            if marks:
                yield entry, marks
            if following and entry.is_folder:
                if depth < MOST_DEEP:
                    waiting.append((entry.path, following, depth + 1))
                else:
                    tree.unseen.setdefault(entry.path, "lies deeper than is looked")


def _drop_owned(tree: Tree, hits: Hits, unowned: set[str]) -> None:
    """Take out what packages brought, as dpkg lists it; a package's file of settings counts for rules that name it."""
    asked: defaultdict[str, list[tuple[str, str]]] = defaultdict(list)
    for rule, kept in hits.items():
        for path, only_unowned in kept.items():
            if only_unowned or rule in unowned:
                asked[path].append((rule, path))
                if path.startswith("usr/"):
                    # Lists of packages from before the merge of /usr name /lib and /bin.
                    asked[path.removeprefix("usr/")].append((rule, path))
    if not asked:
        return
    folder = tree.real("var/lib/dpkg/info")
    for entry in tree.entries(folder) if folder is not None else ():
        if entry.path.endswith(".list"):
            for line in tree.read(entry.path).decode("utf-8", "surrogateescape").splitlines():
                for rule, path in asked.get(line[1:], ()):
                    hits[rule].pop(path, None)
