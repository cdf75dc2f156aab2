"""The check as one POSIX shell script, made from the same table as far as a shell goes, and its findings read back."""

from __future__ import annotations

import os
import re
import shlex
from collections import defaultdict
from importlib.resources import files

from advisor.errors import InputError
from advisor.files import read_whole
from advisor.handover.globs import HOMES, expand
from advisor.handover.report import Finding, Report, finding, ordered, read_json
from advisor.handover.rules import LookRule, every

MARK = "# hand-over check by script, version 1"
"""First line of what the script prints."""

BROKEN_NAME = "# not asked: a name with a line break"
"""What it says once where there is any."""

LOOKS = frozenset({"any", "there", "file", "unowned", "unowned_file", "line", "text", "link", "masked", "head"})
"""Kinds of look that a shell can do."""

_CLASSES = {r"\s": "[[:space:]]", r"\S": "[^[:space:]]", r"\d": "[0-9]", r"\w": "[[:alnum:]_]", r"\b": ""}
_IN_BRACKETS = {r"\s": "[:space:]", r"\w": "[:alnum:]_", r"\\": "\\", r"\.": "."}


def generate() -> str:
    """Make the script.

    Returns
    -------
    str
        Text of a POSIX shell script; it says at its end which rules it cannot ask.
    """
    template = (
        (files("advisor.handover") / "script.sh")
        .read_text(encoding="utf-8")
        .replace("@MARK@", MARK)
        .replace("@BROKEN@", BROKEN_NAME)
    )
    parts, left, deep = [template], [], []
    for rule in every():
        translated = _translated(rule)
        if translated is None:
            left.append(rule.id)
            continue
        flags, pattern, unless = translated
        here = [glob for one in rule.where if one[0] != "!" for glob in expand(one, HOMES)]
        excepted = " ".join(
            glob.replace("**/", "*") for one in rule.where if one[0] == "!" for glob in expand(one[1:], HOMES)
        )
        name = f"r_{rule.id.replace('-', '_')}"
        parts.append(
            f"{name}() {{\n    rule={rule.id} look={rule.look} flags={shlex.quote(flags)}\n"
            f"    pattern={shlex.quote(pattern)}\n"
            f'    unless={shlex.quote(unless)} except={shlex.quote(excepted)}\n    ask "$@"\n}}\n'
        )
        plain = [each for glob in here if "**" not in glob for each in _with_dots(glob)]
        if plain:
            parts.append(f"{name} {' '.join(map(_glob, plain))}\n")
        deep += [(glob, name) for glob in here if "**" in glob]
    parts.append(_deep(deep))
    parts += [f"echo '# not asked by script: {one}'\n" for one in left]
    return "".join(parts) + "exit $found\n"


def _with_dots(glob: str) -> list[str]:
    """A shell's '*' at the start of a name passes by those that begin with a dot."""
    folder, slash, name = glob.rpartition("/")
    return [glob, f"{folder}{slash}.[!.]{name}"] if name.startswith("*") else [glob]


def _glob(pattern: str) -> str:
    """A pattern of paths as the shell's own, everything but its wildcards quoted."""
    pieces = re.findall(r"\[!?[^\]]+\]|[*?]|[^*?\[]+", pattern)
    return "".join(piece if piece in "*?" or piece.startswith("[") else shlex.quote(piece) for piece in pieces)


def _deep(wanted: list[tuple[str, str]]) -> str:
    """One walk for all patterns that reach into any folder: find(1) by paths, then case by case; '*' spans folders."""
    by_path: defaultdict[str, list[str]] = defaultdict(list)
    for glob, name in wanted:
        glob = f"{glob}/*" if glob.endswith("/**") else glob
        for path in {glob.replace("**/", "*/", 1).replace("**/", ""), glob.replace("**/", "")}:
            by_path[path if path.startswith("*/") else f"/{path}"].append(name)
    tests = " -o ".join(f"-path {shlex.quote(path if path[0] == '*' else '.' + path)}" for path in sorted(by_path))
    body = []
    for path, rules in sorted(by_path.items()):
        asked = "; ".join(f'{name} "$f"' for name in dict.fromkeys(rules))
        body.append(f"    case /$f in {_glob(path)}) {asked} ;; esac\n")
    head = f"deep {tests} | {{\nwhile IFS= read -r f; do\n    f=${{f#./}}\n"
    return f"if {head}{''.join(body)}done\n[ $found = 0 ]\n}}; then :; else found=1; fi\n"


def _translated(rule: LookRule) -> tuple[str, str, str] | None:
    """A rule's pattern for grep -E: flags, pattern, and lines that it does not mean; None where a shell cannot ask."""
    # Looking into every file of the data would start a program for each.
    if rule.look not in LOOKS or (rule.look == "head" and "{data}/**" in rule.where):
        return None
    # grep(1) looks at one line at a time anyway.
    pattern, flags, unless = re.sub(r"(\[\^[^\]]*)\\n", r"\1", rule.pattern), "", ""
    if given := re.match(r"\(\?([im]+)\)", pattern):
        pattern, flags = pattern[given.end() :], "-i" if "i" in given[1] else ""
    at = pattern.find("(?!")
    if at >= 0:
        end = _closing(pattern, at)
        before, inside, after = pattern[:at], pattern[at + 3 : end], pattern[end + 1 :]
        if "(?!" in after or _depth(before) or before.endswith("?"):
            return None
        unless, pattern = _extended(before + inside), before + after
    if re.search(r"\(\?|\\0|\\n|\\x|\[\^?\\|\\1", pattern + unless):
        return None
    return flags, _extended(pattern), unless


def _closing(pattern: str, at: int) -> int:
    depth = 0
    for number in range(at, len(pattern)):
        depth += {"(": 1, ")": -1}.get(pattern[number], 0) if pattern[number - 1] != "\\" else 0
        if depth == 0:
            return number
    return len(pattern)


def _depth(text: str) -> int:
    bare = re.sub(r"\\.|\[[^\]]*\]", "", text)
    return bare.count("(") - bare.count(")")


def _extended(pattern: str) -> str:
    """A regular expression of Python's in the extended syntax of POSIX (XBD 9.4)."""
    out = ""
    for number, part in enumerate(re.split(r"(\[\^?\]?(?:[^\]\\]|\\.)*\])", pattern)):
        for old, new in (_IN_BRACKETS if number % 2 else _CLASSES).items():
            part = part.replace(old, new)
        out += part
    return out


def read_result(path: str | os.PathLike[str]) -> Report:
    """Read back what the script, or `advisor handover --json`, wrote; InputError when it is neither."""
    # A name need not be UTF-8, and a mend is about that very name.
    text = os.fsdecode(read_whole(path).removeprefix(b"\xef\xbb\xbf"))
    return read_back(text) if text.startswith(MARK) else read_json(str(path))


def read_back(text: str) -> Report:
    """Read what the script printed.

    Raises
    ------
    InputError
        When it is not the script's output.
    """
    # A name may hold any other sign that ends a line somewhere.
    first, *lines = text.split("\r\n" if text.startswith(f"{MARK}\r\n") else "\n")
    if first != MARK:
        raise InputError("This is not what the hand-over script printed.", "On the unit: sh handover.sh > FILE")
    rules = {rule.id: rule for rule in every()}
    paths: defaultdict[str, set[str]] = defaultdict(set)
    not_judged = []
    unseen = {"names with a line break": "a shell cannot ask of them"} if BROKEN_NAME in lines else {}
    for line in lines:
        rule, tab, path = line.partition("\t")
        if tab and rule in rules:
            paths[rule].add(path)
        elif line.startswith("# not asked by script: "):
            not_judged.append(line.removeprefix("# not asked by script: "))
    found: list[Finding] = [finding(rules[rule], some, "/") for rule, some in paths.items()]
    left_out = f"rules that a shell cannot ask ({len(not_judged)}): {', '.join(not_judged)}"
    return Report("what the script wrote", ordered(found), unseen, (left_out,) if not_judged else (), {})
