"""Gates against Debian's own documents and packages.

References: Debian GNU/Linux Installation Guide (package installation-guide-amd64, Debian 12 and 13), sections 2.1.1 and
3.4; package debian-cd (tools/boot/*/boot-x86 of Debian 12 and 13); the package index of both (installer packages);
package libgl1-mesa-dri of Debian 12 and 13; pci.ids (package hwdata or pci.ids).
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from advisor import editions, tables
from advisor.errors import ToolError
from advisor.lab.tables.apt import Apt, unpack
from advisor.lab.tables.editions import guide_page, source_of
from advisor.releases import CODENAMES
from advisor.shop import default_shop
from advisor.unit import BootMode, Unit, frame

pytestmark = pytest.mark.outside
RELEASES = ["12", "13"]
_PREPARED: dict[tuple[str, str], Apt] = {}


@pytest.fixture
def suite(tmp_path_factory, need, missing):
    def prepared(release: str, architecture: str = "amd64") -> Apt:
        need("apt-get")
        need("dpkg-deb")
        key = (release, architecture)
        if key not in _PREPARED:
            try:
                _PREPARED[key] = source_of(release, architecture, tmp_path_factory.mktemp("apt"))
            except ToolError as error:
                missing(f"the package index of Debian {release} {architecture}: {error}")
        return _PREPARED[key]

    return prepared


def unpacked(source: Apt, name: str) -> Path:
    folder = source.folder / name
    if not folder.exists():
        unpack(source.download(source.packages([name]))[0], folder)
    return folder


class Cells(HTMLParser):
    """Reads the cells of every table row."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.open = False

    def handle_starttag(self, tag, attrs):
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th") and self.rows:
            self.rows[-1].append("")
            self.open = True

    def handle_endtag(self, tag):
        self.open &= tag not in ("td", "th")

    def handle_data(self, data):
        if self.open:
            self.rows[-1][-1] += data


def cells(page: str) -> list[list[str]]:
    reader = Cells()
    reader.feed(page)
    return [[re.sub(r"\s+", " ", cell.replace("\xa0", " ")).strip() for cell in row] for row in reader.rows]


def amount(text: str) -> float:
    number, unit = re.fullmatch(r"([\d.]+) ?(MB|GB|megabytes|gigabytes)", text).groups()
    return float(number) * {"M": 1e-3, "m": 1e-3}.get(unit[0], 1)


@pytest.mark.slow
@pytest.mark.parametrize("release", RELEASES)
def test_the_memory_and_disk_gates_are_the_guides(suite, release):
    page, _ = guide_page(suite(release), "ch03s04.html")
    row = next(row for row in cells(page) if row and row[0] == "With Desktop")
    ram, recommended, disk = map(amount, row[1:])
    image = default_shop().image(f"debian-{release}")
    rows = editions.rows_of(image)
    assert (rows["min_ram_gib"] == ram).all() and (rows["rec_ram_gib"] == recommended).all()
    assert (rows["min_disk_gib"] * 2**30 / 1e9).round(1).eq(disk).all()
    for ram_gib, disk_gib, passes in ((ram, 99, True), (ram * 0.99, 99, False), (ram, disk * 0.99e9 / 2**30, False)):
        unit = Unit(ram_gib=ram_gib, storage_gib=disk_gib, boot_mode="uefi 64-bit", graphics="Intel HD Graphics")
        assert (editions.fits(frame([unit]), np.array([True]), rows) == passes).all()


@pytest.mark.slow
@pytest.mark.parametrize(("release", "listed"), [("12", True), ("13", False)])
def test_i386_is_in_the_guides_table_of_architectures_as_the_gate_says(suite, release, listed):
    page, _ = guide_page(suite(release), "ch02s01.html")
    names = {cell for row in cells(page) for cell in row}
    assert "amd64" in names and ("i386" in names) == listed


@pytest.mark.slow
@pytest.mark.parametrize(("release", "there"), [("12", True), ("13", False)])
def test_the_installer_is_packaged_for_i386_as_the_gate_says(suite, release, there):
    names = {name for name, _ in suite(release).index()}
    assert f"debian-installer-{release}-netboot-amd64" in names
    assert (f"debian-installer-{release}-netboot-i386" in names) == there


@pytest.mark.parametrize("release", RELEASES)
def test_which_efi_files_the_images_carry(suite, release):
    script = (
        unpacked(suite(release), "debian-cd") / f"usr/share/debian-cd/tools/boot/{CODENAMES[release]}/boot-x86"
    ).read_text()
    amd64, i386 = re.search(
        r"\nif \[ \$ARCH = amd64 \]; then\n(\s+BOOT_IMAGES=.*?)\nelse\n(.*?)\nfi", script, re.DOTALL
    ).groups()
    assert "cd_info_amd64" in amd64 and 'BOOT_IMAGES="$BOOT_IMAGES cdrom/cd_info_i386"' in amd64
    image = default_shop().image(f"debian-{release}")
    assert set(image.boots) == set(BootMode)
    assert "cd_info_i386" in i386 and "cd_info_amd64" not in i386
    if release == "12":
        assert set(default_shop().image("debian-12-i386").boots) == {BootMode.UEFI32, BootMode.BIOS}


HAVE = {"i915", "crocus", "iris", "r300", "r600", "radeonsi", "nouveau", "swrast"}
GONE = {
    "i810",
    "i830",
    "i965",
    "r100",
    "r200",
    "radeon",
    "mach64",
    "r128",
    "mga",
    "savage",
    "sis",
    "tdfx",
    "unichrome",
    "via",
    "openchrome",
    "psb",
}


@pytest.mark.parametrize("release", RELEASES)
def test_which_chips_have_a_drawing_driver(suite, release):
    folder = unpacked(suite(release), "libgl1-mesa-dri")
    names = {path.name.removesuffix("_dri.so") for path in folder.rglob("*_dri.so")}
    assert names >= HAVE and not names & GONE
    written = set(re.findall(r"\b(?:i915|crocus|iris|r300|r600|radeonsi|nouveau)\b", " ".join(
        tables.load("editions/graphics").frame.query("drawing == 'hardware'")["driver"]
    )))  # fmt: skip
    assert written == HAVE - {"swrast"}


WORDS = {
    "Intel 8xx": r"8[1-6]\d|82810|815",
    "Intel GMA 500/600 (PowerVR)": r"SCH|US15W|Poulsbo|E6xx|Moorestown|System Controller|Integrated Graphics",
    "Intel GMA 3600 (PowerVR)": r"Atom Processor D2xxx/N2xxx",
    "Intel GMA 9xx/31xx": r"9[14]5|82G33|82Q3[35]|Q33|G33|Pineview|N4xx|D4xx|Atom",
    "ATI before Radeon 9500": r"Rage|Mach64|Radeon|RV[12]\d0|R[12]00|RS[1-3]\d0|Mobility|FireGL|M[67]|ES1000|68800AX"
    r"|All-In-Wonder 128",
}
"""Words of pci.ids that name each kind of chip."""

NOT_SO = {
    "Intel GMA 500/600 (PowerVR)": r"HD Graphics|Gen\d|9[1-6]5|G3[13]|G4[1-5]|Xeon|Core",
    "Intel GMA 9xx/31xx": r"96[3-5]|G965|X31|G4[1-5]|GM45|HD Graphics|E3[89]\d\d|Z3\d\d\d|Core",
    "ATI before Radeon 9500": r"R[V]?[3-9]\d\d|RS[4-9]\d\d|\b9[5-8][05]0\b|\bX\d{3,4}\b|HD \d{4}|R[5-9] |RX |Vega|Navi",
}
"""Words of pci.ids that name chips of a later kind, which must not be listed with the earlier one."""


def test_ids_mean_the_chips_they_are_listed_as(need, missing):
    path = next(
        (one for one in map(Path, ("/usr/share/hwdata/pci.ids", "/usr/share/misc/pci.ids")) if one.exists()), None
    )
    if path is None:
        missing("pci.ids")
    names: dict[str, str] = {}
    vendor = ""
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if re.match(r"[0-9a-f]{4}  ", line):
            vendor = line[:4]
            names[vendor] = line[6:]
        elif re.match(r"\t[0-9a-f]{4}  ", line):
            names[f"{vendor}:{line[1:5]}"] = line[7:]
    rows = tables.load("editions/graphics").frame.query("match == 'id'")
    checked = 0
    for row in rows.itertuples():
        if row.pattern.endswith(":[0-9a-f]{4}"):
            company = names[row.pattern[:4]].lower()
            assert any(word in company for word in re.findall(r"\w+", row.family.lower())), (row.family, company)
            continue
        if row.family not in WORDS:
            continue
        for key, name in names.items():
            if re.fullmatch(row.pattern, key):
                assert re.search(WORDS[row.family], name), (row.family, key, name)
                assert not re.search(NOT_SO.get(row.family, "(?!)"), name), (row.family, key, name)
                checked += 1
    assert checked > 60
