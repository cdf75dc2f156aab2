"""Room views: what notebooks and the app show of the other rooms; no rule and no statistic lives here.

Importing this package imports no widget library; `bench` does when it is called.
"""

from __future__ import annotations

from typing import Any

__all__ = ["bench"]


def bench(tab: str = "triage", shop: Any = None) -> Any:
    """The bench as one page: triage, batch, log and review.

    Parameters
    ----------
    tab : str
        The tab shown first, unless ADVISOR_TAB names another.
    shop : Shop, optional
        The settings of `advisor.shop_file.the_shop` when left out.
    """
    import os

    from advisor.views.app_view import App
    from advisor.views.state import BenchPage

    return App(BenchPage(shop), os.environ.get("ADVISOR_TAB", tab))
