"""Tables that listings are read with, and modules that ask for more than they declare, against Debian's packages."""

from __future__ import annotations

import gettext
import lzma
import re
from pathlib import Path

import pytest

from advisor.capture.listings import pci
from advisor.drivers import load, small_tables
from advisor.drivers.kinds import of_module
from advisor.tables import dicts

pytestmark = pytest.mark.outside
PCI_IDS = "/usr/share/misc/pci.ids"


def _listed(path: Path) -> tuple[dict[str, str], list[tuple[str, str, str, str]]]:
    """Class codes by name; and vendor, its name, device, its name of every device of pci.ids."""
    classes: dict[str, str] = {}
    devices = []
    vendor = base = name = ""
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("C "):
            base = line[2:4]
            classes.setdefault(line[4:].strip(), f"{base}80")
        elif base and re.match(r"\t[0-9a-f]{2}  ", line):
            classes[line[5:].strip()] = base + line[1:3]
        elif re.match(r"[0-9a-f]{4}  ", line):
            vendor, name = line[:4], line[6:].strip()
        elif not base and re.match(r"\t[0-9a-f]{4}  ", line):
            devices.append((vendor, name, line[1:5], line[7:].strip()))
    return classes, devices


def test_names_of_classes(need):
    """Package pci.ids, list of classes: every name, and its code."""
    classes, _ = _listed(need(PCI_IDS))
    classes.pop("Unclassified device")
    ours = {row["name"]: row["code"] for row in dicts("capture/pci_classes")}
    assert {name: code for name, code in ours.items() if name in classes} == classes


def test_every_device_of_the_list_in_every_form_of_lspci(need):
    """Package pci.ids: plain, -nn, -mm and -n lines of all its devices give the name or the ids again."""
    _, devices = _listed(need(PCI_IDS))
    assert len(devices) > 15_000
    wrong = []
    for vendor, maker, device, name in devices:
        said = " ".join(f"{maker} {name}".split())
        plain = pci._device("00:00.0", f"Network controller: {maker} {name} (rev 01)")
        numbers = pci._device("00:00.0", f"Network controller [0280]: {maker} {name} [{vendor}:{device}] (rev 01)")
        bare = pci._device("00:00.0", f"0280: {vendor}:{device} (rev 01)")
        ids = [(one.vendor, one.product, one.kind) for one in (numbers, bare) if one]
        fine = plain and (plain.vendor, plain.name, plain.kind, plain.rev) == (None, said[:200].strip(), 0x0280, "01")
        if not fine or ids != [(int(vendor, 16), int(device, 16), 0x0280)] * 2:
            wrong.append((vendor, device, plain, numbers))
    assert not wrong, (len(wrong), wrong[:5])


@pytest.mark.slow
def test_words_of_lscpu_in_other_languages(debian_package):
    """Package util-linux-locales of Debian 12: its own translations of lscpu's field names."""
    folder = debian_package("util-linux-locales", "debian-12")
    spoken: dict[str, set[str]] = {}
    for path in folder.glob("usr/share/locale/*/LC_MESSAGES/util-linux.mo"):
        with path.open("rb") as file:
            catalogue = gettext.GNUTranslations(file)
        for meaning in {row["meaning"] for row in dicts("capture/lscpu_words")}:
            word = " ".join(catalogue.gettext(f"{meaning}:").replace("：", ":").rstrip(": \xa0").split())
            spoken.setdefault(word, set()).add(meaning)
    for row in dicts("capture/lscpu_words"):
        assert spoken.get(row["word"]) == {row["meaning"]}, row


def test_former_names(need):
    """Package pci.ids of Debian 12: rows that are said to be from it."""
    _, devices = _listed(need(PCI_IDS))
    named = {f"pci:{vendor}:{device}": " ".join(name.split()) for vendor, _, device, name in devices}
    rows = [row for row in dicts("drivers/former_names") if "Debian 12" in row["source"]]
    assert len(rows) > 50
    assert not [row for row in rows if named.get(row["id"]) != row["name"]]


@pytest.mark.slow
@pytest.mark.parametrize("release", ["debian-12", "debian-13"])
def test_forbidden_modules(debian_package, release):
    """Package udev: every module that its modprobe.d forbids and that the kernel has, and no other."""
    folder = debian_package("udev", release)
    said = "\n".join(path.read_text() for path in folder.rglob("modprobe.d/*.conf"))
    forbidden = {name.replace("-", "_") for name in re.findall(r"^blacklist (\S+)", said, re.M)}
    ours = {row["module"] for row in dicts("drivers/forbidden")}
    assert ours <= forbidden
    assert not (forbidden - ours) & set(load(release).numbers)


OPTIONAL = {
    "ath9k": "a board's calibration that few boards need: the device table names it",
    "be2net": "a new flash image, on request", "bnxt_en": "a new flash image, on request",
    "i40e": "a new profile, on request", "mlx5_core": "a new flash image, on request",
    "rt2400pci": "rt2x00lib asks for chips with firmware alone", "rt2500pci": "as rt2400pci",
    "rt2500usb": "as rt2400pci",
}  # fmt: skip
"""Modules that can ask for firmware, and do not for a device to work; Linux 6.12, drivers/net."""
KNOWN_GAPS = {"ath10k_usb"}
"""Modules without a row: they put the file's name together when the chip is there."""
GENERIC = {"drm", "cfg80211", "pcmcia", "bluetooth", "soundwire_bus", "snd_soc_acpi_intel_match", "snd_soc_hdac_hda"}
"""Modules that many others need, and that ask for what is no device's firmware."""


@pytest.mark.slow
@pytest.mark.parametrize(
    "release, package",
    [("debian-12", "linux-image-6.1.0-[0-9][0-9]-amd64"), ("debian-13", "linux-image-6.12.*deb13-amd64")],
)
def test_modules_that_ask_for_firmware_they_do_not_declare_have_rows(debian_package, release, package):
    """Kernel packages: the symbols that modules import, against what they declare, for what a bench looks at first."""
    table = load(release)
    asks = set()
    for path in debian_package(package, release).rglob("*.ko*"):
        content = lzma.decompress(path.read_bytes()) if path.suffix == ".xz" else path.read_bytes()
        if re.search(rb"\0(?:_?request_firmware(?:_nowait|_direct|_into_buf)?|firmware_request_\w+)\0", content):
            asks.add(path.name.split(".ko")[0].replace("-", "_"))
    assert {"iwlwifi", "ath12k", "r8723bs"} & asks >= {"iwlwifi", "r8723bs"}
    rows = {row["module"] for name in ("chips", "chips_kernel") for row in small_tables.rows(name)}
    bound = {module for alias, module in table.aliases if alias.startswith(("pci:", "usb:", "sdio:"))}
    open_ = set()
    for module in bound:
        needed = [module]
        for one in needed:
            needed += [other for other in table.depends(one) if other not in needed]
        own = [one for one in needed if one not in GENERIC]
        kind = of_module(table.paths[table.numbers[module]], module)
        if (
            kind in ("wireless", "bluetooth", "ethernet")
            and asks.intersection(own)
            and not any(map(table.firmware, own))
        ):
            open_.add(module)
    assert {"r8723bs"} <= open_
    assert open_ - rows - OPTIONAL.keys() == open_ & KNOWN_GAPS
