"""What verdicts say, word for word, and what the room's small tables state, by hand and from the sources named."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from advisor.drivers import asked, needs, quirks, small_tables
from advisor.drivers.judge import newer
from advisor.drivers.kinds import Kind, of_module, of_name, of_pci_class, of_usb_class
from advisor.drivers.spec import _by_pattern, by_id, specs_of
from advisor.drivers.verdict import Verdict, _common, unknown
from advisor.unit import Support

WORKS = Verdict(Support.WORKS, "a", reason="A drives it.", source="s")
FIRMWARE = Verdict(Support.NEEDS_FIRMWARE, "b", "firmware-b", "blocks", "firmware-b", "B.", "s")
SEPARATE = Verdict(Support.SEPARATE_DRIVER, "", "", "blocks", "c-dkms", "C.", "s")
DEAD = Verdict(Support.NO_DRIVER, "", "", "blocks", "", "D.", "s")


@pytest.mark.parametrize(
    ("verdicts", "fields", "reason", "action"),
    [
        ([WORKS, WORKS], ("works", "a", "", "", ""), ", all with this verdict. A drives it.", ""),
        ([WORKS, FIRMWARE], ("needs firmware", "a b", "firmware-b", "blocks", "firmware-b"),
         "; with firmware-b on the stick all of them work. Works: x0; needs firmware (firmware-b): x1.",
         "Copy firmware-b to the stick."),
        ([SEPARATE, DEAD], ("no driver", "", "", "blocks", ""),
         ", and none of them works on this image as it is. Separate driver (c-dkms): x0; no driver: x1.",
         "Read its id with lspci -nn or lsusb: what helps differs."),
        ([WORKS, DEAD], ("unknown", "", "", "", ""), " with different verdicts. Works: x0; no driver: x1.",
         "Read its id with lspci -nn or lsusb."),
    ],
)  # fmt: skip
def test_what_is_said_of_a_name_that_fits_several_ids(
    verdicts: list[Verdict], fields: tuple[str, ...], reason: str, action: str
) -> None:
    found = _common([f"x{at}" for at in range(len(verdicts))], verdicts)
    assert (found.support, found.modules, found.firmware_packages, found.severity, found.cure) == fields
    assert found.reason == f"The name fits {len(verdicts)} ids (x0, x1){reason}"
    assert (found.action, found.source) == (action, "s")


def test_of_many_ids_the_first_are_listed() -> None:
    found = _common(list("abcdefg"), [WORKS] * 6 + [DEAD])
    assert found.reason == (
        "The name fits 7 ids (a, b, c, d, e, f, …) with different verdicts. Works: a, b, c, d, …; no driver: g."
    )
    assert _common(list("abcdef"), [WORKS] * 6).reason.startswith("The name fits 6 ids (a, b, c, d, e, f), all")


def place(name: str, version: str, architecture: str = "amd64", on_hand: bool = True) -> Any:
    return SimpleNamespace(
        image=SimpleNamespace(name=name, architecture=architecture, kernel=name, on_hand=on_hand),
        table=SimpleNamespace(version=version), version=tuple(map(int, version.split("."))),
    )  # fmt: skip


HERE, LATER, LATEST, OLDER = (place(name, v) for name, v in (("m", "6.12"), ("n", "6.16"), ("o", "7.3"), ("l", "6.1")))
NEWER = "No module of kernel 6.12 is for it; the newer kernel 6.16 of image n has a."


@pytest.mark.parametrize(
    ("verdict", "others", "ours", "support", "cure", "reason", "action"),
    [
        (DEAD, [(LATER, WORKS)], True, "newer kernel", "n", NEWER, "Use image n."),
        (DEAD, [(LATEST, WORKS), (LATER, WORKS)], True, "newer kernel", "n", NEWER, "Use image n."),
        (DEAD, [(OLDER, WORKS), (LATER, WORKS)], True, "newer kernel", "n", NEWER, "Use image n."),
        (DEAD, [(LATER, WORKS)], False, "newer kernel", "n",
         "No module of kernel 6.12 is for it; the newer kernel 6.16 (table n), which no image of the shop has, has a.",
         "Make an image with kernel n."),
        (DEAD, [(LATER, FIRMWARE)], True, "newer kernel", "n",
         "No module of kernel 6.12 is for it; the newer kernel 6.16 of image n has b."
         " There it needs firmware: firmware-b.", "Use image n."),
        (DEAD, [(LATER, FIRMWARE), (LATEST, WORKS)], True, "newer kernel", "o",
         "No module of kernel 6.12 is for it; the newer kernel 7.3 of image o has a.", "Use image o."),
        (DEAD, [(OLDER, WORKS)], True, "no driver", "l",
         "No module of kernel 6.12 is for it; the older kernel 6.1 of image l has a.", ""),
        (Verdict(Support.NEEDS_FIRMWARE, reason="No package has it.", source="s"), [(LATER, WORKS)], True,
         "newer kernel", "n", "No package has it. The newer kernel 6.16 of image n has a.", "Use image n."),
        (DEAD, [(place("n", "6.16", on_hand=False), WORKS), (LATEST, WORKS)], True, "newer kernel", "o",
         "No module of kernel 6.12 is for it; the newer kernel 7.3 of image o has a.", "Use image o."),
        (DEAD, [(place("n", "6.16", "i386"), WORKS)], True, "no driver", "", "D.", ""),
        (DEAD, [(HERE, WORKS)], True, "no driver", "", "D.", ""),
        (DEAD, [(LATER, DEAD)], True, "no driver", "", "D.", ""),
        (DEAD, [(LATER, Verdict(Support.NEEDS_FIRMWARE))], True, "no driver", "", "D.", ""),
    ],
)  # fmt: skip
def test_where_another_kernel_helps(
    verdict: Verdict, others: list[Any], ours: bool, support: str, cure: str, reason: str, action: str
) -> None:
    """The newer one goes before the older, what works before what lacks firmware, what lies ready before the rest."""
    found = newer(verdict, HERE, others, ours)
    assert (found.support, found.cure, found.reason, found.action) == (support, cure, reason, action)
    if found.support == "newer kernel":
        assert found.source.startswith("s; module aliases of ") and found.firmware_packages == ""


def test_what_is_not_known_asks_for_its_id() -> None:
    found = unknown("Why.")
    assert (found.support, found.severity, found.reason, found.source, found.action) == (
        "unknown", "", "Why.", "the intake", "Read its id with lspci -nn or lsusb."
    )  # fmt: skip


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ("0280", "wireless"), ("0d11", "bluetooth"), ("0d20", "wireless"), ("0d21", "wireless"), ("0200", "ethernet"),
        ("0805", "card reader"), ("0101", "storage"), ("0104", "storage"), ("0106", "storage"), ("0108", "storage"),
        ("0300", "graphics"), ("0302", "graphics"), ("0380", "graphics"), ("0401", "audio"), ("0403", "audio"),
        ("0400", None), ("0480", None), ("0600", None), ("0c03", None), ("0c80", None), ("0500", None),
    ],
)  # fmt: skip
def test_kinds_by_pci_class(code: str, kind: str | None) -> None:
    """PCI Code and ID Assignment Specification, appendix of class codes; 04 00 is video, 04 80 other multimedia."""
    assert of_pci_class(code) == kind


@pytest.mark.parametrize(
    ("device", "interface", "kind"),
    [
        ("000000", "010100", "audio"), ("ef0201", "0e0100", "camera"), ("e00101", "", "bluetooth"),
        ("000000", "e00101", "bluetooth"), ("e00104", "", "bluetooth"), ("000000", "e00104", None),
        ("000000", "080650", None), ("e00103", "e00103", None),
    ],
)  # fmt: skip
def test_kinds_by_usb_class(device: str, interface: str, kind: str | None) -> None:
    """USB-IF, Defined Class Codes: 01 audio, 0E video, E0 01 01 Bluetooth, E0 01 04 its AMP controller."""
    assert of_usb_class(device, interface) == kind


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("drivers/net/wireless/intel/iwlwifi/iwlwifi.ko", "wireless"), ("drivers/bluetooth/btusb.ko", "bluetooth"),
        ("drivers/net/ethernet/realtek/r8169.ko", "ethernet"), ("drivers/net/usb/r8152.ko", "ethernet"),
        ("drivers/gpu/drm/i915/i915.ko", "graphics"), ("drivers/video/fbdev/savage/savagefb.ko", "graphics"),
        ("sound/pci/hda/snd-hda-intel.ko", "audio"), ("drivers/ata/ahci.ko", "storage"),
        ("drivers/nvme/host/nvme.ko", "storage"), ("drivers/scsi/isci/isci.ko", "storage"),
        ("drivers/message/fusion/mptsas.ko", "storage"), ("drivers/ufs/host/ufshcd-pci.ko", "storage"),
        ("drivers/misc/cardreader/rtsx_pci.ko", "card reader"), ("drivers/memstick/host/r592.ko", "card reader"),
        ("drivers/mmc/host/sdhci-pci.ko", "card reader"), ("drivers/media/usb/uvc/uvcvideo.ko", "camera"),
        ("drivers/media/usb/gspca/gspca_ov519.ko", "camera"),
        ("drivers/media/pci/intel/ipu6/intel-ipu6.ko", "camera"), ("drivers/media/pci/bt8xx/bttv.ko", "other"),
        ("drivers/staging/rtl8712/r8712u.ko", "wireless"), ("drivers/staging/vt6655/vt6655_stage.ko", "wireless"),
        ("drivers/pci/controller/vmd.ko", "storage"), ("drivers/usb/host/xhci-pci.ko", "other"),
    ],
)  # fmt: skip
def test_kinds_by_the_kernels_folders(path: str, kind: str) -> None:
    """Linux 6.12: where each driver lies says what it is for; staging and VMD by name."""
    name = path.rpartition("/")[2].removesuffix(".ko").replace("-", "_")
    assert of_module(f"kernel/{path}", name) == kind


@pytest.mark.parametrize(
    ("name", "vendor", "kind"),
    [
        ("Sunrise Point-LP HD Audio", 0x8086, "audio"), ("GK208 HDMI/DP Audio Controller", 0x10DE, "audio"),
        ("Sunrise Point-LP USB 3.0 xHCI Controller", 0x8086, "other"), ("Xeon E3-1200 Host Bridge", 0x8086, "other"),
        ("HD Graphics 520", 0x8086, "graphics"), ("[AMD/ATI] Navi 23", 0x1002, "graphics"),
        ("[AMD/ATI] Navi 10 USB", 0x1002, "other"), ("NVIDIA Corporation GM204M", 0x10DE, "graphics"),
        ("[AMD/ATI] Navi 23", 0x8086, "other"),
    ],
)  # fmt: skip
def test_kinds_by_names_of_the_list(name: str, vendor: int, kind: str) -> None:
    """Names as pci.ids words them."""
    assert of_name(name, vendor) == kind


DEGRADES = {"e100", "r8152", "r8153_ecm", "r8169", "ice", "i915", "nouveau", "gspca_vicam", "intel_ipu6", "ipu3_imgu"}
OPTIONAL = {"amdxdna", "ast", "ccp", "intel_ish_ipc", "intel_vpu", "isci", "tg3", "xhci_pci_renesas"}
DEAD_WITHOUT = {"the card does not start", "the adapter does not start", "Bluetooth does not start",
                "its disks are not seen", "the port does not start", "the wired port does not start"}  # fmt: skip
BLUETOOTH = {"ath3k", "bcm203x", "bfusb", "bpa10x", "btintel_pcie", "btmrvl_sdio", "btusb"}
DISKS = {"advansys", "aic94xx", "bfa", "csiostor", "qla1280", "qla2xxx", "wd719x"}
PORTS = {"acenic", "bna", "bnx2", "bnx2x", "cassini", "cxgb3", "cxgb4", "kaweth", "liquidio", "myri10ge", "netxen_nic",
         "nfp", "qlcnic", "starfire", "tehuti", "typhoon"}  # fmt: skip
PICTURES = {
    "amdgpu": "no desktop", "radeon": "no acceleration; from the HD 2000 on the desktop may stay black",
    "xe": "no acceleration and often no picture",
}  # fmt: skip


def test_how_badly_each_driver_needs_its_firmware() -> None:
    """From memory of the drivers: wireless, Bluetooth and host adapters stop without; wired chips of old go on with
    what they hold; sound cards with a processor of their own stay silent; amdgpu, radeon and xe give no desktop."""
    for name, rule in needs.rules().items():
        if name in OPTIONAL:
            assert rule.severity == "optional", name
        elif name in DEGRADES or name.startswith("snd_"):
            assert rule.severity == "degrades", name
        elif name in PICTURES:
            assert rule.severity == "blocks" and rule.effect.startswith(PICTURES[name]), name
        else:
            assert rule.severity == "blocks" and rule.effect in DEAD_WITHOUT, name
            words = ("Bluetooth" if name in BLUETOOTH else "disks" if name in DISKS else "port" if name in PORTS
                     else "adapter" if name == "ath9k_htc" else "card")  # fmt: skip
            assert words in rule.effect, name
    assert (DEGRADES | OPTIONAL | BLUETOOTH | DISKS | PORTS | PICTURES.keys()) <= needs.rules().keys()


def test_a_module_without_a_row_is_taken_to_need_its_firmware() -> None:
    assert [needs.rule_of("new", kind).severity for kind in (Kind.WIRELESS, Kind.BLUETOOTH, Kind.ETHERNET)] == [
        "blocks", "blocks", "degrades"
    ]  # fmt: skip
    assert needs.rule_of("new", Kind.AUDIO).effect == "how badly it needs it is not in the table; taken as degrades"


def test_few_packages_serve_all_files() -> None:
    groups = [frozenset("ab"), frozenset("bc"), frozenset("d"), frozenset("ef")]
    assert needs.cover(groups) == ("b", "d", "e")


def quirk(text: str) -> list[tuple[str, str, str, str]]:
    bus, vendor, device = text.split(":")
    found = quirks.of_device(by_id(bus, int(vendor, 16), int(device, 16)))
    return [(one.effect, one.module, one.package("12"), one.package("13")) for one in found]


STA = [("separate driver", "", "broadcom-sta-dkms", "broadcom-sta-dkms")]


@pytest.mark.parametrize(
    ("device", "known"),
    [
        *((f"pci:14e4:{one}", STA) for one in ("43a0", "43b1", "4365", "4313", "432a", "432d")),
        ("pci:14e4:4318", [("through", "b43", "", ""), ("fetched firmware", "", *["firmware-b43-installer"] * 2)]),
        ("pci:14e4:4301",
         [("through", "b43legacy", "", ""), ("fetched firmware", "", *["firmware-b43legacy-installer"] * 2)]),
        ("pci:14e4:0576", [("through", "brcmsmac", "", "")]),
        ("pci:8086:467f", [("note", "", "", ""), ("hides disk", "", "", "")]),
        ("pci:8086:2822", [("remaps nvme", "", "", "")]), ("pci:1022:b000", [("hides disk", "", "", "")]),
        *((f"usb:{one}:1234", [("shares firmware", "", "", "")]) for one in ("8087", "0bda", "0e8d", "0cf3")),
        ("pci:8086:9a19", [("doubtful", "", "", "")]), ("pci:8086:2a43", [("second function", "", "", "")]),
        ("pci:1002:3e70", [("second function", "", "", "")]),
        *((f"pci:1af4:{one}", [("through", module, "", "")]) for one, module in (
            ("1000", "virtio_net"), ("1041", "virtio_net"), ("1001", "virtio_blk"), ("1042", "virtio_blk"),
            ("1004", "virtio_scsi"), ("1048", "virtio_scsi"), ("1050", "virtio_gpu"), ("1002", "virtio_balloon"),
            ("1045", "virtio_balloon"), ("1005", "virtio_rng"), ("1044", "virtio_rng"),
            ("1053", "vmw_vsock_virtio_transport"),
        )),
        ("usb:5501:08ff", [("userspace", "", "libfprint-2-2", "")]),
    ],
)  # fmt: skip
def test_what_is_known_of_a_device_beside_the_kernels_tables(device: str, known: list[tuple[str, ...]]) -> None:
    """Sources as the rows name them: packages broadcom-sta and firmware-b43*, OASIS VIRTIO 1.2, pci.ids, vmd.c."""
    assert quirk(device) == known


def test_framebuffer_drivers_that_are_never_loaded() -> None:
    """Package udev, modprobe.d/fbdev-blacklist.conf, those of them that Debian's kernels build."""
    names = (
        "arkfb aty128fb atyfb cirrusfb cyber2000fb kyrofb matroxfb_base mb862xxfb neofb pm2fb pm3fb radeonfb s3fb "
        "savagefb sisfb tdfxfb tridentfb vt8623fb"
    )
    assert quirks.forbidden() == set(names.split())
    assert len(small_tables.rows("forbidden")) == 18


def test_a_package_for_a_file_that_a_kernel_missed() -> None:
    """Package contents: iwlwifi-8265 in firmware-iwlwifi, the RTL8821CE's in firmware-realtek; from memory."""
    found = asked.packages_with(["iwlwifi-8265-36.ucode", "rtw88/rtw8821c_fw.bin", "no/such.bin"])
    assert list(found.values()) == ["firmware-iwlwifi (Debian 13)", "firmware-realtek (Debian 13)", ""]


@pytest.mark.parametrize(
    ("device", "code", "interface"),
    [
        ("00008086d00009D03", "bc01sc06", 0x01), ("0000144Dd0000A804", "bc01sc08", 0x02),
        ("00008086d00007111", "bc01sc01", None), ("00001180d0000E823", "bc08sc05", None),
        ("00008086d000024F3", "bc02sc80", 0x00), ("00008086d00009D2F", "bc0Csc03", 0x30),
        ("00008086d00001C26", "bc0Csc03", 0x20), ("00001002d00004397", "bc0Csc03", 0x10),
        ("00008086d00002830", "bc0Csc03", 0x00), ("00001234d00001234", "bc0Csc03", None),
    ],
)  # fmt: skip
def test_an_interface_that_a_listing_does_not_show(device: str, code: str, interface: int | None) -> None:
    """PCI Code and ID Assignment Specification: AHCI is 01 06 01, NVMe 01 08 02; those of IDE and SD hosts are several;
    a USB controller's is told by its name in pci.ids: xHCI 30, EHCI 20, OHCI 10, UHCI 00."""
    _, code_word, _, known = _by_pattern(f"pci:v{device}sv*sd*{code}i*").words
    low, told = code_word & 0xFF, known & 0xFF
    assert (low if told else None) == interface and told in (0, 0xFF)


def test_a_subsystem_and_a_class_are_known_only_where_they_were_read() -> None:
    [[whole]] = specs_of(["pci:v00008086d000024F3sv00008086sd00001010bc02sc80i00"], None)
    assert (whole.subsystem, whole.class_code) == ((0x8086, 0x1010), 0x028000)
    bare = by_id("pci", 0x8086, 0x24F3)
    assert (bare.subsystem, by_id("usb", 0x0BDA, 0xC811).subsystem) == (None, None)
