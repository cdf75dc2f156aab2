"""Rules of the hand-over check: rows of one table, which a shop adds to, and waives with a written reason."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, cached_property

from advisor import tables
from advisor.errors import InputError
from advisor.handover.globs import expand

TABLE = "handover/rules"


class Weight(StrEnum):
    """How much a finding weighs, the gravest first."""

    MUST = "must mend"
    SHOULD = "should mend"
    KNOW = "to know"


@dataclass(frozen=True)
class LookRule:
    """One row of the table; its meta file tells what each column means."""

    id: str
    part: str
    severity: Weight
    title: str
    where: tuple[str, ...]
    look: str
    pattern: str
    why: str
    mend: str
    source: str

    @cached_property
    def regex(self) -> re.Pattern[str]:
        """The pattern, for texts decoded byte by byte; that of a line does not reach over its end."""
        within = re.sub(r"(\[(?:[^\]\\]|\\.)*\])|\\s", lambda part: part[1] or r"[^\S\n]", self.pattern)
        return re.compile(within if self.look == "line" else self.pattern, re.MULTILINE)

    @cached_property
    def head_regex(self) -> re.Pattern[bytes]:
        """The pattern, for bytes."""
        return re.compile(self.pattern.encode("latin-1"))

    def patterns(self, homes: Iterable[str]) -> Iterable[tuple[str, bool]]:
        """Expanded patterns of paths, and whether what a package owns is passed by; those with '!' are exceptions."""
        for one in self.where:
            bare = one.removeprefix("!")
            anywhere = bare.startswith(("~/", "{data}", "{home}", "**"))
            for pattern in expand(bare, homes):
                yield ("!" if bare != one else "") + pattern, anywhere


@cache
def every() -> tuple[LookRule, ...]:
    """All rules of the table."""
    return tuple(
        LookRule(**{**row, "severity": Weight(row["severity"]), "where": tuple(row["where"].split(";"))})  # type: ignore[arg-type]
        for row in tables.dicts(TABLE)
    )


def read(waived: Mapping[str, str] | None = None) -> tuple[list[LookRule], dict[str, str]]:
    """The rules that are asked, and the reasons of those that are not.

    Parameters
    ----------
    waived : mapping of str to str
        Rule id to the shop's written reason.

    Raises
    ------
    InputError
        When a rule is waived that does not exist, or without a reason.
    """
    waived = dict(waived or {})
    found = every()
    strangers = set(waived) - {rule.id for rule in found}
    if strangers:
        raise InputError(
            f"The shop waives the hand-over rule {min(strangers)!r}, which does not exist.",
            "advisor handover --rules lists them.",
        )
    for rule, reason in waived.items():
        if len(reason.split()) < 2:
            raise InputError(f"The hand-over rule {rule!r} is waived without a reason.", "Write why, in words.")
    return [rule for rule in found if rule.id not in waived], waived
