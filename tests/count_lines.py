"""Lines by room of the package and of the tests: all, and code without blanks, comments and docstrings."""

from __future__ import annotations

import ast
import io
import tokenize
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[1]
NO_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENCODING,
    tokenize.ENDMARKER,
}  # fmt: skip
DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def code_lines(source: str) -> int:
    """Lines of Python that hold code; a text that stands as a statement is a docstring."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in NO_CODE:
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(source)):
        for one in node.body if isinstance(node, DOCUMENTED) else ():
            if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant) and isinstance(one.value.value, str):
                lines.difference_update(range(one.lineno, (one.end_lineno or one.lineno) + 1))
    return len(lines)


def main() -> None:
    for top in ("advisor", "tests"):
        total: Counter[str] = Counter()
        code: Counter[str] = Counter()
        for path in sorted((ROOT / top).rglob("*.py")):
            room = path.relative_to(ROOT / top).parts[0]
            source = path.read_text(encoding="utf-8")
            for name in (room if not room.endswith(".py") else "(no room)", "all"):
                total[name] += source.count("\n")
                code[name] += code_lines(source)
        print(f"{top:16}{'lines':>8}{'code':>8}")
        for name in sorted(total, key=lambda name: (name == "all", name)):
            print(f"  {name:14}{total[name]:8}{code[name]:8}")


if __name__ == "__main__":
    main()
