"""Trade names, labels of cards and chipsets' names that no id list carries, and the ids that they mean: by hand.

Intel's graphics: i915_pciids.h of Linux 6.1. SDIO: include/linux/mmc/sdio_ids.h of Linux 6.12. Which chip is on which
maker's card: from memory.
"""

from __future__ import annotations

import pytest

from advisor.drivers import names
from advisor.drivers.kinds import Kind

GRAPHICS = {
    "pci:8086": {
        "GMA X3100": "2a02 2a12", "X3100": "2a02 2a12", "GMA 4500": "2e02 2e12 2e22 2e32 2e42", "GMA 4500MHD": "2a42",
        "4500MHD": "2a42", "GMA X4500": "2e12 2e22 2e32", "X4500": "2e12 2e22 2e32", "GMA X4500HD": "2e22",
        "GMA 3000": "2992 2972", "GMA X3000": "29a2", "GMA X3500": "2982", "GMA 3600": "0be1 0be2",
        "GMA 600": "4100 4101 4102", "Q43": "2e12", "G43": "2e22", "G45": "2e22", "B43": "2e42", "GL40": "2a42",
        "GS45": "2a42", "945GSE": "27ae", "945G": "2772", "Mobile 965": "2a02 2a12", "Mobile 915": "2592",
        "G31": "29c2",
        "G33": "29c2", "Q33": "29d2", "Q35": "29b2", "G35": "2982", "Q965": "2992", "G965": "29a2", "82865G": "2572",
        "855GM": "3582", "Bay Trail": "0f31",
        "Intel HD 4200": "0a16 0a1e", "Intel HD 5000": "0a26", "Iris 5100": "0a2e", "Iris 5200": "0d22 0d26",
        "Intel HD 5300": "161e", "Intel HD 5600": "1612", "Intel HD 6000": "1626", "Iris Pro 6200": "1622 162a",
        "Intel HD 400": "22b0 22b1", "Intel HD 405": "22b0 22b1", "Intel HD 500": "5a85 1a85",
        "Intel HD 505": "5a84 1a84",
        "Intel HD 515": "191e", "Iris 550": "1927", "Iris Pro 580": "193b 1932", "Intel HD 610": "5902 5906 590b",
        "Intel HD 615": "591e", "Iris Plus 650": "5927", "UHD 615": "591c 87c0", "UHD 617": "87c0 87ca",
        "UHD 730": "4c8b 4682 4692", "UHD 750": "4c8a 4c90", "HD P3000": "010a", "HD P4000": "016a", "HD P4600": "041a",
        "HD P4700": "041a",
    },
    "pci:1002": {
        "Vega 6": "15dd 15d8 1636 1638 164c 15e7", "Vega 9": "15d8", "Vega 10": "15dd 15d8", "Radeon 660M": "1681",
        "Radeon 740M": "15bf", "Radeon 760M": "15bf", "Radeon 610M": "1506", "Radeon HD 6490M": "6760",
        "Radeon HD 6400M": "6760 6761", "Radeon HD 6700M": "6740 6741 6742", "Radeon HD 6300M": "68e4",
        "Radeon HD 6370M": "68e4", "Radeon HD 5400": "68f9", "Radeon HD 7400M": "6760", "Radeon HD 7500M": "6840 6841",
        "Radeon HD 7600M": "6840 6841",
    },
}  # fmt: skip
WIRELESS = {
    "pci:14e4": {
        "DW 1390": "4311", "Dell 1395": "4315", "Dell 1501": "4727", "Dell 1510": "432b",
        **dict.fromkeys(("DW 1550", "Dell 1560"), "43b1"), "DW 1704": "4365", "Dell 1820A": "43a3",
        **dict.fromkeys(("Dell 1830", "DW 1830"), "43ba"), **dict.fromkeys(("Dell 1350", "DW 1350"), "4306 4320"),
        **dict.fromkeys(("Dell 1370", "DW 1370"), "4318"), **dict.fromkeys(("Dell 1450", "DW 1450"), "4324"),
        "DW 1490": "4312", **dict.fromkeys(("Dell 1500", "DW 1500", "Dell 1505"), "4328"), "Dell 1520": "4353",
        **dict.fromkeys(("Dell 1530", "Dell 1540"), "4359"), **dict.fromkeys(("Dell 1701", "DW 1701"), "4727"),
        "BCM94306MP": "4306 4320", "BCM94318MPG": "4318 4319", "BCM94321MC": "4328 4329", "BCM94331CD": "4331",
        "BCM943225HM": "4357", "BCM943227HM4L": "4358", "BCM943228HMB": "4359", "BCM94350ZAE": "43a3",
        "BCM94356Z": "43ec", "BCM943602BAED": "43ba",
    },
    "pci:168c": {
        "Dell 1703": "0032", **dict.fromkeys(("Dell 1705", "DW 1707"), "0036"),
        "Dell 1810": "0042", "Dell 1820": "003e",
        **dict.fromkeys(("Dell 1502", "DW 1502"), "002e"),
        **dict.fromkeys(("Dell 1515", "DW 1515", "Dell 1525", "DW 1525"), "002a"),
        **dict.fromkeys(("Dell 1702", "DW 1702"), "002b"), **dict.fromkeys(("Dell 1802", "DW 1802", "Dell 1901"),
        "0034"),
        **dict.fromkeys(("AR5BXB6", "AR5BXB61", "AR5BHB63", "AR2423", "AR2424"), "001c"),
        **dict.fromkeys(("AR5BHB91", "AR5B93"), "002a"), "AR5BHB112": "0030",
        **dict.fromkeys(("AR5BMD222", "QCWB222"), "0034"), **dict.fromkeys(("QCNFA324", "QCNFA354A"), "003e"),
        **dict.fromkeys(("Killer N1102", "Killer N1103"), "0030"), "Killer 1525": "003e",
    },
    "pci:17cb": {**dict.fromkeys(("WCN6856", "FastConnect 6900", "QCNFA725"), "1103"), "QCNCM865": "1107"},
    "pci:8086": {
        "WM3B2200BGRX": "4220", "WM3B2915ABG": "4223 4224", "WM3B2100": "1043", "512AG": "4232 4237",
        "100BNHMW": "08ae 08af", "105BNHMW": "0894 0895", "11230BNHMW": "008a 008b", "130BNHMW": "0896 0897",
        "135BNHMW": "0892 0893", "2200BNHMW": "0890 0891", "6230ANHMW": "0090 0091", "6250ANX": "0087 0089",
        "612BNXHMW": "0885 0886", "iwl4965": "4229 4230",
    },
    "pci:10ec": dict.fromkeys(("Dell 1801", "DW 1801"), "b723"),
    "pci:14c3": {"MT7920": "7920", "MT7927": "7927", "MT7610E": "7610"}, "pci:1814": {"RT5592": "5592"},
    "sdio:024c": {"RTL8723CS": "b703", "RTL8723DS": "d723 d724", "RTL8822BS": "b822"},
    "sdio:02d0": {
        "BCM43241": "4324", "BCM4329": "4329", "BCM4330": "4330", "BCM4334": "4334", "BCM4335": "4335",
        "BCM4339": "4339",
        "BCM43341": "a94d", "BCM43362": "a962", "BCM43438": "a9a6", "AP6212A": "a9a6", "AP6210": "a962",
        **dict.fromkeys(("AP6330", "AP6476"), "4330"), "AP6335": "4339",
    },
    "sdio:02df": {"SD8787": "9119", "88W8787": "9119", "SD8797": "9129", "88W8797": "9129", "SD8897": "912d",
                  "SD8887": "9135", "SD8997": "9141"},
    "sdio:0271": {"AR6003": "0300 0301", "AR6004": "0400 0401 0402"},
}  # fmt: skip
ETHERNET = {
    "pci:10ec": {"Realtek Gigabit": "8168", "Realtek Fast Ethernet": "8136 8139", "Realtek 5GbE": "8126"},
    "pci:8086": {"PRO 100": "1229"}, "pci:1969": {"AR8172": "10a0"}, "pci:11ab": {"Yukon Optima": "4381"},
}  # fmt: skip
CASES = [
    (kind, text, {f"{vendor}:{device}" for device in devices.split()})
    for kind, table in ((Kind.GRAPHICS, GRAPHICS), (Kind.WIRELESS, WIRELESS), (Kind.ETHERNET, ETHERNET))
    for vendor, rows in table.items()
    for text, devices in rows.items()
]


@pytest.mark.parametrize(("kind", "text", "ids"), CASES)
def test_a_trade_name_means_these_ids(kind: Kind, text: str, ids: set[str]) -> None:
    [found] = names.match([text], kind)
    assert found.exact and ids <= {entry.text for entry in found.entries}
