"""Make chips_kernel.csv: which firmware files a chip asks its driver for, read out of the kernel's source.

The driver's module names the files of all its chips; which chip a device id stands for is only in the source.

    apt-get download linux-source-7.3 && dpkg-deb -x linux-source-7.3_*.deb . && tar xf usr/src/linux-source-7.3.tar.xz
    cd datasets/drivers && python from_kernel_source.py linux-source-6.12 linux-source-7.3 > chips_kernel.csv

Give the source of Debian 13's kernel first; a newer one adds the ids that it has not.
"""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path

Row = tuple[str, str, str, str, str, str, str]

IWLWIFI = "drivers/net/wireless/intel/iwlwifi/pcie/drv.c"
# Configuration that the device table gives, to the firmware's name in the folder iwlwifi/cfg beside it.
IWLWIFI_FILES = (
    (r"iwl5150", "iwlwifi-5150-*"), (r"iwl5\d\d\d", "iwlwifi-5000-*"), (r"iwl6[01]50", "iwlwifi-6050-*"),
    (r"iwl6005", "iwlwifi-6000g2a-*"), (r"iwl60(30|35)|iwl1030|iwl130", "iwlwifi-6000g2b-*"),
    (r"iwl6000", "iwlwifi-6000-*"), (r"iwl1000", "iwlwifi-1000-*"), (r"iwl100", "iwlwifi-100-*"),
    (r"iwl2000", "iwlwifi-2000-*"), (r"iwl2030", "iwlwifi-2030-*"), (r"iwl105", "iwlwifi-105-*"),
    (r"iwl135", "iwlwifi-135-*"), (r"iwl3160", "iwlwifi-3160-*"), (r"iwl3165", "iwlwifi-7265D-*"),
    (r"iwl3168", "iwlwifi-3168-*"), (r"iwl7260", "iwlwifi-7260-*"),
    (r"iwl7265", "iwlwifi-7265-*; iwlwifi-7265D-*"), (r"iwl(4165|8260)", "iwlwifi-8000C-*"),
    (r"iwl8265|iwl8275", "iwlwifi-8265-*"), (r"iwl9000", "iwlwifi-9260-th-b0-jf-b0-*"),
    (r"iwl9560|iwl_9560", "iwlwifi-9000-pu-b0-jf-b0-*"), (r"iwl_quz", "iwlwifi-QuZ-*"),
    (r"iwl_qu", "iwlwifi-Qu-*; iwlwifi-QuZ-*"),
    (r"iwl_ax200", "iwlwifi-cc-*"), (r"iwl_so", "iwlwifi-so-*; iwlwifi-ty-*"), (r"iwl_ma", "iwlwifi-ma-*"),
    (r"iwl_bz|iwl_gl", "iwlwifi-bz-*; iwlwifi-gl-*"), (r"iwl_sc", "iwlwifi-sc*"),
    (r"iwl_dr|iwl_br", "iwlwifi-dr-*; iwlwifi-br-*"),
)  # fmt: skip

I915 = ("include/drm/intel/pciids.h", "include/drm/intel/i915_pciids.h", "include/drm/i915_pciids.h")
# Platform in the name of an id macro, to the prefixes of the files named in intel_dmc.c and intel_uc_fw.c.
I915_FILES = (
    ("SKL", "skl"), ("BXT", "bxt"), ("GLK", "glk"), ("KBL", "kbl"), ("AML", "kbl"), ("CFL", "kbl cfl"),
    ("WHL", "kbl cfl"), ("CML", "kbl cml"), ("ICL", "icl"), ("EHL", "icl ehl"), ("JSL", "icl ehl"), ("TGL", "tgl"),
    ("RKL", "rkl tgl"), ("DG1", "dg1"), ("ADLS", "adls tgl"), ("RPLS", "adls tgl"), ("ADLP", "adlp tgl"),
    ("ADLN", "adlp tgl"), ("RPLP", "adlp tgl"), ("RPLU", "adlp tgl"), ("DG2", "dg2"), ("ATS", "dg2"),
    ("MTL", "mtl"), ("ARL", "mtl"),
)  # fmt: skip
# Older platforms load no firmware: neither file knows them.
I915_NONE = (
    "I8",
    "I9",
    "G33",
    "PNV",
    "PINEVIEW",
    "G45",
    "GM45",
    "ILK",
    "IRONLAKE",
    "SNB",
    "IVB",
    "HSW",
    "VLV",
    "BDW",
    "CHV",
)

AMDGPU = "drivers/gpu/drm/amd/amdgpu/amdgpu_drv.c"
AMDGPU_MORE = {"raven": ("raven", "raven2", "picasso"), "renoir": ("renoir", "green_sardine")}

BTUSB = "drivers/bluetooth/btusb.c"
BTUSB_FILES = (
    ("INTEL", "intel/ibt-*", "", ""),
    ("REALTEK", "rtl_bt/*", "degrades", "Bluetooth answers with the chip's built-in program; pairing often fails"),
    ("MEDIATEK", "mediatek/*", "", ""),
    ("ATH3012", "+ar3k/AthrBT_0x*; +ar3k/ramps_0x*", "", ""),
    ("QCA_ROME|QCA_WCN6855", "+qca/rampatch_usb_*; +qca/nvm_usb_*", "", ""),
    ("BCM_PATCHRAM|BCM_APPLE", "+brcm/BCM*.hcd", "optional", "a patch that most chips run without"),
)


def read(tree: Path, places: tuple[str, ...] | str) -> tuple[str, str]:
    """First of some files that a tree has: its text, and where it was."""
    for place in (places,) if isinstance(places, str) else places:
        if (tree / place).is_file():
            return (tree / place).read_text(encoding="utf-8", errors="replace"), place
    raise SystemExit(f"{tree} has none of {places}: is it the kernel's source?")


def first(table: tuple[tuple[str, str], ...], name: str) -> str | None:
    """Value of the first pattern that a name begins with."""
    return next((value for pattern, value in table if re.match(pattern, name)), None)


def iwlwifi(tree: Path) -> list[Row]:
    """Device ids of iwlwifi."""
    text, place = read(tree, IWLWIFI)
    found: dict[str, set[str]] = {}
    for device, name in re.findall(r"IWL_PCI_DEVICE\(0x(\w{4}),\s*\w+,\s*(\w+)\)", text):
        files = first(IWLWIFI_FILES, name)
        if files:
            found.setdefault(device.lower(), set()).update(files.split("; "))
    found |= {"2725": {"iwlwifi-ty-*"}, "272b": {"iwlwifi-gl-*"}}
    return group("iwlwifi", "8086", found, f"{tree.name}/{place}")


def i915(tree: Path) -> list[Row]:
    """Device ids of i915."""
    text, place = read(tree, I915)
    found: dict[str, set[str]] = {}
    name = ""
    for line in text.splitlines():
        match = re.match(r"#define\s+INTEL_(\w+?)_IDS?\b", line)
        name = match[1] if match else name
        files = first(I915_FILES, name)
        known = files is not None or any(name.startswith(prefix) for prefix in I915_NONE)
        for device in re.findall(r"(?:MACRO__|VGA_DEVICE|QUANTA)\(0x([0-9A-Fa-f]{4})", line) if known else ():
            found.setdefault(device.lower(), set()).update(f"i915/{prefix}_*" for prefix in (files or "").split())
    return group("i915", "8086", found, f"{tree.name}/{place}, intel_dmc.c, intel_uc_fw.c")


def amdgpu(tree: Path) -> list[Row]:
    """Device ids of amdgpu whose chip the driver's own table tells; newer chips tell it themselves."""
    text, place = read(tree, AMDGPU)
    found: dict[str, set[str]] = {}
    for device, chip in re.findall(r"\{0x1002, 0x(\w{4}), PCI_ANY_ID, PCI_ANY_ID, 0, 0, CHIP_(\w+)", text):
        if chip != "IP_DISCOVERY":
            names = AMDGPU_MORE.get(chip.lower(), (chip.lower(),))
            found.setdefault(device.lower(), set()).update(f"amdgpu/{name}_*" for name in names)
    return group("amdgpu", "1002", found, f"{tree.name}/{place}")


def btusb(tree: Path) -> list[Row]:
    """Ids of btusb whose chip loads something; any other Bluetooth adapter loads nothing."""
    text, place = read(tree, BTUSB)
    quirks = text[text.index("quirks_table") if "quirks_table" in text else 0 :]
    rows: list[Row] = []
    seen: dict[tuple[str, str, str], list[str]] = {}
    entry = (
        r"\{\s*USB_(DEVICE|VENDOR_AND_INTERFACE_INFO)\(0x(\w{4}),\s*(?:0x)?(\w+)[^)]*\),?"
        r"\s*\.driver_info\s*=\s*([A-Z0-9_ |\n\t]+)"
    )
    for form, vendor, device, flags in re.findall(entry, quirks):
        for pattern, files, severity, effect in BTUSB_FILES:
            if re.search(rf"BTUSB_({pattern})", flags):
                old = files.startswith("intel") and device.lower() in ("07dc", "0a2a", "07da")
                key = (
                    files,
                    "degrades" if old else severity,
                    "Bluetooth works without a patch, less well" if old else effect,
                )
                listed = seen.setdefault(key, [])
                listed.append(f"usb:{vendor.lower()}:{device.lower() if form == 'DEVICE' else '*'}")
                break
    for (files, severity, effect), ids in seen.items():
        rows.append(("btusb", "; ".join(sorted(set(ids))), "", files, severity, effect, f"{tree.name}/{place}"))
    return rows


def group(module: str, vendor: str, found: dict[str, set[str]], source: str) -> list[Row]:
    """Rows of a driver: ids that ask for the same files together."""
    by_files: dict[str, list[str]] = {}
    for device, files in sorted(found.items()):
        by_files.setdefault("; ".join(sorted(files)), []).append(f"pci:{vendor}:{device}")
    return [(module, "; ".join(ids), "", files, "", "", source) for files, ids in sorted(by_files.items())]


def main(trees: list[str]) -> None:
    """Print the table."""
    rows: list[Row] = []
    known: set[tuple[str, str]] = set()
    for tree in map(Path, trees):
        for make in (iwlwifi, i915, amdgpu, btusb):
            for module, ids, name, files, severity, effect, source in make(tree):
                new = [text for text in ids.split("; ") if (module, text) not in known]
                if new:
                    rows.append((module, "; ".join(new), name, files, severity, effect, source))
            known |= {(row[0], text) for row in rows for text in row[1].split("; ")}
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(["module", "ids", "name", "files", "severity", "effect", "source"])
    writer.writerows(rows)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit(__doc__)
    main(sys.argv[1:])
