"""Small changes to sources and tables, each of which some user could see: what they are and where they can be made."""

from __future__ import annotations

import ast
import hashlib
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

COMPARED = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==", ast.In: "not in",
    ast.NotIn: "in", ast.Is: "is not", ast.IsNot: "is",
}  # fmt: skip
COMPUTED = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.BitAnd: "|", ast.BitOr: "&", ast.Pow: "*",
    ast.And: "or", ast.Or: "and",
}  # fmt: skip
CALLED = {
    "minimum": "maximum", "maximum": "minimum", "fmin": "fmax", "fmax": "fmin", "min": "max", "max": "min",
    "any": "all", "all": "any", "floor": "ceil", "ceil": "floor", "first": "last", "last": "first", "ge": "gt",
    "gt": "ge", "le": "lt", "lt": "le", "eq": "ne", "ne": "eq", "argmin": "argmax", "argmax": "argmin",
    "startswith": "endswith", "endswith": "startswith", "notna": "isna", "isna": "notna",
}  # fmt: skip
UNSEEN = {"maxsize", "strict", "kind", "divide", "invalid", "over", "dtype", "copy", "sort", "ignore_index", "index",
          "encoding", "repr", "compare", "observed", "regex"}  # fmt: skip
"""Arguments whose change is about speed or form alone."""

PROVENANCE = re.compile(r"(^|_)(source|note|notes|date|remake|reason_source|why|machines)$")
"""Columns that say where a row is from or which machines it is for: nothing reads or shows them."""


@dataclass(frozen=True)
class Change:
    """One change of one file: the text at a place, and what stands there instead."""

    path: str
    place: str
    kind: str
    line: int
    start: int = field(repr=False)
    end: int = field(repr=False)
    old: str = ""
    new: str = ""
    number: int = 0

    @property
    def name(self) -> str:
        """The same for as long as the function or row, and the text in it, stay."""
        return "|".join((self.path, self.place, self.kind, self.old, self.new, str(self.number)))

    def rank(self, seed: str) -> str:
        """A place in the sample that hangs on the seed and the name alone."""
        return hashlib.sha256(f"{seed}|{self.name}".encode()).hexdigest()

    def made(self, text: bytes) -> bytes:
        """The file's bytes with the change made."""
        return text[: self.start] + self.new.encode() + text[self.end :]


def numbered(changes: Iterator[Change]) -> list[Change]:
    """Tell changes apart that are alike within a function or row."""
    seen: Counter[str] = Counter()
    out = []
    for one in changes:
        seen[one.name] += 1
        out.append(Change(**{**vars(one), "number": seen[one.name] - 1}))
    return out


class _Walk(ast.NodeVisitor):
    """Collects the places of a module where a change can be made."""

    def __init__(self, path: str, text: bytes) -> None:
        self.path, self.text = path, text
        self.starts = [0]
        for line in text.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.within: list[str] = []
        self.found: list[Change] = []
        self.members: dict[str, set[str]] = {}

    def at(self, line: int, column: int) -> int:
        return self.starts[line - 1] + column

    def span(self, node: ast.AST) -> tuple[int, int]:
        return self.at(node.lineno, node.col_offset), self.at(node.end_lineno, node.end_col_offset)  # type: ignore[attr-defined]

    def add(self, kind: str, start: int, end: int, new: str) -> None:
        old = self.text[start:end].decode()
        line = self.text.count(b"\n", 0, start) + 1
        if old != new:
            self.found.append(Change(self.path, ".".join(self.within), kind, line, start, end, old, new))

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for decorator in node.decorator_list:
            if not ast.unparse(decorator).startswith(("cache", "lru_cache", "property", "dataclass", "overload")):
                self.visit(decorator)
        self.within.append(node.name)
        for default in (*node.args.defaults, *(one for one in node.args.kw_defaults if one)):
            self.visit(default)
        self.body(node.body)
        self.within.pop()

    visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        self.within.append(node.name)
        self.body(node.body)
        self.within.pop()

    def visit_Module(self, node: ast.Module) -> None:
        self.body(node.body)

    def body(self, statements: list[ast.stmt]) -> None:
        for one in statements:
            if isinstance(one, (ast.Import, ast.ImportFrom, ast.Raise, ast.Assert)):
                continue
            if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant):
                continue
            if isinstance(one, ast.Assign) and ast.unparse(one.targets[0]) == "__all__":
                continue
            self.visit(one)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_If(self, node: ast.If) -> None:
        start, end = self.span(node.test)
        self.add("negated", start, end, f"not ({self.text[start:end].decode()})")
        self.visit(node.test)
        self.body(node.body)
        self.body(node.orelse)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self.add("left out", *self.span(node), "pass")
        self.visit(node.value)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Call):
            self.add("left out", *self.span(node), "pass")
        self.generic_visit(node)

    def between(self, kind: str, left: ast.AST, right: ast.AST, sign: str) -> None:
        start, end = self.span(left)[1], self.span(right)[0]
        gap = self.text[start:end].decode()
        signs = re.findall(r"[-+*/&|<>=!]+|\b(?:not in|is not|in|is|and|or)\b", re.sub(r"#.*", "", gap))
        if len(signs) == 1:
            at = start + len(gap[: gap.index(signs[0])].encode())
            self.add(kind, at, at + len(signs[0]), sign)

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, sign, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
            self.between("compared", left, right, COMPARED[type(sign)])
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in COMPUTED:
            self.between("computed", node.left, node.right, COMPUTED[type(node.op)])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        for left, right in zip(node.values, node.values[1:], strict=False):
            self.between("computed", left, right, COMPUTED[type(node.op)])
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        start, end = self.span(node)[0], self.span(node.operand)[0]
        self.add("sign dropped", start, end, "(" * self.text[start:end].count(b"("))
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        named = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if named in CALLED:
            end = self.span(node.func)[1]
            self.add("called", end - len(named), end, CALLED[named])
        if named in ("TypeVar", "cast", "field", "errstate"):
            return
        self.visit(node.func)
        for one in node.args:
            self.visit(one)
        for word in node.keywords:
            if word.arg not in UNSEEN:
                self.visit(word.value)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        start, end = self.span(node)
        for match in re.finditer(r"(?<=:)([,+]?)\.(\d)(?=[fg]\})", self.text[start:end].decode(errors="replace")):
            at = start + match.start(2)
            self.add("digits", at, at + 1, str(int(match[2]) + 1))

    def visit_Attribute(self, node: ast.Attribute) -> None:
        if isinstance(node.value, ast.Name) and node.value.id[:1].isupper() and node.attr.isupper():
            others = self.members.setdefault(node.value.id, set())
            end = self.span(node)[1]
            for other in sorted(others - {node.attr})[:1]:
                self.add("member", end - len(node.attr), end, other)
            others.add(node.attr)
        self.generic_visit(node)

    def visit_Tuple(self, node: ast.Tuple | ast.List | ast.Set) -> None:
        constant = [isinstance(one, (ast.Constant, ast.Attribute, ast.Tuple)) for one in node.elts]
        if isinstance(getattr(node, "ctx", ast.Load()), ast.Load) and len(constant) > 1 and all(constant):
            for left, right in zip(node.elts, node.elts[1:], strict=False):
                self.add("element dropped", self.span(left)[1], self.span(right)[1], "")
        self.generic_visit(node)

    visit_List = visit_Tuple
    visit_Set = visit_Tuple

    def visit_Dict(self, node: ast.Dict) -> None:
        for left, right in zip(node.values, node.values[1:], strict=False):
            self.add("entry dropped", self.span(left)[1], self.span(right)[1], "")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        start, end = self.span(node)
        if isinstance(node.value, bool):
            self.add("truth", start, end, str(not node.value))
        elif isinstance(node.value, int):
            self.add("number", start, end, str(node.value + 1))
        elif isinstance(node.value, float):
            self.add("number", start, end, repr(node.value * 1.5 or 1.0))
        elif isinstance(node.value, str) and self.text[end - 1 : end] in (b'"', b"'") and re.search("[ -]", node.value):
            self.add("words", end - 1, end - 1, " not")


def of_source(path: str, text: bytes) -> list[Change]:
    """Changes that can be made to a module."""
    walk = _Walk(path, text)
    walk.visit(ast.parse(text))
    return numbered(iter(walk.found))


def _cells(text: bytes) -> Iterator[tuple[int, int, int, str]]:
    """Row, column, start and text of every cell as it stands, so that the rest of the file stays as it is."""
    row = column = start = 0
    quoted = False
    for at, sign in enumerate(text):
        if sign == ord('"'):
            quoted = not quoted
        elif sign in b",\n" and not quoted:
            yield row, column, start, text[start:at].decode()
            row, column, start = (row + 1, 0, at + 1) if sign == ord("\n") else (row, column + 1, at + 1)


def _other(cell: str, values: set[str], salt: str) -> str:
    """Another figure or word for a cell: half as large again, or what stands in another row."""
    if re.fullmatch(r"-?\d+", cell):
        return str(int(int(cell) * 1.5) + 1)
    if re.fullmatch(r"-?\d*\.\d+(e-?\d+)?", cell):
        return repr(float(cell) * 1.5 or 1.0)
    others = sorted(values - {cell})
    return others[int(hashlib.sha256(salt.encode()).hexdigest(), 16) % len(others)] if others else cell


def of_table(path: str, text: bytes) -> list[Change]:
    """Changes that can be made to a table: another figure or word in a cell, or a row left out."""
    cells = list(_cells(text))
    header = [cell.strip('"') for row, _, _, cell in cells if row == 0]
    values: dict[int, set[str]] = {}
    for row, column, _, cell in cells:
        if row and cell:
            values.setdefault(column, set()).add(cell)
    found = []
    begins = [start for _, column, start, _ in cells if column == 0] + [len(text)]
    for row, column, start, cell in cells:
        if row == 0:
            continue
        if column == 0:
            left_out = text[begins[row] : begins[row + 1]].decode()
            found.append(Change(path, f"row {row}", "row left out", row + 1, begins[row], begins[row + 1], left_out))
        if cell and not PROVENANCE.search(header[column]):
            new = _other(cell, values[column], f"{row} {column}")
            end = start + len(cell.encode())
            if new != cell:
                found.append(Change(path, f"row {row}", header[column], row + 1, start, end, cell, new))
    return numbered(iter(found))
