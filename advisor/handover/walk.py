"""One walk through a tree, every rule asked on the way."""

from __future__ import annotations

import posixpath
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

from advisor.handover import settings
from advisor.handover.checks import CHECKS
from advisor.handover.globs import HOMES, Globs
from advisor.handover.looks import LOOKS, PEOPLE, Context
from advisor.handover.patience import Patience, TooLong
from advisor.handover.rules import LookRule
from advisor.handover.tree import MOST_DEEP, PASSED_BY, Tree, TreeEntry

MOST_PATHS = 2000
"""Most paths kept for a rule; more are counted, so that a full home cannot fill the memory."""

_USR = re.compile("usr/(?!local/)")
"""Where packages alone put files (FHS 3.0, 4.1)."""

Hits = dict[str, dict[str, bool]]
"""Rule to path to whether it counts only when no package owns it."""


def homes_of(context: Context) -> list[str]:
    """Where homes lie: the usual places, and where passwd puts people's."""
    homes = [
        posixpath.normpath(home).lstrip("/") for _, number, home in context.accounts("etc/passwd") if number in PEOPLE
    ]
    others = [home for home in homes if home.count("/") > home.startswith("home/")]
    return [*HOMES, *(re.sub(r"([*?\[])", r"[\1]", home) for home in others)]


def walk(context: Context, rules: Sequence[LookRule]) -> Hits:
    """Ask every rule of every path; `MOST_PATHS` are kept for a rule."""
    tree = context.tree
    by_id = {rule.id: rule for rule in rules}
    everywhere, by_name = _globs(tuple(rules), tuple(homes_of(context)))
    hits: Hits = defaultdict(dict)
    slow: set[str] = set()

    @cache
    def asked(marks: frozenset[str]) -> list[tuple[LookRule, bool]]:
        """Rules of the marks, and whether what a package brought is passed by; none of those that are excepted."""
        names = {mark.rstrip("?!") for mark in marks} - {mark[:-1] for mark in marks if mark.endswith("!")}
        return [(by_id[name], name not in marks) for name in sorted(names)]

    def ask(entry: TreeEntry, marks: set[str]) -> None:
        for rule, anywhere in asked(frozenset(marks)):
            kept = hits[rule.id]
            if len(kept) >= MOST_PATHS or entry.path in slow:
                continue
            found = look(rule, entry)
            if found:
                path = found if isinstance(found, str) else entry.path
                brought = (anywhere and not path.startswith("etc/")) or _USR.match(path) is not None
                kept[path] = kept.get(path, True) and brought

    def look(rule: LookRule, entry: TreeEntry) -> object:
        """What one rule says of an entry, if it says so in time."""
        try:
            patience.start()
            found = (
                CHECKS[rule.pattern](context, entry) if rule.look == "check" else LOOKS[rule.look](context, entry, rule)
            )
            patience.stop()
        except TooLong:
            slow.add(entry.path)
            tree.unseen.setdefault(entry.path, f"takes too long to be looked into, first for {rule.id}")
            return False
        return found

    with Patience() as patience:
        for globs, passed_by in ((everywhere, PASSED_BY), (by_name, frozenset[str]())):
            for entry, marks in _entries(tree, globs, passed_by):
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
            if not folder and entry.name in passed_by:
                continue
            following, marks = globs.advance(steps, entry.name)
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
            for line in tree.read(entry.path).decode("utf-8", "surrogateescape").split("\n"):
                for rule, path in asked.get(line[1:], ()):
                    hits[rule].pop(path, None)
