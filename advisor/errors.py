"""The package's errors: what was wrong, where, what would be accepted, and the next step."""

from __future__ import annotations

from importlib import import_module
from typing import Any


class AdvisorError(Exception):
    """Base of every error this package raises on purpose.

    Parameters
    ----------
    message : str
        What was wrong and where (file, row, column, value), and what would be accepted.
    hint : str, optional
        The next step, as an instruction to the person at the bench.
    """

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} {self.hint}".strip()

    def _render_traceback_(self) -> list[str]:
        """What IPython shows below a cell: what was wrong and the next step, as in a terminal, without a traceback."""
        return [f"advisor: {self.message}", *([f"  {self.hint}"] if self.hint else [])]


class InputError(AdvisorError, ValueError):
    """A file, row or value handed in cannot be used."""


class TableError(AdvisorError, LookupError):
    """A table of the package, or of the shop, is missing, damaged or of another format."""


class CaptureError(AdvisorError, ValueError):
    """A capture or a listing cannot be read."""


class ToolError(AdvisorError, RuntimeError):
    """An outside tool is missing or failed."""


class AccessError(AdvisorError, PermissionError):
    """Something needs more rights than this process has."""


def library(module: str, message: str, extra: str, error: type[AdvisorError] = ToolError, beside: str = "") -> Any:
    """A module of a library that only an extra of the package brings.

    Parameters
    ----------
    module : str
        Its name.
    message : str
        What is said where it is not installed; the hint tells how it is.
    beside : str, optional
        What else may be done, after the hint.
    """
    try:
        return import_module(module)
    except ImportError as absent:
        raise error(message, f"pip install 'bench-advisor[{extra}]'{beside}") from absent
