"""`advisor tables`, and module trees made by hand: ELF files laid out as the TIS specification says."""

from __future__ import annotations

import lzma
import shutil
import struct
import subprocess
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from advisor.cli import open_door
from advisor.drivers import table_files
from advisor.errors import InputError, TableError, ToolError
from advisor.lab.tables import apt, modtree
from advisor.lab.tables import editions as catalogue

KMOD = pytest.mark.skipif(not shutil.which("modinfo"), reason="Debian package kmod is not installed")


def elf(entries: list[str], bits: int = 64, order: str = "<") -> bytes:
    """A relocatable ELF file with a .modinfo section. TIS ELF 1.2: header, then section header table."""
    info = b"".join(entry.encode() + b"\0" for entry in entries)
    names = b"\0.modinfo\0.shstrtab\0"
    wide = bits == 64
    head = 64 if wide else 52
    at = head + len(info) + len(names)
    ident = b"\x7fELF" + bytes([2 if wide else 1, 1 if order == "<" else 2, 1]) + bytes(9)
    if wide:
        header = ident + struct.pack(order + "HHIQQQIHHHHHH", 1, 62, 1, 0, 0, at, 0, 64, 0, 0, 64, 3, 2)
    else:
        header = ident + struct.pack(order + "HHIIIIIHHHHHH", 1, 3, 1, 0, 0, at, 0, 52, 0, 0, 40, 3, 2)

    def section(name: int, kind: int, start: int, size: int) -> bytes:
        if wide:
            return struct.pack(order + "IIQQQQIIQQ", name, kind, 0, 0, start, size, 0, 0, 1, 0)
        return struct.pack(order + "IIIIIIIIII", name, kind, 0, 0, start, size, 0, 0, 1, 0)

    return header + info + names + section(0, 0, 0, 0) + section(1, 1, head, len(info)) + section(
        10, 3, head + len(info), len(names)
    )  # fmt: skip


WIFI = ["alias=pci:v00001234d00005678sv*sd*bc*sc*i*", "firmware=own/wifi.bin", "depends=own-core", "name=own_wifi"]


@pytest.fixture
def tree(tmp_path) -> Path:
    """A kernel of two modules and one that is built in."""
    top = tmp_path / "lib/modules/9.9.9-own"
    folder = top / "kernel/drivers/net/wireless/own"
    folder.mkdir(parents=True)
    (folder / "own-wifi.ko.xz").write_bytes(lzma.compress(elf(WIFI)))
    (folder / "own-core.ko").write_bytes(elf(["firmware=own/core.bin", "name=own_core"], 32))
    (top / "modules.builtin").write_text("kernel/drivers/tty/serial/8250/8250_pci.ko\n")
    (top / "modules.builtin.modinfo").write_bytes(
        b"8250_pci.alias=pci:v*d*sv*sd*bc07sc00i*\0own_board.alias=acpi*:OWN0001:*\0"
    )
    return tmp_path


@pytest.fixture
def run(monkeypatch, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("ADVISOR_HOME", str(home))
    table_files.forget()
    app = typer.Typer()
    app.callback()(lambda: None)
    open_door(app, "tables")
    yield lambda *words: CliRunner().invoke(app, ["tables", *words])
    table_files.forget()


@KMOD
def test_a_tree_of_ones_own_becomes_a_table(run, tree):
    done = run("build", "--tree", str(tree), "--name", "own", "--firmware", "debian-13")
    assert done.exit_code == 0, done.output
    table = table_files.load("own")
    assert table.version == "9.9.9-own"
    assert table.resolve(
        [
            "pci:v00001234d00005678sv00000001sd00000002bc02sc80i00",
            "pci:v00009999d00000001sv00000000sd00000000bc07sc00i02",
            "acpi:XYZ0001:OWN0001:",
            "pci:v00001234d00005679sv00000001sd00000002bc02sc80i00",
        ]
    ) == [["own_wifi"], ["8250_pci"], ["own_board"], []]
    assert table.firmware("own_wifi") == ["own/wifi.bin"] and table.depends("own_wifi") == ["own_core"]
    listed = run("show")
    assert "own: 9.9.9-own, 4 modules" in listed.output and "your own" in listed.output
    assert "own_wifi: own" in run("find", "pci:1234:5678").output


@KMOD
def test_firmware_of_a_module_it_depends_on_counts(run, tree):
    from advisor.drivers import needs

    run("build", "--tree", str(tree), "--name", "own")
    assert needs.files(table_files.load("own"), "own_wifi") == ("own/core.bin", "own/wifi.bin")


@KMOD
@pytest.mark.parametrize("bits", [64, 32])
def test_modules_of_either_width_are_read_packed_or_not(tree, bits):
    folder = tree / "lib/modules/9.9.9-own/kernel/drivers/net/wireless/own"
    (folder / "own-wifi.ko.xz").unlink()
    (folder / "plain.ko").write_bytes(elf(WIFI, bits))
    (folder / "packed.ko.xz").write_bytes(lzma.compress(elf(WIFI, bits)))
    found = {module.name: module for module in modtree.read(tree).modules}
    for name in ("plain", "packed"):
        assert found[name].aliases == ["pci:v00001234d00005678sv*sd*bc*sc*i*"]
        assert (found[name].firmware, found[name].depends) == (["own/wifi.bin"], ["own_core"])
        assert found[name].path == "kernel/drivers/net/wireless/own" and not found[name].builtin


@KMOD
@pytest.mark.parametrize("change", [lambda d: d[:100], lambda d: b"", lambda d: b"MZ" + d[2:], lambda d: d[:-60]])
def test_a_damaged_module_is_named(tree, change):
    path = tree / "lib/modules/9.9.9-own/kernel/drivers/net/wireless/own/own-core.ko"
    path.write_bytes(change(path.read_bytes()))
    with pytest.raises(InputError) as refused:
        modtree.read(tree)
    assert "own_core" in refused.value.message


@pytest.mark.parametrize(
    "words", [("build", "--tree", "x"), ("build", "--kernel", "debian-99"), ("find", "--kind", "toaster", "x")]
)
def test_wrong_calls_are_refused(run, words):
    done = run(*words)
    assert isinstance(done.exception, InputError)
    assert done.exception.hint or "go together" in str(done.exception) or "there are" in str(done.exception)


def test_show_one_table_lists_its_packages(run):
    said = run("show", "debian-13").output
    assert "linux-image-6.12" in said and "main" in said
    assert isinstance(run("show", "nothing").exception, TableError)


def test_find_shows_matches_and_near_ones(run):
    assert "pci:8086:24f3" in run("find", "Intel", "Wireless-AC", "8260").output
    assert "only a bus" in run("find", "BCM4352").output
    assert "Nearest" in run("find", "intel 82660").output
    assert "in no id list" in run("find", "zzzz").output


def test_an_old_table_says_so():
    import datetime

    from advisor.drivers import summary

    built = datetime.date.fromisoformat(table_files.load("debian-13").about["date"])
    assert "old, build it again" in summary.every(built + datetime.timedelta(days=200))
    assert "old, build it again" not in summary.every(built + datetime.timedelta(days=10))


def test_every_sub_command_shows_an_example(run):
    for name in ("build", "show", "find", "check"):
        assert "Example:" in run(name, "--help").output


def saying(printed: str, folder: Path, monkeypatch) -> apt.Apt:
    """apt that prints this, whatever it is asked."""
    done = subprocess.CompletedProcess([], 0, printed, "")
    monkeypatch.setattr(apt.Apt, "call", lambda self, *given, **more: done)
    return apt.Apt("trixie", "amd64", folder, folder)


def test_the_guides_row_is_read_with_its_units():
    page = "<tr><td>With Desktop</td><td>1.5 gigabytes</td><td>3GB</td><td>10 GB</td></tr>"
    assert catalogue.minimums(page) == (1.5, 3.0, 9.31)


def test_a_guide_without_the_row_is_refused():
    with pytest.raises(TableError, match="With Desktop"):
        catalogue.minimums("<table></table>")


def test_apts_simulated_install_is_read(monkeypatch, tmp_path):
    printed = (
        "NOTE: This is only a simulation!\n"
        "Inst libc6 (2.41-12 Debian:13.1/stable [amd64])\n"
        "Inst tzdata:amd64 (2025b-4+deb13u1 Debian:13.1/stable, Debian-Security:13/stable-security [all])\n"
        "Conf libc6 (2.41-12 Debian:13.1/stable [amd64])\n"
    )
    source = saying(printed, tmp_path, monkeypatch)
    assert source.resolve(["tzdata"]) == [("libc6", "2.41-12"), ("tzdata", "2025b-4+deb13u1")]


def test_the_index_is_read_record_by_record(monkeypatch, tmp_path):
    printed = (
        "Package: base-files\nVersion: 13.8\nPriority: required\nInstalled-Size: 402\nSize: 73000\n"
        "Description: x\n Size: 99\n\nPackage: virtual-only\nProvides: nothing\n"
    )
    source = saying(printed, tmp_path, monkeypatch)
    found = source.index()
    assert list(found) == [("base-files", "13.8")]
    package = found["base-files", "13.8"]
    assert (package.priority, package.size, package.installed_kib, package.area) == ("required", 73000, 402, "main")
    assert catalogue.standard_system(found) == ["base-files"]


def test_areas_are_taken_from_a_record():
    record = (
        "Package: firmware-x\nVersion: 1:2-3\nArchitecture: all\n"
        "Section: non-free-firmware/kernel\nSize: 5\nSHA256: ab\n"
    )
    found = apt.package_of(record)
    assert (found.area, found.version, found.sha256) == ("non-free-firmware", "1:2-3", "ab")
    assert apt.package_of("Package: only-provided\n") is None


def test_a_download_that_did_not_come_is_told(tmp_path, monkeypatch):
    source = saying("", tmp_path, monkeypatch)
    package = apt.package_of("Package: x\nVersion: 1:2\nArchitecture: all\nSize: 3\n")
    with pytest.raises(ToolError, match=r"x_1%3a2_all\.deb is not in"):
        source.download([package])
    (tmp_path / "x_1%3a2_all.deb").write_bytes(b"abc")
    assert source.download([package]) == [tmp_path / "x_1%3a2_all.deb"]
