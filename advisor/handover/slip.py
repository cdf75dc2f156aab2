"""The slip for a PC's new owner: what this PC is, what runs on it, how to start, in plain words, on half a page."""

from __future__ import annotations

import json
import os
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor.phrases import titled

if TYPE_CHECKING:
    from advisor.handover.report import Report
    from advisor.unit import Unit

HERE = Path(__file__).resolve().parent

DESKTOPS = {
    "gnome-shell": "GNOME", "plasma-desktop": "KDE Plasma", "cinnamon": "Cinnamon", "mate-panel": "MATE",
    "xfce4-panel": "Xfce", "lxqt-panel": "LXQt", "lxpanel": "LXDE",
}  # fmt: skip
"""Package of Debian's that a desktop cannot do without, and the desktop."""

PROGRAMS = {
    "firefox-esr": "Firefox for the web", "chromium": "Chromium for the web", "thunderbird": "Thunderbird for mail",
    "libreoffice-writer": "LibreOffice for letters and tables", "vlc": "VLC for films and music",
    "gimp": "GIMP for pictures",
}  # fmt: skip
"""Packages that a new owner looks for first, in plain words."""


def system_of(root: str | os.PathLike[str]) -> dict[str, Any]:
    """What runs on a prepared system: Debian's release, the desktop, the programs that are asked for first.

    Returns
    -------
    dict
        release, desktop ('' when none is known), programs.
    """
    from advisor.handover import apt
    from advisor.handover.tree import Tree
    from advisor.handover.unitside import release_of

    with closing(Tree(root)) as tree:
        here = {name for name, _ in apt.installed(tree.text("var/lib/dpkg/status"))}
        desktop = next((title for name, title in DESKTOPS.items() if name in here), "")
        return {
            "release": release_of(tree), "desktop": desktop,
            "programs": [title for name, title in PROGRAMS.items() if name in here],
        }  # fmt: skip


def content(unit: Unit, system: dict[str, Any], shop: str, report: Report) -> dict[str, Any]:
    """The slip's words (title, parts of title and lines, foot), of `system_of`'s facts, the shop's name and a check."""
    name = titled(unit.maker, unit.model) or "This PC"
    pc = [f"Processor: {unit.cpu}" if unit.cpu else "", f"Memory: {unit.ram_gib:g} GB" if unit.ram_gib else ""]
    pc.append(
        f"Disk: {unit.storage_gib:g} GB {str(unit.storage_kind or '').upper()}".strip() if unit.storage_gib else ""
    )
    runs = [f"Debian {system['release']}, a free system".replace("  ", " ")]
    runs += [f"with the {system['desktop']} desktop"] if system["desktop"] else []
    start = [
        "Plug it in and switch it on.",
        "It asks for your language, your name and a password. The password is yours alone: nobody else knows it.",
        "Choose your own wireless network from the symbol beside the clock.",
        "Updates come by themselves or are offered: let them be installed.",
        "Keep a copy of what is dear to you on another disk.",
    ]
    parts = [
        {"title": "What this PC is", "lines": [line for line in pc if line] or ["see the label"]},
        {"title": "What runs on it", "lines": runs + list(system["programs"])},
        {"title": "How to start", "lines": start},
    ]
    checked = "nothing of former owners was found" if not report.must else "see the note of the shop"
    return {"title": name, "parts": parts, "foot": f"Prepared by {shop}. Checked before it was handed over: {checked}."}


def render_pdf(unit: Unit, system: dict[str, Any], shop: str, report: Report) -> bytes:
    """Set the slip as a PDF; see `content`.

    Returns
    -------
    bytes
        The same for the same PC on every machine.

    Raises
    ------
    ToolError
        When the typesetter fails.
    """
    from advisor.sheet.typeset import typeset

    words = json.dumps(content(unit, system, shop, report), ensure_ascii=False)
    hint = "Install the package again."
    return bytes(typeset(HERE / "slip.typ", {"slip": words}, hint, format="pdf", timestamp=0))
