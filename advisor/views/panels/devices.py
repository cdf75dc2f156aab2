"""The devices of a unit on every image of the shop."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd

from advisor.views.findings import Findings, word
from advisor.views.markup import Markup, el
from advisor.views.panels.badges import support_badge

ORDER = (
    "storage",
    "graphics",
    "wireless",
    "ethernet",
    "audio",
    "bluetooth",
    "camera",
    "card reader",
    "fingerprint",
    "other",
)
"""Kinds of device, the ones that decide first."""


def devices(found: Findings) -> Markup:
    """Show each device on each image: what works, and what would cure the rest.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    markupsafe.Markup
    """
    stops = _stops(found)
    if not len(found.devices):
        none = "No device is known of this unit. Type the Wi-Fi and graphics chip above, or capture the unit."
        return el("div", el("p", none), stops)
    frame = found.devices
    rank = frame["kind"].map({kind: number for number, kind in enumerate(ORDER)}).fillna(len(ORDER))
    ordered = frame.assign(rank=rank).sort_values("rank", kind="stable")
    # Bridges, hubs and the like come by the dozen and work: they are there for who asks.
    troubled = ordered.loc[~ordered["support"].isin(["works", "unknown"]), "device"]
    main = ordered["kind"].ne("other") | ordered["device"].isin(troubled)
    rest = ordered[~main]
    return el(
        "div",
        stops,
        _table(ordered[main], found, "Devices on each image"),
        el(
            "details",
            el("summary", f"{rest['device'].nunique()} more devices: bridges, hubs and the like"),
            _table(rest, found, "More devices on each image"),
            id="ba-more-devices",
        )
        if len(rest)
        else None,
    )


def _table(frame: pd.DataFrame, found: Findings, label: str) -> Markup:
    head = el(
        "tr",
        el("th", "Device", scope="col"),
        (
            el(
                "th",
                image,
                _image_note(image, found),
                scope="col",
                class_="ba-chosen" if image == found.image else None,
            )
            for image in found.images
        ),
    )
    rows = [
        _row(kind, group, found) for (kind, _), group in frame.groupby(["kind", "device"], sort=False, dropna=False)
    ]
    caption = el("caption", "What each image's kernel and firmware do with each device.")
    return el(
        "div",
        el("table", caption, el("thead", head), el("tbody", rows)),
        class_="ba-scroll",
        tabindex="0",
        role="group",
        aria_label=label,
    )


def _row(kind: Hashable, group: pd.DataFrame, found: Findings) -> Markup:
    by_image = {str(one["image"]): one for one in group.to_dict("records")}
    first = group.iloc[0]
    name = word(first["name"]) or word(first["device"]) or "not identified"
    ident = word(first["device"])
    cells = []
    for image in found.images:
        one = by_image.get(image)
        cells.append(el("td", _cell(one) if one else "–", class_="ba-chosen" if image == found.image else None))
    return el(
        "tr",
        el(
            "th",
            el("span", str(kind), class_="ba-kind"),
            " ",
            name,
            el("span", f" {ident}", class_="ba-quiet") if ident != name else None,
            scope="row",
        ),
        cells,
    )


def _cell(one: dict[Hashable, Any]) -> Markup:
    cure = word(one.get("firmware_packages")) or word(one.get("cure"))
    works = str(one["support"]) == "works"
    return el(
        "div",
        support_badge(str(one["support"])),
        el("div", cure, class_="ba-cure") if cure and not works else None,
        title=f"{word(one.get('reason'))} (source: {word(one.get('source'))})",
    )


def _image_note(image: str, found: Findings) -> Markup | None:
    notes = []
    if image == found.image:
        notes.append("used")
    if image == found.image_wanted and image != found.image:
        notes.append("wanted")
    if image in found.stops:
        notes.append("does not boot")
    return el("div", ", ".join(notes), class_="ba-quiet") if notes else None


def _stops(found: Findings) -> Markup | None:
    if not found.stops:
        return None
    return el(
        "ul",
        (el("li", el("strong", image), " does not boot on this unit: ", why) for image, why in found.stops.items()),
        class_="ba-plain-list",
    )
