"""How devices are judged, spread over units and told, word for word: written by hand before the program was asked.

What a driver does without its firmware and what a package is called: the sources that test_verdicts.py names for the
same devices, and from memory.
"""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from advisor import drivers
from advisor.drivers import asked, frames, ids, judge, names, needs, small_tables, summary, table, table_files
from advisor.drivers.about import read_about
from advisor.drivers.firmware import FirmwarePackage, FirmwareTable
from advisor.drivers.kinds import Kind
from advisor.drivers.matching import PackedIndex
from advisor.drivers.packing import PCI, pack, pack_pattern
from advisor.drivers.quirks import Effect, Quirk
from advisor.drivers.spec import Spec, by_id, specs_of
from advisor.drivers.table import BY_CLASS, NAMED, PARTLY, DriverTable
from advisor.drivers.verdict import Place, Verdict, _common, together
from advisor.errors import TableError
from advisor.shop import Image, default_shop
from advisor.unit import Capture, Support, Unit, frame

IMAGES = {image.name: image for image in default_shop().images}
BARE = Image(name="bare", release="13", kernel="debian-13", firmware=("area:main",))
V12, V13 = (table_files.load(name).version for name in ("debian-12", "debian-13"))


def assess(*units: Unit, images: list[Image] | None = None) -> Any:
    return drivers.assess(frame(list(units)), images or [BARE])


@pytest.fixture(scope="module")
def told() -> Any:
    """Verdicts of one device each, all judged at once: by device, image and column."""
    devices = list(dict.fromkeys(device for device, *_ in SAID))
    found = assess(*(Unit(devices=one) for one in devices), images=[BARE, *IMAGES.values()]).devices
    return found.set_index(["row", "image"]), {one: at for at, one in enumerate(devices)}


ON_STICK = "Put on the stick: {} ("
SAID: list[tuple[str, str, str, str, str, str]] = [
    # Device, image, support, severity, words of the reason, words of the action.
    ("pci:10ec:c821", "bare", "needs firmware", "blocks",
     "rtw88_8821ce drives it. Without firmware: the card does not start. Put on the stick: firmware-realtek (",
     "Copy firmware-realtek to the stick."),
    ("pci:10ec:c821", "bare", "needs firmware", "blocks", " MiB, non-free-firmware).", "Copy firmware-realtek"),
    ("pci:10ec:c821", "debian-13", "works", "",
     "rtw88_8821ce drives it. Its firmware is in firmware-realtek, which the image carries.", ""),
    ("pci:168c:002b", "bare", "works", "", "ath9k drives it. It asks for no firmware.", ""),
    ("pci:10ec:8168", "bare", "needs firmware", "degrades", "r8169 drives it. Without firmware: ", "firmware-realtek"),
    ("pci:14e4:43b1", "debian-13", "separate driver", "blocks",
     " bcma binds it, which only opens a bus.", "install broadcom-sta-dkms with linux-headers"),
    ("pci:14e4:4315", "debian-13", "needs firmware", "blocks",
     "b43 drives it behind a bus driver. Its firmware may not be passed on", "install firmware-b43-installer"),
    ("pci:5333:8c12", "debian-13", "no driver", "degrades",
     f"No module of kernel {V13} is for it. savagefb would bind it, but Debian forbids that it is loaded."
     " A plain picture from the firmware's framebuffer is likely, without acceleration.", ""),
    ("usb:06cb:009a", "debian-13", "no driver", "degrades", "libfprint lists this reader as known and not supported.",
     "passwords work"),
    ("usb:138a:0011", "debian-13", "works", "", "It is in package libfprint-2-2.", "Enrol a finger under Users"),
    # 60-autosuspend-libfprint-2.hwdb: 1c7a:0582 came between Debian 12 and 13.
    ("usb:1c7a:0582", "debian-13", "works", "", "libfprint of Debian 13 drives it. It is in package libfprint-2-2.",
    "Enrol a finger"),
    ("usb:1c7a:0582", "debian-12", "newer kernel", "degrades",
     f"No module of kernel {V12} is for it; the newer kernel {V13} of image ", "Use image "),
    ("pci:v00008086d00001904sv000017AAsd00002238bc06sc00i00", "debian-13", "works", "",
     "Part of the chipset; it needs no driver of its own.", ""),
    ("acpi:XYZW0000:", "debian-13", "no driver", "",
     f"No module of kernel {V13} is for it. Many devices of this kind need none.", ""),
    ("usb:ffff:fffe", "debian-13", "unknown", "",
     f"No module of kernel {V13} names it; drivers of many such devices go by class, and of this one only the id is"
     " known.", "Read its id with lspci -nn or lsusb."),
    ("pci:8086:9a19", "debian-13", "unknown", "degrades", "The camera sits behind Intel image processing",
     "Try the camera at the first-boot check"),
    ("pci:1022:b000", "debian-13", "no driver", "blocks", "The disk is in AMD RAID mode", "AHCI (NVMe RAID off)"),
    ("pci:8086:282a", "debian-13", "works", "blocks", "an NVMe disk behind it is hidden from Linux", "to AHCI"),
    ("pci:8086:9a0b", "debian-13", "works", "", "The driver vmd is in the installer", "switch VMD (or 'RAID On')"),
    ("pci:8086:2a43", "debian-13", "works", "", "It is the second function of a graphics chip", ""),
    ("pci:1af4:1041", "debian-13", "works", "",
    "virtio_net drives it behind the bus virtio: this is a virtual machine.",
     ""),
    ("usb:8087:0a2b", "bare", "needs firmware", "blocks", "firmware-iwlwifi, the package of Intel's Wi-Fi",
     "Copy firmware-iwlwifi to the stick."),
    ("usb:0cf3:e300", "bare", "needs firmware", "blocks", "both in firmware-atheros: one package", "firmware-atheros"),
    ("pci:10de:13c2", "debian-13", "works", "", "NVIDIA's own driver for it is nvidia-driver (non-free)",
     "Leave it to nouveau, or install nvidia-driver"),
    ("pci:8086:08b1", "debian-13", "works", "",
     " Covered for some subsystems only: iwlwifi asks for subsystem ids, which are not known here.", ""),
    # NVMe by its class (PCI 01 08 02): an id that the list calls an NVMe SSD controller.
    ("pci:144d:a804", "debian-13", "works", "",
     " It goes by class, and the class is taken from what it is listed as: storage.", ""),
]  # fmt: skip


@pytest.mark.parametrize(("device", "image", "support", "severity", "reason", "action"), SAID)
def test_what_is_said_of_a_device(
    told: Any, device: str, image: str, support: str, severity: str, reason: str, action: str
) -> None:
    found, rows = told
    one = found.loc[(rows[device], image)]
    assert (one["support"], one["severity"]) == (support, severity), one["reason"]
    assert reason in one["reason"], one["reason"]
    assert action in one["action"] and bool(action) == bool(one["action"]), one["action"]
    assert (
        "Covered for some" in one["reason"]
        if "Covered" in reason
        else "It goes by class" not in one["reason"] or ("It goes by class" in reason)
    )


def test_where_a_verdict_is_from(told: Any) -> None:
    found, rows = told
    source = found["source"]
    assert source[rows["pci:168c:002b"], "bare"] == f"module aliases of {V13}"
    assert source[rows["pci:10ec:c821"], "debian-13"] == (
        f"module aliases of {V13}; contents of the firmware packages of debian-13"
    )
    assert source[rows["pci:10ec:c821"], "bare"].startswith(
        f"module aliases of {V13}; contents of the firmware packages of debian-13; "
    )
    assert source[rows["pci:14e4:43b1"], "debian-13"].startswith(f"module aliases of {V13}; /usr/share/broadcom-sta/")
    assert source[rows["pci:v00008086d00001904sv000017AAsd00002238bc06sc00i00"], "debian-13"] == "PCI class"
    assert source[rows["usb:ffff:fffe"], "debian-13"] == f"module aliases of {V13}"


def bound(*modules: tuple[str, Kind, int]) -> judge.Bound:
    return tuple(modules)


@pytest.mark.parametrize("kind", list(Kind))
def test_a_module_of_another_kind_does_the_work_of_none_whose_kind_is_telling(kind: Kind) -> None:
    """A camera's microphone is bound by a sound driver: that makes no camera work; a disk's kind is told by less."""
    other = Kind.AUDIO if kind is not Kind.AUDIO else Kind.STORAGE
    spec = Spec("usb:1:1", "usb", kind)
    found = judge.working(bound(("m", other, NAMED), ("own", kind, NAMED)), spec, table_files.load("debian-13"), [])
    telling = kind in (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET, Kind.BLUETOOTH, Kind.CAMERA)
    assert [name for name, _ in found] == (["own"] if telling else ["m", "own"])


def test_modules_that_serve_where_another_does_not() -> None:
    """Debian's kernels bind i915 before xe, and snd_hda_intel before snd_soc_avs."""
    here = table_files.load("debian-13")

    def left(kind: Kind, *names: str) -> list[str]:
        spec = by_id("pci", 0x8086, 0x9A49) if kind is Kind.GRAPHICS else Spec("pci:1:1", "pci", kind)
        return [name for name, _ in judge.working(bound(*((name, kind, NAMED) for name in names)), spec, here, [])]

    assert left(Kind.GRAPHICS, "i915", "xe") == ["i915"] and left(Kind.GRAPHICS, "xe") == ["xe"]
    assert left(Kind.AUDIO, "snd_hda_intel", "snd_soc_avs") == ["snd_hda_intel"]
    assert left(Kind.AUDIO, "snd_soc_avs") == ["snd_soc_avs"]
    assert left(Kind.AUDIO, "ssb", "bcma", "virtio_pci", "savagefb") == []


def quirk(effect: Effect, packages: dict[str, str] | None = None) -> Quirk:
    return Quirk("code", effect, "", packages or {}, "Reason.", "Action.", "quirk's source")


@pytest.mark.parametrize(
    ("effect", "packages", "expected"),
    [
        (Effect.SEPARATE, {"": "p"}, ("separate driver", "blocks", "p", "Reason.")),
        (Effect.SEPARATE, {"12": "p"}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it. Reason.")),
        (Effect.USERSPACE, {"13": "p"}, ("works", "", "", "Reason. It is in package p.")),
        (Effect.USERSPACE, {"12": "p"}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it. Reason.")),
        (Effect.NO_DRIVER, {}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it. Reason.")),
        (Effect.HIDES_DISK, {}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it. Reason.")),
        (Effect.NOTE, {}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it.")),
        (Effect.SHARES, {}, ("no driver", "blocks", "", "No module of kernel 6.12 is for it.")),
    ],
)  # fmt: skip
def test_what_is_known_of_a_device_that_no_module_drives(
    effect: Effect, packages: dict[str, str], expected: tuple[str, ...]
) -> None:
    place: Any = SimpleNamespace(image=SimpleNamespace(release="13"), table=SimpleNamespace(version="6.12"))
    spec = Spec("pci:1:1", "pci", Kind.WIRELESS)
    found = judge._without(spec, (), place, [quirk(effect, packages)], "aliases")
    assert (found.support, found.severity, found.cure, found.reason) == expected
    if "Reason." in expected[-1]:
        assert (found.quirk, found.action) == ("code", "Action.")
        assert found.source in ("aliases; quirk's source", "quirk's source")


@pytest.mark.parametrize(
    ("kind", "severity", "more"),
    [
        ("wireless", "blocks", ""), ("ethernet", "blocks", ""), ("storage", "blocks", ""), ("audio", "blocks", ""),
        ("bluetooth", "blocks", ""), ("camera", "degrades", ""), ("card reader", "degrades", ""),
        ("fingerprint", "degrades", ""), ("other", "", ""),
        ("graphics", "degrades", " A plain picture from the firmware's framebuffer is likely, without acceleration."),
    ],
)  # fmt: skip
def test_how_bad_it_is_that_no_module_drives_a_device(kind: str, severity: str, more: str) -> None:
    """A PC without sound is sent back; without a reader of cards or fingers it is used: common practice, no source."""
    place: Any = SimpleNamespace(image=SimpleNamespace(release="13"), table=SimpleNamespace(version="6.12"))
    whole = "pci:v00001234d00001234sv00001234sd00001234bcFFscFFiFF"
    spec = Spec(whole, "pci", Kind(kind), modalias=whole)
    found = judge._without(spec, (), place, [], "aliases")
    assert (found.support, found.severity) == ("no driver", severity)
    assert found.reason == f"No module of kernel 6.12 is for it.{more}"
    only_id = judge._without(Spec("pci:1:1", "pci", Kind(kind)), (), place, [], "aliases")
    assert (only_id.support == "unknown") == (kind not in ("wireless", "graphics", "ethernet"))
    on_usb = judge._without(Spec("usb:1:1", "usb", Kind(kind)), (), place, [], "aliases")
    assert (on_usb.support == "unknown") == (kind not in ("wireless", "graphics"))
    assumed = judge._without(Spec("usb:1:1", "usb", Kind(kind), assumed=kind), (), place, [], "aliases")
    assert assumed.support == "no driver"
    beside = judge._without(spec, bound(("snd", Kind.AUDIO, NAMED)), place, [], "aliases")
    assert f" snd binds it, which does not make it work as a {kind} device." in beside.reason


WORKS = Verdict(Support.WORKS, "a", reason="A drives it.", source="s")
DEAD = Verdict(Support.NO_DRIVER, "", "", "blocks", "", "D.", "s")


def test_ids_of_a_chip_that_no_kernel_drives_are_left_aside() -> None:
    ones = tuple(Spec(f"pci:{at}", "pci", Kind.WIRELESS, vendor=7) for at in range(6))
    other = Spec("usb:9", "usb", Kind.WIRELESS, vendor=8)

    def judged(chip: bool, *verdicts: Verdict, of: tuple[Spec, ...] = ones) -> tuple[list[str], str, str]:
        spec = Spec("x", "pci", Kind.WIRELESS, candidates=of[: len(verdicts)], chip=chip)
        kept, [found] = together(spec, [[one] for one in verdicts])
        return [one.text for one in kept.candidates], found.support, found.reason

    assert judged(True, WORKS, DEAD) == (["pci:0"], "works", "A drives it. Left aside: pci:1, which no kernel drives.")
    assert judged(True, WORKS, *[DEAD] * 4)[2].endswith("pci:1, pci:2, pci:3, pci:4, which no kernel drives.")
    assert judged(True, WORKS, *[DEAD] * 5)[2].endswith("pci:3, pci:4, …, which no kernel drives.")
    assert judged(False, WORKS, DEAD)[:2] == (["pci:0", "pci:1"], "unknown")
    assert judged(True, DEAD, DEAD)[:2] == (["pci:0", "pci:1"], "no driver")
    assert judged(True, WORKS, DEAD, of=(ones[0], other))[0] == ["pci:0", "usb:9"]
    known = Verdict(Support.NO_DRIVER, "", "", "blocks", "", "D.", "s", quirk="q")
    assert judged(True, WORKS, known)[0] == ["pci:0", "pci:1"]


@pytest.mark.parametrize(
    ("version", "numbers"),
    [("6.12.118+deb13-amd64", (6, 12, 118)), ("6.1.0-18-686-pae", (6, 1, 0)), ("7", (7,)), ("trunk", (0,))],
)
def test_a_kernels_version_is_compared_as_numbers(version: str, numbers: tuple[int, ...]) -> None:
    table = DriverTable("x", version, [], [], np.zeros(0, dtype=bool), {})
    assert Place(BARE, table, table_files.load_firmware("debian-13"), frozenset()).version == numbers


class Modules:
    """A driver table of which only modules, their folders, firmware and needs are asked."""

    def __init__(self, **modules: tuple[str, list[str], list[str]]) -> None:
        self.numbers = {name: at for at, name in enumerate(modules)}
        self.paths = [path for path, _, _ in modules.values()]
        self.of = modules

    def firmware(self, name: str) -> list[str]:
        return self.of[name][1]

    def depends(self, name: str) -> list[str]:
        return self.of[name][2]


def firmware(**packages: list[str]) -> FirmwareTable:
    shippers: dict[str, list[str]] = {}
    for name, held in packages.items():
        for file in held:
            shippers.setdefault(file, []).append(name)
    return FirmwareTable("x", {name: FirmwarePackage(name, "1", "main", 1) for name in packages}, shippers)


def test_a_driver_takes_the_newest_version_of_an_image_that_is_there() -> None:
    """iwlwifi names the newest version that it takes, and takes older ones (iwl-drv.c of Linux 6.12)."""
    shipped = firmware(
        one=["iwlwifi-a-28.ucode", "iwlwifi-a-31.ucode"], two=["iwlwifi-b-c77.ucode"], three=["iwlwifi-a-20.ucode"]
    )

    def packages(*files: str) -> tuple[frozenset[str], ...]:
        modules: Any = Modules(m=("kernel/x", list(files), []))
        return needs.shipping(modules, shipped, "m", None)

    assert packages("iwlwifi-a-30.ucode") == ({"one", "three"},)
    assert packages("iwlwifi-a-28.ucode") == ({"one"},) and packages("iwlwifi-a-27.ucode") == ({"three"},)
    assert packages("iwlwifi-a-20.ucode") == ({"three"},) and packages("iwlwifi-a-19.ucode") == (set(),)
    assert packages("iwlwifi-b-c78.ucode") == ({"two"},)
    # Named in several versions, any of those alone will do.
    assert packages("iwlwifi-a-29.ucode", "iwlwifi-a-30.ucode") == (set(),)
    assert packages("iwlwifi-a-29.ucode", "iwlwifi-a-31.ucode") == ({"one"},)
    assert packages("other.bin", "iwlwifi-a-31.ucode") == ({"one"}, set())


def test_files_of_modules_of_one_family_that_a_module_needs_count() -> None:
    """rtw88_8821ce needs rtw88_8821c, which names its file; a module of another family that it needs brings none."""
    wireless, sound = "kernel/drivers/net/wireless/realtek/rtw88", "kernel/sound/soc/sof/intel"
    modules: Any = Modules(
        ce=(wireless, ["ce.bin"], ["c", "usbcore"]), c=(wireless + "/sub", ["c.bin"], ["ce"]),
        usbcore=("kernel/drivers/usb", ["usb.bin"], []), sof=(sound, ["sof.bin"], ["soc"]),
        soc=("kernel/sound/soc/sof/common", ["soc.bin"], []), other=("kernel/sound/soc/qcom", ["qcom.bin"], ["sof"]),
        eth=("kernel/drivers/net/ethernet/a", ["a.bin"], ["eth2"]),
        eth2=("kernel/drivers/net/ethernet/b", ["b.bin"], []),
    )  # fmt: skip
    assert needs.files(modules, "ce") == ("c.bin", "ce.bin") and needs.files(modules, "usbcore") == ("usb.bin",)
    assert needs.files(modules, "sof") == ("soc.bin", "sof.bin") and needs.files(modules, "other") == ("qcom.bin",)
    assert needs.files(modules, "eth") == ("a.bin",) and needs.files(modules, "gone") == ()


def test_what_an_image_carries_lacks_and_what_nobody_ships() -> None:
    modules: Any = Modules(newmod=("kernel/x", ["a.bin", "b.bin", "c.bin"], []), one=("kernel/x", ["a.bin"], []),
                           none=("kernel/x", ["c.bin"], []), quiet=("kernel/x", [], []))  # fmt: skip
    shipped = firmware(here=["a.bin"], away=["b.bin"])
    spec = Spec("pci:1:1", "pci", Kind.WIRELESS)

    def of(module: str, carried: set[str]) -> needs.Firmware | None:
        return needs.of_module(modules, shipped, frozenset(carried), module, spec)

    found = of("newmod", {"here"})
    assert found is not None
    assert (found.named, found.certain, found.carried, found.missing, found.unshipped, found.nowhere) == (
        3, False, ("here",), ("away",), 1, False
    )  # fmt: skip
    one, none = of("one", set()), of("none", set())
    assert one is not None and none is not None
    assert (one.certain, one.carried, one.missing, one.nowhere) == (True, (), ("here",), False)
    assert (none.missing, none.unshipped, none.nowhere) == ((), 1, True)
    assert of("quiet", set()) is None


def test_a_chips_own_row_goes_before_its_makers_and_that_before_any() -> None:
    """amdgpu's Navi 21 by its name, iwlwifi's 8260 by its id; r8169 has no rows."""
    by_name = needs.part_of("amdgpu", by_id("pci", 0x1002, 0x73BF))
    assert by_name is not None and any("sienna_cichlid" in file for file in by_name.files)
    by_number = needs.part_of("iwlwifi", by_id("pci", 0x8086, 0x24F3))
    assert by_number is not None and any("8000C" in file for file in by_number.files)
    assert needs.part_of("r8169", by_id("pci", 0x10EC, 0x8168)) is None


def test_packages_of_missing_firmware_are_told_with_the_capture() -> None:
    """iwlwifi-8265-36.ucode is in firmware-iwlwifi, rtw8821c_fw.bin in firmware-realtek: package contents,
    from memory."""
    files = ["rtw88/rtw8821c_fw.bin", "iwlwifi-8265-36.ucode", *(f"no/such{at}.bin" for at in range(4))]
    capture = Capture.model_construct(firmware=files, unread={"firmware": "asked for", "screen": "dark"})
    assert asked.name_packages(capture).unread == {
        "screen": "dark",
        "firmware": "asked for: bring firmware-iwlwifi (Debian 13), firmware-realtek (Debian 13); "
        "no package of Debian ships no/such0.bin, no/such1.bin, no/such2.bin",
    }
    none = Capture.model_construct(firmware=files[2:3], unread={})
    assert asked.name_packages(none).unread == {"firmware": ": no package of Debian ships no/such0.bin"}
    some = Capture.model_construct(firmware=files[1:2], unread={})
    assert asked.name_packages(some).unread == {"firmware": ": bring firmware-iwlwifi (Debian 13)"}
    quiet = Capture.model_construct(firmware=[], unread={"firmware": "x"})
    assert asked.name_packages(quiet) is quiet


def test_devices_follow_their_units() -> None:
    found = assess(Unit(devices="pci:168c:002b;pci:10ec:8168"), Unit(), Unit(devices="pci:10ec:c821"),
                   images=[BARE, IMAGES["debian-12"]])  # fmt: skip
    assert found.on().row.tolist() == [0] * 4 + [2] * 2
    assert found.on()["image"].tolist() == ["bare", "debian-12"] * 3
    some = found.on(np.array([1, 0, -1]))
    assert (some.row.tolist(), some["image"].tolist(), len(some)) == ([0, 0], ["debian-12"] * 2, 2)
    again = found.take(np.array([2, 1, 0, 2]))
    assert again.row.tolist() == [0, 2, 2, 3]
    assert again.on(np.zeros(4, dtype=np.intp))["device"].tolist() == [
        "pci:10ec:c821", "pci:168c:002b", "pci:10ec:8168", "pci:10ec:c821"
    ]  # fmt: skip
    assert found.on().records(["device", "image"])[2] == [
        {"device": "pci:10ec:c821", "image": "bare"}, {"device": "pci:10ec:c821", "image": "debian-12"}
    ]  # fmt: skip


def test_the_worst_device_of_a_kind_stands_for_it() -> None:
    """Of two Ethernet chips that lack a file nothing blocks; of two Wi-Fi cards the one without a driver."""
    found = assess(Unit(devices="pci:10ec:c821;pci:168c:002b;pci:10ec:8168"), Unit(devices="pci:168c:002b"))
    kinds = found.kinds.set_index(["row", "kind"])
    assert kinds.loc[(0, "wireless"), ["support", "severity", "device", "cure", "firmware_packages"]].tolist() == [
        "needs firmware", "blocks", "pci:10ec:c821", "firmware-realtek", "firmware-realtek"
    ]  # fmt: skip
    assert kinds.loc[(1, "wireless"), ["support", "device"]].tolist() == ["works", "pci:168c:002b"]
    assert sorted(map(str, kinds.index)) == ["(0, 'ethernet')", "(0, 'wireless')", "(1, 'wireless')"]


def test_what_blocks_counts_before_what_degrades() -> None:
    """r8169 goes on without its file; bnx2 does not start without (drivers/net/ethernet of Linux 6.12)."""
    less = Verdict(Support.NEEDS_FIRMWARE, "a", "p", "degrades", "p", "P.", "s")
    more = Verdict(Support.NEEDS_FIRMWARE, "b", "q", "blocks", "q", "Q.", "s")
    assert [_common(["x", "y"], pair).severity for pair in ([less, more], [more, less])] == ["blocks"] * 2
    for devices in ("pci:10ec:8168;pci:14e4:1639", "pci:14e4:1639;pci:10ec:8168"):
        kinds = assess(Unit(devices=devices)).kinds
        assert kinds[["kind", "severity", "device"]].values.tolist() == [["ethernet", "blocks", "pci:14e4:1639"]]


def test_a_device_of_several_interfaces_is_listed_once_as_it_is_served_best() -> None:
    specs = [Spec("usb:1", "usb", Kind.CAMERA), Spec("usb:1", "usb", Kind.CAMERA), Spec("usb:1", "usb", Kind.AUDIO)]
    verdicts = [[DEAD], [WORKS], [DEAD]]
    spec, row = frames._once(np.array([0, 1, 2, 0, 0]), np.array([0, 0, 0, 1, 2]), specs, verdicts)
    assert (spec.tolist(), row.tolist()) == ([1, 2, 0, 0], [0, 0, 1, 2])


def test_a_name_that_no_list_knows_stands_back_behind_a_device_of_its_kind_in_the_same_unit() -> None:
    specs = [Spec("wifi?", "", Kind.WIRELESS), Spec("pci:1", "pci", Kind.WIRELESS), Spec("pci:2", "pci", Kind.AUDIO),
             Spec("?", "", Kind.OTHER)]  # fmt: skip
    spec, row = frames._named_beside(np.array([0, 1, 0, 2, 0, 3]), np.array([0, 0, 1, 1, 2, 2]), specs)
    assert (spec.tolist(), row.tolist()) == ([1, 0, 2, 0, 3], [0, 1, 1, 2, 2])
    kinds = [Spec("name", "", Kind.BLUETOOTH), Spec("pci:3", "pci", Kind.STORAGE)]
    spec, row = frames._named_beside(np.array([1, 0]), np.array([1, 0]), kinds)
    assert spec.tolist() == [1, 0]


def test_many_ids_are_looked_up_at_once() -> None:
    patterns = [f"pci:v00008086d0000{at:04X}sv*sd*bc*sc*i*" for at in range(5)] + ["pci:v*d*sv*sd*bc01sc06i01*"]
    words = np.array([row for one in patterns for row in pack_pattern(PCI, one) or []], dtype=np.uint64).reshape(-1, 4)
    index = PackedIndex(PCI, *(np.ascontiguousarray(words[:, at]) for at in range(4)))
    texts = [f"pci:v00008086d0000{at:04X}sv00008086sd00001010bc{code}i01" for at in range(7)
             for code in ("02sc80", "01sc06")]  # fmt: skip
    a, b, known, _ = np.array([(pack(text) or ("", ()))[1] for text in texts], dtype=np.uint64).T
    expected = [(at, at // 2) for at in range(10)] + [(at, 5) for at in range(1, 14, 2)]
    rows, found = index.candidates(a, b, known, known)
    assert sorted(zip(rows.tolist(), found.tolist(), strict=True)) == sorted(expected)
    # Where vendor and device are known and no class, what asks for a class alone is left out.
    device = np.full(14, 0xFFFFFFFF << 32, dtype=np.uint64)
    rows, found = index.candidates(a, b, device, np.zeros(14, dtype=np.uint64))
    assert sorted(zip(rows.tolist(), found.tolist(), strict=True)) == [(at, at // 2) for at in range(10)]


def test_a_module_is_named_once_as_it_fits_best_and_a_built_in_one_last() -> None:
    """kmod names built-in modules only where no loadable one fits; an alias of the device goes before its class's."""
    assert NAMED < BY_CLASS < PARTLY
    made = DriverTable("x", "1", ["load", "inside", "late"], [""] * 3, np.array([False, True, False]), {})
    rows, modules, how = [0, 0, 0, 1, 3, 3], [0, 0, 1, 1, 2, 0], [BY_CLASS, NAMED, NAMED, PARTLY, PARTLY, BY_CLASS]
    found = made._gather([np.array(rows[:3]), np.array(rows[3:])], [np.array(modules[:3]), np.array(modules[3:])],
                         [np.array(how[:3]), np.array(how[3:])])  # fmt: skip
    assert found.rows.tolist() == [0, 1, 3, 3] and found.modules.tolist() == [0, 1, 0, 2]
    assert found.how.tolist() == [NAMED, PARTLY, BY_CLASS, PARTLY]
    none = made._gather([], [], [])
    assert len(none.rows) == len(none.modules) == len(none.how) == 0


def test_how_a_module_fits() -> None:
    """ahci takes the class 01 06 01 of any maker; e1000e names 8086:10d3; Linux 6.12, drivers/ata/ahci.c, e1000e."""
    here = table_files.load("debian-13")
    texts = [
        "pci:v0000FFF0d0000FFF0sv00000000sd00000000bc01sc06i01",
        "pci:v00008086d000010D3sv00000000sd00000000bc02sc00i00",
    ]
    found = here.match([pack(text) or text for text in texts])
    assert [(here.modules[at], how) for at, how in zip(found.modules, found.how, strict=True)] == [
        ("ahci", table.BY_CLASS), ("e1000e", table.NAMED)
    ]  # fmt: skip
    assert here.resolve(["acpi:PNP0C0A:", "acpi:LEN0071:PNP0C0A:", "no-such:thing", "pci:v0000]"]) == [
        ["battery"], ["battery"], [], []
    ]  # fmt: skip


WORDS = {
    ("broadcom-sta", "separate driver"): ("broadcom-sta-dkms (non-free)", "linux-headers"),
    ("b43", "through"): ("b43 drives it", ""),
    ("b43-firmware", "fetched firmware"): ("firmware-b43-installer (contrib)", "install firmware-b43-installer;"),
    ("b43legacy", "through"): ("b43legacy drives it behind the bus ssb", ""),
    ("b43legacy-firmware", "fetched firmware"): ("firmware-b43legacy-installer (contrib)",
    "install firmware-b43legacy-"),
    ("brcmsmac", "through"): ("brcmsmac drives it behind the bus bcma", ""),
    ("vmd mode", "note"): ("The driver vmd is in the installer", "If the installer lists no disk, switch VMD"),
    ("vmd mode", "hides disk"): ("this kernel cannot open", "Switch VMD (or 'RAID On') to AHCI/NVMe"),
    ("raid mode", "remaps nvme"): ("RAID (Rapid Storage) mode. A SATA disk is seen",
    "to AHCI in the firmware set-up before"),
    ("raid mode", "hides disk"): ("AMD RAID mode", "AHCI (NVMe RAID off)"),
    ("camera behind IPU", "doubtful"): ("a driver of its sensor, and libcamera", "a USB camera works instead"),
    ("second function", "second function"): ("kept for a second screen: it needs no driver", ""),
    ("fingerprint-unsupported", "no driver"): ("known and not supported", "passwords work"),
}  # fmt: skip
"""By code and effect: words that the reason and the action must hold."""
SHARING = {"usb:8087:*": "firmware-iwlwifi", "usb:0bda:*": "firmware-realtek", "usb:0e8d:*": "MediaTek",
           "usb:0cf3:*": "firmware-atheros"}  # fmt: skip


def test_what_each_piece_of_knowledge_says() -> None:
    """The packages that do it, what the firmware set-up is asked for, and what the recipient is told."""
    seen = set()
    for row in small_tables.rows("quirks") + small_tables.rows("quirks_packages"):
        key, said = (row["code"], row["effect"]), (row["reason"], row["action"])
        if key in WORDS:
            seen.add(key)
            assert all(
                word in text and bool(word) == bool(text) for word, text in zip(WORDS[key], said, strict=True)
            ), row
        elif key == ("shares-wifi-firmware", "shares firmware"):
            assert SHARING[row["ids"]] in row["reason"] and "serves both halves of the card" in row["reason"]
        elif key == ("virtio", "through"):
            assert row["reason"] == f"{row['module']} drives it behind the bus virtio: this is a virtual machine."
        else:
            releases = {one.split(":")[0] for one in small_tables.parts(row["packages"])}
            packages = {one.split(":")[1] for one in small_tables.parts(row["packages"])}
            assert all(f"Debian {release}" in row["reason"] for release in releases), row["code"]
            assert all((f"Debian {release}" in row["reason"]) == (release in releases) for release in ("12", "13")) or (
                key[1] == "driver series"
            )
            if key[1] == "driver series":
                assert all(package in row["reason"] for package in packages) and "nouveau" in row["action"]
            else:
                assert key == ("fingerprint", "userspace") and packages == {"libfprint-2-2"}
                assert row["action"].startswith("Enrol a finger under Users")
    assert seen == WORDS.keys()


RENAMED = {
    "1002": "4752 4c52 4e56 6750 6820 6821 6823 6825 682b 682f 68a8 68e0 9555 9598",
    "1014": "00b7",
    "10de": "016d 016e 086f 0a68 0a69 2321",
    "10ec": "0139 8136 8177 8178 8191",
    "1282": "9009 9102",
    "14e4": "4425",
    "15b3": "1013 1014 1015 1016",
    "168c": "0030 0033 ff1d",
    "8086": "0162 0402 040a 0412 0416 041a 0f31 1507 2526 31dc 34f0 4df0 5a84 a370",
}  # fmt: skip
"""Ids under 'pci' whose name shares no telling word with a former one: a mistaken chip or card put right, a number with
an open digit, a chipset's name for a processor's or a card's."""
GENERAL = (
    "radeon mobility geforce series graphics controller integrated mobile secondary quadro wireless network adapter "
    "ethernet gigabit pci express rage firegl firepro agp pcie processor family core gen gen1 gen2 chipset device "
    "connection fast wifi pro and for usb the corporation graphic primary card"
)


def test_a_former_name_is_of_the_same_chip_as_the_present_one() -> None:
    """A chip's name is worded anew over the years, yet holds its code name or number; a gone one is its maker's."""

    def words(text: str) -> set[str]:
        return set(re.findall(r"[a-z]*\d+|[a-z]{3,}", text.lower())) - set(GENERAL.split(" "))

    rows, apart = small_tables.rows("former_names"), set()
    for row in rows:
        bus, vendor, device = row["id"].split(":")
        listed = ids.load(bus)
        at = listed.index(int(vendor, 16), int(device, 16))
        now = listed.names[at] if at is not None else ""
        if now and not words(row["name"]) & words(now):
            apart.add(row["id"])
        if not now and vendor == "1002":
            assert re.search(r"Rage|Radeon|Fire(GL|Pro|MV)|Rialto|ES1000|^\w*R[SV]?\d{3}|^M\d\d", row["name"]), row
    assert apart == {f"pci:{maker}:{one}" for maker, some in RENAMED.items() for one in some.split()}
    assert len(rows) == 951


def test_a_table_is_listed_with_its_age_its_place_and_its_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = {"version": "6.12", "modules": 2, "aliases": 3, "date": "2026-01-01"}
    metas: dict[str, dict[str, Any]] = {
        "new": kernel,
        "own": {**kernel, "changes": {"since": "6.1", "aliases_added": 5, "aliases_gone": 4, "modules_added": ["a"],
                                      "modules_gone": ["b", "c"]}},
        "odd": {**kernel, "date": "soon"},
    }  # fmt: skip

    def arrays_of(_kind: str, name: str) -> tuple[dict[str, Any], dict[str, Any]]:
        if name == "bad":
            raise TableError("It is damaged.")
        return {}, metas[name]

    places = {"new": Path("/shipped/new"), "own": Path("/mine/own"), "odd": Path("/shipped/odd"), "bad": Path("/x/bad")}
    fake = SimpleNamespace(place=lambda name, _kind: places.get(name), meta=lambda path: metas.get(path.name, kernel),
                           arrays_of=arrays_of, folders=lambda: [Path("/mine"), Path("/shipped")])  # fmt: skip
    monkeypatch.setattr(summary, "table_files", fake)
    day = datetime.date(2026, 1, 11)
    plain = "6.12, 2 modules, 3 aliases, built 2026-01-01 (10 days ago)"
    assert summary._line("new", "kernel", day) == f"  new: {plain}"
    assert summary._line("own", "kernel", day) == (
        f"  own: {plain} (your own: /mine/own)\n      since 6.1: 5 aliases more, 4 fewer, 1 modules new, 2 gone"
    )
    assert summary._line("odd", "kernel", day) == "  odd: 6.12, 2 modules, 3 aliases, built soon"
    assert summary._line("gone", "kernel", day) == "  gone: gone"
    assert summary._line("bad", "kernel", day) == "  bad: unusable. It is damaged."


def test_what_changed_in_a_table_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    about: dict[str, Any] = {
        **{name: name.upper() for name in ("title", "source", "date", "licence", "remake", "sha256")},
        "notes": ["one note"],
        "changes": {"since": "6.1", "built": "2025-01-01", "aliases_added": 5, "aliases_gone": 4,
        "modules_added": ["a"],
                    "modules_gone": []},
    }  # fmt: skip
    fake = SimpleNamespace(place=lambda _name, kind: Path("/x") if kind == "kernel" else None,
                           arrays_of=lambda _kind, _name: ({}, about))  # fmt: skip
    monkeypatch.setattr(summary, "table_files", fake)
    assert summary.one("x").splitlines() == [
        "TITLE", "  source: SOURCE", "  date: DATE", "  licence: LICENCE", "  remake: REMAKE", "  sha256: SHA256",
        "  note: one note", "Changed since 6.1 (built 2025-01-01):", "  aliases: 5 more, 4 fewer", "  modules new: a",
    ]  # fmt: skip
    del about["changes"]
    assert summary.one("x").splitlines()[-1] == (
        "Nothing to compare with: this is the first build, or the kernel is the same as before."
    )
    fake.place = lambda _name, kind: Path("/x") if kind == "ids" else None
    assert summary.one("x").splitlines()[-1] == "  note: one note"


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        ("format = 1\nmodules = 0\naliases = 0\nfiles = 0", ""), ("format = 0", ""),
        ("format = 1\nmodules = 1000000000000", ""),
        ("format = 1\nmodules = -1", "modules"), ("format = 1\nmodules = 1000000000001", "modules"),
        ("format = -1", "format"),
        ("format = 1\nmodules = 1.0", "modules"), ("format = 2", "is of format 2; this version reads up to 1."),
        ("format = 1\nnotes = 'x'", "notes"), ("modules = 1", "format"),
        ("format = 1\n[changes]\nsince = 'a'\nbuilt = 'b'\naliases_added = 0\naliases_gone = 0\nmodules_added = []\n"
         "modules_gone = ['x']", ""),
        ("format = 1\n[[packages]]\nname = 'p'\nversion = '1'\narchitecture = 'all'\narea = 'main'\nsize = 0\n"
         "sha256 = 'x'", ""),
        ("format = 1\n[[packages]]\nname = 'p'\nversion = '1'\narchitecture = 'all'\narea = 'main'\nsha256 = 'x'",
         "packages.0.size"),
    ],
)  # fmt: skip
def test_what_a_tables_meta_file_may_hold(lines: str, wrong: str, tmp_path: Path) -> None:
    """Nothing may be counted, less than nothing may not; what is not as it must be is named."""
    file = tmp_path / "kernel-x.meta.toml"
    said = "".join(f"{name} = 'x'\n" for name in ("title", "source", "date", "licence", "remake", "sha256"))
    file.write_text(said + lines, encoding="utf-8")
    if not wrong:
        assert read_about(file, 1, "Build it.")["title"] == "x"
        return
    with pytest.raises(TableError) as refused:
        read_about(file, 1, "Build it.")
    assert wrong in refused.value.message.removeprefix(str(file)) and "Build it." in refused.value.hint


EFFECTS = {
    **dict.fromkeys(("amdxdna", "ccp", "intel_ish_ipc", "intel_vpu"), "not needed for a desktop"), "ast": "DisplayPort",
    "tg3": "only the oldest chips", "isci": "firmware set-up instead", "xhci_pci_renesas": "a chip of their own",
    "e100": "the 82551 chip apart", "ice": "safe mode", "i915": "the picture is good; deep sleep",
    "nouveau": "a picture without acceleration", "r8169": "built-in program; some links are less stable",
    **dict.fromkeys(("r8152", "r8153_ecm"), "built-in program"), "snd_soc_avs": "snd_hda_intel or SOF instead",
    **dict.fromkeys(("gspca_vicam", "intel_ipu6", "ipu3_imgu"), "the camera stays dark"),
}  # fmt: skip


def test_what_goes_on_without_firmware_says_how() -> None:
    """r8169, r8152, tg3, i915, nouveau and ice go on, as their sources say (Linux 6.12); the rest from memory."""
    for name, rule in needs.rules().items():
        if rule.severity is needs.Lack.BLOCKS:
            continue
        default = "sound or microphone stay dead" if name.startswith("snd_sof") else "the card may stay silent"
        assert EFFECTS.get(name, default) in rule.effect, name
        assert name in EFFECTS or name.startswith("snd_")


def test_a_package_is_told_with_its_size_and_area(told: Any) -> None:
    found, rows = told
    size = table_files.load_firmware("debian-13").by_name["firmware-realtek"].size
    words = f"Put on the stick: firmware-realtek ({size / 1048576:.1f} MiB, non-free-firmware)."
    assert words in found["reason"][rows["pci:10ec:c821"], "bare"] and 1e6 < size < 1e8


def test_few_names_are_shown_that_are_only_near() -> None:
    for text, kind in (("GeForce 99999", Kind.GRAPHICS), ("Radeon HD 99999", Kind.GRAPHICS)):
        [found] = names.match([text], kind)
        assert not found.exact and len(found.entries) == 5
        assert found.problem.startswith(f"{text!r} is in no id list; nearest: {found.entries[0].text} ")


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ("06", "other"),
        ("05", "other"),
        ("08", "other"),
        ("0b", "other"),
        ("07", "audio"),
        ("0c", "audio"),
        ("ff", "audio"),
    ],
)
def test_a_driver_tells_the_kind_of_what_neither_class_nor_list_tells(code: str, kind: str) -> None:
    """Bridges, memory controllers, system parts and processors are the chipset's whatever binds them (PCI classes)."""
    [[spec]] = specs_of([f"pci:v0000FFF9d0000FFFEsv00000000sd00000000bc{code.upper()}sc80i00"], None)
    assert judge.kind_of(spec, [(("m", Kind.OTHER, 0),), (("m", Kind.OTHER, 0), ("n", Kind.AUDIO, 0))]) == kind
    assert judge.kind_of(spec, [(("m", Kind.OTHER, 0),), ()]) == "other"
    known = Spec("pci:1", "pci", Kind.CAMERA)
    assert judge.kind_of(known, [(("n", Kind.AUDIO, 0),)]) == "camera"


def test_one_package_for_both_halves_is_told_of_a_bluetooth_half_that_lacks_it(told: Any) -> None:
    found, rows = told
    assert "both halves of the card" in found["reason"][rows["usb:8087:0a2b"], "bare"]
    assert "both halves" not in found["reason"][rows["usb:8087:0a2b"], "debian-13"]


STOPS = needs.FirmwareRule(needs.Lack.BLOCKS, "it stops", "why it stops")
LESS = needs.FirmwareRule(needs.Lack.DEGRADES, "it is slow", "why it is slow")
SPARE = needs.FirmwareRule(needs.Lack.OPTIONAL, "nothing much", "why")
BOTH = "Put on the stick: p (1.0 MiB, main) and q (2.5 MiB, contrib)."
SEVERAL = " a names files for several chips; which of them is asked for is not told."


def needed(
    module: str,
    rule: needs.FirmwareRule,
    carried: str = "",
    missing: str = "",
    certain: bool = True,
    unshipped: int = 0,
) -> needs.Firmware:
    return needs.Firmware(module, 2, certain, tuple(carried.split()), tuple(missing.split()), unshipped, rule)


@pytest.mark.parametrize(
    ("states", "fields", "reason", "action"),
    [
        ([], ("works", "", "", ""), "a drives it. It asks for no firmware.", ""),
        ([needed("a", STOPS, "p")], ("works", "", "", ""),
        "a drives it. Its firmware is in p, which the image carries.", ""),
        ([needed("a", STOPS, "q"), needed("b", STOPS, "p")], ("works", "", "", ""),
         "a and b are for it. Its firmware is in p and q, which the image carries.", ""),
        ([needed("a", SPARE, "", "p")], ("works", "", "", ""), "a drives it. Firmware is optional.", ""),
        ([needed("a", STOPS, "", "", unshipped=2)], ("needs firmware", "", "blocks", ""),
         "a drives it. Without firmware: it stops. No package of x ships the file that a asks for.", ""),
        ([needed("a", STOPS, "p", "", unshipped=1)], ("works", "", "", ""),
         "a drives it. Its firmware is in p, which the image carries.", ""),
        ([needed("a", LESS, "", "p")], ("needs firmware", "p", "degrades", "p"),
         "a drives it. Without firmware: it is slow. Put on the stick: p (1.0 MiB, main).", "Copy p to the stick."),
        ([needed("a", LESS, "", "q"), needed("b", STOPS, "", "p")], ("needs firmware", "p q", "blocks", "p"),
         "a and b are for it. Without firmware: it stops. " + BOTH,
         "Copy p and q to the stick."),
        ([needed("a", STOPS, "", "p q", certain=False)], ("needs firmware", "p q", "blocks", "p"),
         "a drives it. Without firmware: it stops. " + BOTH + SEVERAL,
         "Copy p and q to the stick."),
        ([needed("a", STOPS, "", "p", certain=False)], ("needs firmware", "p", "blocks", "p"),
         "a drives it. Without firmware: it stops. Put on the stick: p (1.0 MiB, main).", "Copy p to the stick."),
    ],
)  # fmt: skip
def test_what_is_said_of_a_drivers_firmware(
    monkeypatch: pytest.MonkeyPatch, states: list[needs.Firmware], fields: tuple[str, ...], reason: str, action: str
) -> None:
    """What is carried, what is to be put on the stick, how badly: the worst of a device's modules tells."""
    by_module = {state.module: state for state in states}
    monkeypatch.setattr(judge.needs, "of_module", lambda _t, _f, _c, module, _s: by_module.get(module))
    packages = {"p": FirmwarePackage("p", "1", "main", 2**20), "q": FirmwarePackage("q", "1", "contrib", 5 * 2**19)}
    place: Any = SimpleNamespace(image=SimpleNamespace(release="13"), table=None, carried=frozenset(),
                                 firmware=FirmwareTable("x", packages, {}))  # fmt: skip
    modules = sorted(by_module) or ["a"]
    found = judge._firmware(Spec("pci:1", "pci", Kind.WIRELESS),
    [(one, NAMED) for one in modules], " ".join(modules), place,
                            [], "aliases")  # fmt: skip
    assert (found.support, found.firmware_packages, found.severity, found.cure) == fields
    assert (found.reason, found.action, found.modules) == (reason, action, " ".join(modules))
    worst = next((f"; {state.rule.source}" for state in states if state.rule.effect in reason), "")
    contents = "; contents of the firmware packages of x" if states else ""
    assert found.source == f"aliases{contents}{worst}"
