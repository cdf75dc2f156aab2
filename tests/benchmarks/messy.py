"""Messy intake sheets made from a seed; invented, and only for measuring speed."""

from __future__ import annotations

import numpy as np
import pandas as pd

_CPU = (
    "i5-{}U",
    "Core(TM) i5-{}U CPU @ 2.40GHz",
    "intel i5 {}u",
    "Core i7 {}HQ",
    "Ryzen 5 {}U",
    "AMD A6-{}",
    "Core 2 Duo E{}",
    "??? {}",
)
_RAM = ("{} GB", "{}GB", "2x{}GB", "{} gig", "{},0 GB", "{}GiB DDR4", "{}+{}", "{} GB (1x{}GB)")
_DISK = ("{} SSD", "{}GB HDD", "1TB + {} ssd", "NVMe {}", "{} GB 7200rpm", "{}GB eMMC", "SSD {} GB SATA", "{} gb M.2")
_FORM = ("Laptop", "notebook", "SFF", "Desktop tower", "AiO", "mini pc", "2-in-1", "?", "laptop ", "Tablet")
_BOOT = ("UEFI", "legacy", "CSM", "efi32", "?", "", "uefi 64", "BIOS")
_WLAN = ("Intel Wireless-AC 8260", "8086:24f3", "rtl8822be", "none", "", "Atheros AR9485", "bcm4313", "n/a")


def messy(rows: int, distinct: int, seed: int = 7) -> pd.DataFrame:
    """Make a raw sheet.

    Parameters
    ----------
    rows, distinct : int
        Rows in all, and how many of them differ; every text column of a distinct row has a number of its own in it.
    seed : int

    Returns
    -------
    pandas.DataFrame, shape (rows, 14)
    """
    rng = np.random.default_rng(seed)

    def pick(choices: tuple[str, ...]) -> list[str]:
        return [choices[i] for i in rng.integers(0, len(choices), distinct)]

    number = [str(i) for i in range(distinct)]
    size = [str(n) for n in rng.integers(1, 65, distinct)]
    disk = [str(n) for n in rng.integers(16, 2000, distinct)]
    sheet = {
        "Asset no.": [f"BX-{n}" for n in number],
        "Make": pick(("Maker one", "maker two", "MAKER 3", "")),
        "Model name": [f"Model {n} {form}" for n, form in zip(number, pick(("a", "b", "pro")), strict=True)],
        "Type": pick(_FORM),
        "Processor": [
            t.format(1000 + int(n) % 9000) + " " * (int(n) % 3) + f" /{n}"
            for t, n in zip(pick(_CPU), number, strict=True)
        ],
        "RAM": [
            t.replace("{}", s) + f" slot {n}" * (int(n) % 2) for t, s, n in zip(pick(_RAM), size, number, strict=True)
        ],
        "Storage": [
            t.replace("{}", d) + f" no {n}" * (int(n) % 2) for t, d, n in zip(pick(_DISK), disk, number, strict=True)
        ],
        "Boot": pick(_BOOT),
        "Wi-Fi": pick(_WLAN),
        "Battery %": [
            f"{n},{m}%" for n, m in zip(rng.integers(1, 120, distinct), rng.integers(0, 10, distinct), strict=True)
        ],
        "Device ids": [f"pci:8086:{i:04x}; usb:0bda:{i:04x}, 10ec:8168" for i in rng.integers(0, 65536, distinct)],
        "Soldered": pick(("yes", "no", "partly", "", "?", "Y")),
        "Notes": [f"note {n}, screen\nscratched" for n in number],
        "Colour": pick(("black", "silver", "")),
    }
    frame = pd.DataFrame(sheet, dtype="str")
    if rows == distinct:
        return frame
    return frame.iloc[rng.integers(0, distinct, rows)].reset_index(drop=True)
