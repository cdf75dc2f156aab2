"""Facts about devices and firmware against the packages that state them, fetched with apt."""

from __future__ import annotations

import random
import re
import subprocess
from functools import cache

import pytest

from advisor import drivers
from advisor.drivers import ids, kinds, small_tables, table_files
from advisor.drivers.kinds import Kind
from advisor.errors import ToolError
from advisor.lab.tables import apt as apts
from advisor.lab.tables import arrays, build
from advisor.shop import default_shop
from advisor.unit import Unit, frame

pytestmark = [pytest.mark.outside, pytest.mark.slow]


@cache
def updated() -> apts.Apt:
    found = build.apt_of(build.RECIPES["debian-13"], build.default_cache())
    found.update()
    return found


@pytest.fixture
def apt(need, missing):
    """apt of Debian 13, with a state of its own."""
    for program in ("apt-get", "apt-cache", "dpkg-deb"):
        need(program)
    try:
        return updated()
    except ToolError as error:
        missing(str(error))


@pytest.fixture
def unpacked(apt, tmp_path):
    """Unpack a package by name; gives its folder."""

    def unpack(name: str):
        [package] = apt.packages([name])
        [deb] = apt.download([package])
        apts.unpack(deb, tmp_path / name)
        subprocess.run(["dpkg-deb", "-e", str(deb), str(tmp_path / name / "DEBIAN")], check=True)
        return tmp_path / name

    return unpack


def support(devices: list[str], kernel: str = "debian-13") -> dict[str, str]:
    image = next(image for image in default_shop().images if image.name == kernel)
    found = drivers.assess(frame([Unit(devices=device) for device in devices]), [image]).devices
    return dict(
        zip(found["device"].astype(str), found["support"].astype(str) + " " + found["cure"].astype(str), strict=True)
    )


def test_broadcom_sta_serves_what_we_say_it_serves(unpacked):
    # Reference: /usr/share/broadcom-sta/broadcom-sta.ids of broadcom-sta-dkms; a line begins with '#' where a free
    # driver serves the chip.
    listed = (unpacked("broadcom-sta-dkms") / "usr/share/broadcom-sta/broadcom-sta.ids").read_text()
    active = {f"pci:14e4:{text}" for text in re.findall(r"^14e4(\w{4})", listed, re.MULTILINE)}
    ours = {
        text
        for row in small_tables.rows("quirks")
        if row["packages"] == "broadcom-sta-dkms"
        for text in small_tables.parts(row["ids"])
    }
    assert ours <= active
    verdicts = support(sorted(active))
    # The others on its list have a free driver, with a firmware that is carried or fetched.
    assert {device for device, word in verdicts.items() if word == "separate driver broadcom-sta-dkms"} == ours
    others = {word.strip() for device, word in verdicts.items() if device not in ours}
    assert others <= {"works", "needs firmware firmware-b43-installer"}


def test_b43_chips_are_those_of_its_installer(unpacked):
    # Reference: the table of chips in the postinst of firmware-b43-installer.
    script = (unpacked("firmware-b43-installer") / "DEBIAN/postinst").read_text()
    groups = re.findall(r"^\t\t([0-9a-f |\[\]]+)\)\n\t\t\t(latest|classic)=1", script, re.MULTILINE)
    served = set()
    for patterns, _ in groups:
        for pattern in patterns.split("|"):
            served |= {f"pci:14e4:{n:04x}" for n in range(0x10000) if re.fullmatch(pattern.strip(), f"{n:04x}")}
    assert {"pci:14e4:4311", "pci:14e4:4315", "pci:14e4:4331"} <= served
    ours = {
        text
        for row in small_tables.rows("quirks")
        if row["code"] == "b43-firmware"
        for text in small_tables.parts(row["ids"])
    }
    # Told by revision in the script, or known from the kernel's bcma table only.
    told_apart = {"pci:14e4:4318", "pci:14e4:4320", "pci:14e4:4324", "pci:14e4:a8dc"}
    assert ours - told_apart <= served
    unsupported = set(re.findall(r"[0-9a-f]{4}", "4360 43a0 43b1 4365"))
    assert not ours & {f"pci:14e4:{text}" for text in unsupported}


def test_nvidia_series_are_those_of_nvidia_detect(unpacked):
    # Reference: the id lists of nvidia-detect.
    folder = unpacked("nvidia-detect") / "usr/share/nvidia"
    rows = {row["code"]: set(small_tables.parts(row["ids"])) for row in small_tables.rows("quirks_packages")}
    current = {
        f"pci:10de:{text.lower()}" for text in re.findall(r"^10DE(\w{4})", (folder / "nvidia.ids").read_text(), re.M)
    }
    assert rows["nvidia-current"] == current
    old = {
        f"pci:10de:{text.lower()}"
        for text in re.findall(r"^10DE(\w{4})", (folder / "nvidia-legacy-340xx.ids").read_text(), re.M)
    }
    # Each chip stands with the newest series that knows it.
    newer = {
        f"pci:10de:{text.lower()}"
        for name in ("nvidia.ids", "nvidia-tesla-470.ids", "nvidia-legacy-390xx.ids")
        for text in re.findall(r"^10DE(\w{4})", (folder / name).read_text(), re.M)
    }
    assert rows["nvidia-340"] == old - newer


def test_fingerprint_readers_are_libfprints(unpacked):
    # Reference: 60-autosuspend-libfprint-2.hwdb of libfprint-2-2, made by libfprint's own tool.
    [hwdb] = (unpacked("libfprint-2-2")).rglob("60-autosuspend-libfprint-2.hwdb")
    known, _, unknown = hwdb.read_text().partition("# Known unsupported devices")

    def listed(text: str) -> list[str]:
        return [f"usb:{v.lower()}:{d.lower()}" for v, d in re.findall(r"^usb:v(\w{4})p(\w{4})", text, re.MULTILINE)]

    assert set(support(listed(known)).values()) == {"works "}
    words = support([device for device in listed(unknown) if device not in listed(known)])
    # Some unsupported ids belong to devices that are more than a reader, and bind for their other half.
    assert sum(word == "no driver " for word in words.values()) >= 0.95 * len(words)


def test_in_kernel_ethernet_serves_the_chips_of_the_dkms_packages(unpacked):
    # Reference: the device tables in the sources of r8125-dkms and r8168-dkms.
    for name, chips in (("r8125-dkms", {"8125"}), ("r8168-dkms", {"8168"})):
        source = "".join(path.read_text(errors="replace") for path in unpacked(name).rglob("*_n.c"))
        listed = set(re.findall(r"PCI_DEVICE\(PCI_VENDOR_ID_REALTEK,\s*0x(\w{4})\)", source))
        assert chips <= listed
        words = support([f"pci:10ec:{text.lower()}" for text in sorted(chips)])
        assert set(words.values()) == {"works "}


def test_firmware_files_are_in_the_packages_that_the_archive_says(apt, missing):
    # Reference: the md5sums that each package carries in its control part, for 50 files drawn with a fixed seed.
    table = table_files.load_firmware("debian-13")
    current = {package.name: package for package in apt.packages(list(table.by_name))}
    same = [name for name, package in table.by_name.items() if current[name].version == package.version]
    if len(same) < 20:
        missing("the archive's firmware packages are newer than the committed table: run advisor tables build")
    pool = [(file, name) for file, names in table.shippers.items() for name in names if name in same]
    listed: dict[str, set[str]] = {}
    for file, name in random.Random(3).sample(pool, 50):
        if name not in listed:
            [deb] = apt.download([current[name]])
            done = subprocess.run(["dpkg-deb", "-I", str(deb), "md5sums"], capture_output=True, text=True, check=True)
            contents = subprocess.run(["dpkg-deb", "-c", str(deb)], capture_output=True, text=True, check=True).stdout
            links = re.findall(r"^l.* \./(\S+) -> ", contents, re.MULTILINE)
            listed[name] = {line.split(None, 1)[1] for line in done.stdout.splitlines()} | set(links)
        paths = {f"{top}lib/firmware/{file}{end}" for top in ("", "usr/") for end in ("", ".xz", ".zst")}
        through_link = any(
            f"/lib/firmware/{file}".startswith(f"/{link.removeprefix('usr/')}/") for link in listed[name]
        )
        assert paths & listed[name] or through_link, (file, name)


def test_names_and_classes_are_those_of_pci_ids(unpacked):
    # Reference: pci.ids (package pci.ids): 300 device names drawn with a fixed seed, and the list of classes.
    path = unpacked("pci.ids") / "usr/share/misc/pci.ids"
    vendors, devices, _, _ = arrays.read_ids(path)
    listed = ids.load("pci")
    for vendor, device, name in random.Random(5).sample(devices, 300):
        if vendors[vendor] in {other for v, d, other in devices if d == vendor}:
            continue
        assert listed.name(vendor, device) == f"{vendors[vendor]} {name}"
    text = path.read_text()
    classes = {
        "0280": ("Network controller", Kind.WIRELESS), "0200": ("Ethernet controller", Kind.ETHERNET),
        "0300": ("VGA compatible controller", Kind.GRAPHICS), "0302": ("3D controller", Kind.GRAPHICS),
        "0106": ("SATA controller", Kind.STORAGE), "0108": ("Non-Volatile memory controller", Kind.STORAGE),
        "0104": ("RAID bus controller", Kind.STORAGE), "0403": ("Audio device", Kind.AUDIO),
        "0d11": ("Bluetooth", Kind.BLUETOOTH), "0805": ("SD Host controller", Kind.CARD_READER),
        "0600": ("Host bridge", None), "0c03": ("USB controller", None),
    }  # fmt: skip
    section = text[text.index("\nC 00") :]
    for code, (name, kind) in classes.items():
        base = section[section.index(f"\nC {code[:2]} ") :]
        assert re.search(rf"^\t{code[2:]}  (.+)$", base, re.MULTILINE)[1] == name
        assert kinds.of_pci_class(code) is kind


def test_second_functions_of_graphics_chips_are_so_in_pci_ids(unpacked):
    # Reference: pci.ids (package pci.ids) gives a placeholder function the name of the function that draws, or says
    # '(Secondary)'; which function draws is told by the kernel's own aliases (see the checks against libkmod).
    _, devices, _, _ = arrays.read_ids(unpacked("pci.ids") / "usr/share/misc/pci.ids")
    names = {f"{vendor:04x}:{device:04x}": name for vendor, device, name in devices}
    seconds = [
        device.removeprefix("pci:")
        for row in small_tables.rows("quirks")
        if row["effect"] == "second function"
        for device in small_tables.parts(row["ids"])
    ]
    assert len(seconds) > 50
    table = drivers.load("debian-12")

    def modules(device: str) -> set[str]:
        vendor, number = device.upper().split(":")
        return set(table.resolve([f"pci:v0000{vendor}d0000{number}sv00000000sd00000000bc03sc00i00"])[0])

    drawing = tuple(
        name.partition("/")[0].removesuffix(" (primary)")
        for device, name in names.items()
        if device.startswith("8086:") and modules(device) & {"i915", "gma500_gfx"}
    )
    for device in seconds:
        if device.startswith("1002:"):
            assert "(Secondary)" in names[device]
            assert "radeon" not in modules(device)
        else:
            assert names[device].startswith(drawing), device
            assert not modules(device)
