"""Room views: notebook views of the other rooms. Pure functions write the HTML; one widget shows it.

Importing this package imports no widget library; `triage`, `batch` and `review` do when they are called.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from advisor.views.batch_view import batch as batch
    from advisor.views.review_view import review as review
    from advisor.views.triage_view import triage as triage

__all__ = ["batch", "review", "triage"]


def __getattr__(name: str) -> Any:
    import importlib

    if name in __all__:
        return getattr(importlib.import_module(f"advisor.views.{name}_view"), name)
    raise AttributeError(f"module 'advisor.views' has no attribute {name!r}")
