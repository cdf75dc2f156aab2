"""How a cell is taken apart and what its words mean: each answer was written by hand before the program was asked.

Vendor numbers are those of pci.ids and usb.ids; what people write in a cell, and what they mean, is common practice,
no source.
"""

from __future__ import annotations

import re

import pytest

from advisor.drivers import names, splitting, wording
from advisor.drivers.kinds import Kind, of_name
from advisor.drivers.spec import Spec, by_id, find, specs_of
from advisor.drivers.wording import chip_makers, is_model, makers, pieces, telling, tokens, wild
from advisor.unit import Unit, frame

W, G, E = Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET
TWO = ("Intel HD 4000", "GeForce GT 650M")


@pytest.mark.parametrize("sign", ["; ", " ;", "+", " + ", " & ", "\n", " | ", " / ", " and ", " with ", " AND "])
def test_signs_between_devices_part_a_cell(sign: str) -> None:
    assert splitting.split(sign.join(TWO)) == list(TWO)
    assert splitting.apart(sign.join(TWO), G) == TWO


@pytest.mark.parametrize("text", ["Intel HD 4000/GeForce", "Sandisk", "Randy", "without", "withal 4", "2/3", "a-b"])
def test_what_is_no_sign_parts_nothing(text: str) -> None:
    assert splitting.split(text) == [text]


def test_nothing_between_signs_is_no_device() -> None:
    assert splitting.split(" ; + ") == [] and splitting.split("Intel 8260;") == ["Intel 8260"]


@pytest.mark.parametrize(
    ("text", "kind", "devices"),
    [
        ("Intel HD 4000, GeForce GT 650M", G, TWO), ("Intel HD 4000/GeForce GT 650M", G, TWO),
        ("Intel HD 4000 GeForce GT 650M", G, TWO), ("Intel HD 4000 (GeForce GT 650M)", G, TWO),
        ("GeForce GT 650M Intel HD 4000", G, TWO[::-1]),
        ("Intel HD 4000 GTX 960M", G, ("Intel HD 4000", "GTX 960M")),
        ("Intel HD 4000 NVIDIA 840M", G, ("Intel HD 4000", "NVIDIA 840M")),
        ("Intel HD 4000 Quadro K1100M", G, ("Intel HD 4000", "Quadro K1100M")),
        ("Intel HD 4000 NVS 5200M", G, ("Intel HD 4000", "NVS 5200M")),
        ("UHD 630 RTX 2060", G, ("UHD 630", "RTX 2060")), ("UHD 620 MX150", G, ("UHD 620", "MX150")),
        ("UHD 620 Radeon 530", G, ("UHD 620", "Radeon 530")), ("UHD 630 RX 580", G, ("UHD 630", "RX 580")),
        ("GeForce 940MX", G, ("GeForce 940MX",)), ("Intel Iris 6100", G, ("Intel Iris 6100",)),
        ("NVIDIA GeForce GT 650M", G, ("NVIDIA GeForce GT 650M",)),
        ("AMD Radeon HD 6450", G, ("AMD Radeon HD 6450",)),
        ("Intel I217-LM, RTL8168", E, ("Intel I217-LM", "RTL8168")),
        ("82579LM/RTL8168", E, ("82579LM", "RTL8168")),
        ("Wireless 8265 / 8275", W, ("Wireless 8265 / 8275",)),
        ("Intel 8260, ex shop 7", W, ("Intel 8260, ex shop 7",)),
        *((f"Intel 8260 + {half}", W, ("Intel 8260",)) for half in (
            "BT", "bt 4.2", "B.T.", "Bluetooth", "bluetooth 4.0 LE", "BT 2.1 EDR", "BT 3.0 HS", "WiMAX", "LTE", "WWAN",
            "GPS", "NFC", "vPro", "card", "BT4.2",
        )),
        ("Intel 8260 + RTL8821CE", W, ("Intel 8260", "RTL8821CE")),
        ("8086:24f3; 10ec:c821", W, ("8086:24f3", "10ec:c821")),
        ("[8086:24f3] + [10ec:c821]", W, ("[8086:24f3]", "[10ec:c821]")),
    ],
)  # fmt: skip
def test_a_cell_is_the_devices_that_it_names(text: str, kind: Kind, devices: tuple[str, ...]) -> None:
    assert splitting.apart(text, kind) == devices


@pytest.mark.parametrize(
    ("text", "kind", "alone"),
    [
        ("Intel", W, True), ("Intel wireless", W, True), ("", W, True), ("wifi", W, False), ("Intel 8260", W, False),
        ("GeForce", G, True), ("GeForce 940MX", G, False), ("Intel HD", G, False), ("banana", W, False),
    ],
)  # fmt: skip
def test_a_maker_alone_names_no_device(text: str, kind: Kind, alone: bool) -> None:
    assert splitting.only_maker(text, kind) == alone


INTEL, REALTEK, BROADCOM = {0x8086, 0x8087}, {0x10EC, 0x0BDA, 0x024C}, {0x14E4, 0x0A5C, 0x02D0}
ATHEROS = {0x168C, 0x17CB, 0x0CF3, 0x1969, 0x13D3, 0x1A56, 0x0271}
RALINK, MEDIATEK = {0x1814, 0x148F, 0x14C3}, {0x14C3, 0x0E8D, 0x1814, 0x148F, 0x037A}
MARVELL, NVIDIA, AMD = {0x11AB, 0x1B4B, 0x1286, 0x02DF}, {0x10DE}, {0x1002, 0x1022}
EVERYWHERE = {
    "Intel": INTEL, "Realtek": REALTEK, "Broadcom": BROADCOM, "VIA": {0x1106}, "SiS": {0x1039}, "Marvell": MARVELL,
    "Ralink": RALINK, "MediaTek": MEDIATEK, "Atheros": ATHEROS, "Qualcomm": ATHEROS,
    "Killer": ATHEROS | INTEL | {0x10EC}, "NVIDIA": NVIDIA, "nForce": NVIDIA,
}  # fmt: skip
OF_KIND = {
    W: {"Centrino": INTEL, "ZyDAS": {0x0ACE}},
    G: {
        **dict.fromkeys(("GeForce", "Quadro", "NVS 5200M", "GT 650M", "GTX 960M", "GTS 450", "RTX 2060", "MX150"),
        NVIDIA),
        **dict.fromkeys(("AMD", "ATI", "Radeon", "FirePro", "FireGL", "RX 580", "Vega 8"), AMD),
        **dict.fromkeys(("Iris", "GMA 950", "UHD 620"), INTEL), "Matrox": {0x102B}, "ASPEED": {0x1A03},
    },
    E: {
        "AMD": AMD, "JMicron": {0x197B}, "Attansic": {0x1969}, "NetXtreme": BROADCOM, "NetLink": BROADCOM,
        "Yukon": {0x11AB, 0x1148}, "Aquantia": {0x1D6A}, "3Com": {0x10B7},
    },
}  # fmt: skip


@pytest.mark.parametrize("kind", [W, G, E])
def test_makers_are_known_by_their_names_and_trade_marks(kind: Kind) -> None:
    """Vendor numbers of pci.ids and usb.ids; makers that were bought by others go by both their numbers."""
    for word, numbers in {**EVERYWHERE, **OF_KIND[kind]}.items():
        assert makers(f"{word} adapter", kind) == numbers, word
    for other in {W, G, E} - {kind}:
        for word in OF_KIND[other].keys() - OF_KIND[kind].keys():
            assert makers(word, kind) == set(), word
    assert makers("banana 7", kind) == set()


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("RTL8168", REALTEK), ("BCM4352", BROADCOM), ("AR9285", ATHEROS), ("QCA9377", ATHEROS), ("QCN9274", ATHEROS),
        ("WCN6855", ATHEROS), ("MT7921", MEDIATEK), ("RT3090", RALINK), ("88E8040", MARVELL), ("88W8897", MARVELL),
        ("JMC250", {0x197B}), ("ZD1211", {0x0ACE}), ("RTL-8168", REALTEK), ("bcm 4352", BROADCOM), ("8168", set()),
        ("82579LM", INTEL), ("82567V", INTEL), ("I217-V", INTEL), ("I225-V", INTEL), ("I350", INTEL), ("AX201", INTEL),
        ("BE200", INTEL), ("I210", INTEL), ("I230", set()), ("AX88179", set()), ("HD 4000", set()),
    ],
)  # fmt: skip
def test_letters_before_a_chips_number_tell_whose_it_is(text: str, numbers: set[int]) -> None:
    """Chips' names as the lists have them; AX88179 is ASIX's, whose letters are no maker's here."""
    assert chip_makers(text) == numbers


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("RTL8168", ["8168"]), ("RTL-8168", ["8168"]), ("rtl 8168", ["8168"]), ("RTL8111 CE", ["8111ce"]),
        ("8821 au", ["8821au"]), ("BCM4352", ["4352"]), ("QCA-9377", ["9377"]), ("AR9285", ["9285"]),
        ("GTX960M", ["gtx", "960m"]), ("HD520", ["hd", "520"]), ("UHD620", ["uhd", "620"]), ("MX150", ["mx", "150"]),
        ("RX580", ["rx", "580"]), ("1660Ti", ["1660", "ti"]), ("1660super", ["1660", "super"]),
        ("RTX2060", ["rtx", "2060"]),
        ("Intel(R) 8260", ["intel", "8260"]), ("Core(TM) 7", ["core", "7"]), ("Iris® 6100", ["iris", "6100"]),
        ("8260 (rev 3a)", ["8260"]), ("8260 rev. 3a", ["8260"]), ("8260 #2", ["8260"]), ("8260 802.11ac", ["8260"]),
        ("8260 Wi-Fi 6E", ["8260"]), ("8260 2.4 GHz", ["8260"]), ("8260 867 Mbps", ["8260"]), ("8260 BT 4.2", ["8260"]),
        ("8260 Bluetooth v4.2", ["8260"]), ("8260 2x2", ["8260"]), ("8260 2x2:2", ["8260"]), ("8260 PCI-E", ["8260"]),
        ("8260 M.2", ["8260"]), ("82562 100Base-TX", ["82562"]), ("3090 1T/1R", ["3090"]), ("1070 Max-Q", ["1070"]),
        ("8260 (NDIS 6.3)", ["8260"]), ("WiFi Link 5100 (2)", ["wifi", "link", "5100", "no2"]),
    ],
)  # fmt: skip
def test_words_of_a_name_are_brought_to_one_spelling(text: str, words: list[str]) -> None:
    """Revisions, standards, speeds and trade marks are dropped; a chip loses its maker's letters."""
    assert tokens(text) == words


@pytest.mark.parametrize(
    ("word", "model"),
    [
        ("8260", True), ("9377", True), ("k620", True), ("ac7260", True), ("x100", True), ("ab1", True),
        ("128gb", False), ("512gb", False), ("1024gb", False), ("2gb", False), ("10gbe", False),
        ("1st", False), ("2nd", False), ("3rd", False), ("4th", False), ("no2", False), ("v10", False), ("r5", False),
        ("hd", False), ("radeon", False), ("2048", True),
    ],
)  # fmt: skip
def test_a_model_word_has_a_digit_and_is_no_size_or_count(word: str, model: bool) -> None:
    assert is_model(word) == model


PHRASES = {
    W: [
        "Intel Corporation Dual Band Wireless-AC Network Adapter", "Realtek Semiconductor Co., Ltd. Wi-Fi USB Adapter",
        "Broadcom Inc. and subsidiaries", "Qualcomm Technologies Inc", "internal Mini PCIe half height WLAN card",
        "Dell Lenovo HP Acer Asus Toshiba Fujitsu Sony OEM module", "wireless lan 11n nic", "built-in wifi, NGFF M2",
        "onboard chip, single band", "dualband wifi bluetooth combo", "802.11 abgn bgn agn abg bg", "MiniPCI card USB2",
        "Mac edition", "PCI Express Mini Card", "ThinkPad WLAN", "primary device",
        "Wireless-N adapter version", "wireless revision v1", "compatible devices unit", "Link Advanced connection",
        "communications limited company llc", "WiMAX link", "11ax 11b 11g",
    ],
    G: ["integrated graphics", "onboard VGA video controller", "dedicated gfx", "Intel graphic chipset family",
        "discrete graphics", "NVIDIA Corporation GPU accelerator series", "subsystem", "Ultimate electronics"],
    E: ["Gigabit Ethernet Controller", "Realtek PCI Express GBE Family", "fast ethernet 10/100", "1000 base TX NIC",
        "Intel Ethernet Connection", "GE LAN technology", "Intel semi"],
}  # fmt: skip


@pytest.mark.parametrize("kind", [W, G, E])
def test_words_that_every_device_carries_tell_no_model(kind: Kind) -> None:
    """Such phrases stand in inventories and printouts and say no model: common practice, no source."""
    for phrase in PHRASES[kind]:
        assert telling(tokens(phrase), kind) == [], phrase


def test_speeds_are_a_wired_chips_noise_alone() -> None:
    """PRO/100 and PRO/1000 are said with the maker's name; an Intel Wireless-N 1000 or 100 is a model."""
    assert telling(["10", "100", "1000"], E) == []
    assert telling(["100", "1000"], W) == ["100", "1000"]


SERIES = "hd uhd gma gt gtx gts rtx rx mx r2 r3 r4 r5 r6 r7 r9 vega fx nvs iris arc firepro firegl dw"


@pytest.mark.parametrize("word", SERIES.split(" "))
def test_a_series_is_kept_though_its_maker_is_known(word: str) -> None:
    """Trade marks of graphics makers, and Dell's DW for wireless cards."""
    assert telling([word], G) == [word] and word in wording.SERIES


@pytest.mark.parametrize(
    ("name", "outside", "alternatives"),
    [
        ("Sun XT [Radeon HD 8670A/8690M / R5 M330 / M430]", {"sun", "xt"},
         ({"radeon", "hd", "8670a"}, {"radeon", "hd", "8690m"}, {"r5", "m330"}, {"r5", "m430"})),
        ("GM107 [GeForce GTX 750 Ti]", {"gm107"}, ({"geforce", "gtx", "750", "ti"},)),
        ("Centrino Advanced-N 6205 [Taylor Peak]", {"centrino", "advanced", "n", "6205"}, ({"taylor", "peak"},)),
        ("AR9285", set(), ({"9285"},)),
        ("RTL8111/8168", set(), ({"8111"}, {"8168"})), ("PRO/100 VE", set(), ({"pro", "100", "ve"},)),
        ("", set(), (set(),)),
    ],
)  # fmt: skip
def test_an_entry_names_alternatives(name: str, outside: set[str], alternatives: tuple[set[str], ...]) -> None:
    """Names of pci.ids; a number behind a stroke takes the words of the name before it."""
    assert pieces(name) == (outside, alternatives)


@pytest.mark.parametrize(
    ("word", "fits", "not_fits"),
    [
        ("93xx", ("9300", "9377", "9300a"), ("930", "94300", "9400")), ("61x4a", ("6104", "6114a"), ("6105", "61x4")),
        ("ar93xx", ("ar9380",), ("9380",)),
    ],
)  # fmt: skip
def test_a_number_may_leave_digits_open(word: str, fits: tuple[str, ...], not_fits: tuple[str, ...]) -> None:
    pattern = wild(word)
    assert pattern is not None
    assert all(pattern.fullmatch(one) for one in fits) and not any(pattern.fullmatch(one) for one in not_fits)


@pytest.mark.parametrize("word", ["9300", "9x", "xx", "x3100", "rtx", "9"])
def test_a_number_that_leaves_none_open_is_no_pattern(word: str) -> None:
    assert wild(word) is None


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("Cannon Point-LP High Definition Audio Controller", "audio"), ("C-Media USB Sound Device", "audio"),
        ("7 Series/C216 Chipset Family HDA", "audio"), ("JHL6540 Thunderbolt 3 USB Controller (xHCI)", "other"),
        ("TU104 USB Type-C UCSI Controller", "other"), ("PCI bridge", "other"), ("Xeon PCIe Root Port", "other"),
        ("ASM1142 USB 3.1 Host Controller", "other"), ("MCP79 Memory Controller", "other"),
        ("Bluetooth 9460/9560 Jefferson Peak (JfP)", "bluetooth"), ("BCM20702A0 BT 4.0", "bluetooth"),
        ("AX200 Bluetooth", "bluetooth"), ("Fingerprint Sensor", "fingerprint"), ("Finger Print Reader", "fingerprint"),
        ("Biometric Coprocessor", "fingerprint"), ("VFS471 swipe sensor", "fingerprint"),
        ("Prometheus MIS Touch", "fingerprint"), ("EikonTouch 710", "fingerprint"),
        ("RTS5229 PCI Express Card Reader", "card reader"), ("RTS5138 Cardreader", "card reader"),
        ("O2 Flash SD/MMC", "card reader"), ("SD Host Controller", "card reader"),
        ("Celeron SDHCI Controller", "card reader"),
        ("R5C592 Memory Stick Bus Host Adapter", "card reader"), ("OZ711 SDXC", "card reader"),
        ("Integrated Webcam HD", "camera"), ("Lenovo EasyCamera", "camera"), ("Web Cam", "camera"),
        ("Xeon E3 Imaging Unit", "camera"), ("Tiger Lake Image Processing Unit", "camera"),
        ("RT2790 802.11n PCIe", "wireless"), ("Wi-Fi 6 AX201", "wireless"), ("WiFi Link 5100", "wireless"),
        ("Wireless 7260", "wireless"), ("WLAN Stick", "wireless"), ("PRO/Wireless 3945ABG", "wireless"),
        ("Centrino Ultimate-N 6300", "wireless"), ("AirPort Extreme", "wireless"), ("Raptor Lake CNVi", "wireless"),
        ("Wireless Keyboard", "other"), ("Wireless Optical Mouse", "other"), ("Nano Wireless Receiver", "other"),
        ("Wireless Desktop 3000", "other"), ("NVMe SSD Controller SM981", "storage"), ("NVM e-class drive", "storage"),
        ("Samsung SSD", "storage"), ("SATA Controller", "storage"), ("AHCI Mode", "storage"),
        ("IDE interface", "storage"),
        ("RAID controller", "storage"), ("SCSI storage", "storage"), ("Volume Management Device", "storage"),
        ("RTL8111 PCI Express Gigabit Ethernet Controller", "ethernet"), ("MCP51 Gigabit Network", "ethernet"),
        ("Killer E2200 GbE", "ethernet"), ("DM9102 Fast Ether", "ethernet"), ("VT6105 10/100", "ethernet"),
        ("82579LM Network Connection", "ethernet"), ("FastLinQ NIC", "ethernet"),
        ("3rd Gen Core Graphics", "graphics"), ("Chrome9 HC IGP", "graphics"), ("Radeon HD 6450", "graphics"),
        ("GeForce 210", "graphics"), ("Quadro FX 580", "graphics"), ("82945G VGA", "graphics"),
        ("FirePro W4100", "graphics"),
        ("Display Controller", "graphics"), ("Iris Plus 640", "graphics"), ("Sunrise Point PCH", "other"),
        ("", "other"),
        ("insiders", "other"), ("snic", "other"),
    ],
)  # fmt: skip
def test_a_device_is_known_by_a_word_of_its_name(name: str, kind: str) -> None:
    """Names in the words of pci.ids and usb.ids."""
    assert of_name(name) == kind


@pytest.mark.parametrize(
    "chip",
    ["Navi 10", "Phoenix1", "Mendocino", "Raphael", "Rembrandt", "Lucienne", "Cezanne", "Barcelo", "Renoir", "Picasso",
     "Raven", "Strix", "Hawk Point", "HawkPoint1", "Krackan", "Granite Ridge", "Van Gogh", "VanGogh", "RS690", "RV710",
     "R300", "RC410", "M22", "Arlene", "Amur", "Liverpool", "Gladius"],
)  # fmt: skip
def test_amds_graphics_are_known_by_their_chips_names(chip: str) -> None:
    """Code names of pci.ids under 1002."""
    name = f"[AMD/ATI] {chip} [Mobility]"
    assert of_name(name, 0x1002) == "graphics" and of_name(name) == "other"
    assert {of_name(f"[AMD/ATI] {chip} {part}", 0x1002) for part in ("USB", "PCI Bridge", "PCIe Port")} == {"other"}


@pytest.mark.parametrize("chip", ["NV44", "G92", "GT218", "GF108", "GK107", "GM108", "GP107", "GV100", "GA106", "GB203",
                                  "GH100", "TU117", "AD107", "GRID"])  # fmt: skip
def test_nvidias_graphics_are_known_by_their_chips_names(chip: str) -> None:
    """Code names of pci.ids under 10de."""
    assert of_name(f"NVIDIA Corporation {chip}M", 0x10DE) == "graphics"
    assert of_name(f"NVIDIA Corporation {chip}M", 0x8086) == "other"


def only(text: str, hint: Kind | None = W) -> Spec:
    [[spec]] = specs_of([text], hint)
    return spec


@pytest.mark.parametrize(
    ("text", "device"),
    [
        ("pci:8086:24f3", "pci:8086:24f3"), ("PCI 8086 24F3", "pci:8086:24f3"), ("pci: 0x8086:0x24f3", "pci:8086:24f3"),
        ("usb:0bda:c811", "usb:0bda:c811"), ("pci:8086:24f3:8086:1010", "pci:8086:24f3:8086:1010"),
        ("usb:0bda:c811:1234:5678", "usb:0bda:c811"), ("8086:24f3", "pci:8086:24f3"),
        ("0x8086:0x24f3", "pci:8086:24f3"),
        ("Intel 8260 [8086:24f3] (rev 3a)", "pci:8086:24f3"), ("card (0bda:c811)", "usb:0bda:c811"),
        ("sdio:024c:b723", "sdio:024c:b723"), ("ffff:ffff", "pci:ffff:ffff"),
    ],
)  # fmt: skip
def test_an_id_is_read_as_people_write_it(text: str, device: str) -> None:
    """lspci and lsusb print vendor:device; without a bus it is PCI's, unless usb.ids alone has it, as 0bda:c811."""
    assert only(text).text == device


@pytest.mark.parametrize(
    "text",
    ["none", "No", "nil", "-", "—", "n/a", "NA", "not fitted", "not present", "absent", "0", " none ", "unknown", "?",
     "???", "tbc", "not known", "not checked", ""],
)  # fmt: skip
def test_words_for_no_such_device_or_not_looked_name_none(text: str) -> None:
    assert specs_of([text], W) == [[]]


def test_what_is_no_id_is_told_with_what_is_wanted() -> None:
    assert only("pci:80:24f3", None).problem == (
        "malformed pci modalias or id: 'pci:80:24f3'; wanted is pci:8086:24f3 or a whole modalias"
    )
    assert (
        only("usb:80", None).problem
        == "malformed usb modalias or id: 'usb:80'; wanted is usb:0bda:c811 or a whole modalias"
    )
    assert only("some card", None).problem == (
        "not an id: 'some card'; the list of devices holds ids such as pci:8086:24f3 or a whole modalias"
    )
    assert only("pci:80:24f3").kind == W and only("pci:80:24f3", None).kind == "other"
    whole, cut = only("x" * 300, None), only("x" * 301, None)
    assert (whole.text, cut.text) == ("x" * 300, "x" * 299 + "…")
    assert only("a\x07b c", None).text == "a\ufffdb c"


def test_an_alias_of_another_bus_is_kept_as_it_is() -> None:
    spec = only("acpi:PNP0303:", None)
    assert (spec.text, spec.bus, spec.kind, spec.modalias, spec.problem) == (
        "acpi:PNP0303:",
        "acpi",
        "other",
        "acpi:PNP0303:",
        "",
    )
    assert only("hdaudio:v10EC0269r00100203a01", None).kind == "audio"
    sdio = only("sdio:c07v024CdB723", None)
    assert (sdio.text, sdio.vendor, sdio.device) == ("sdio:024c:b723", 0x024C, 0xB723)


def test_the_class_of_a_whole_modalias_tells_its_kind() -> None:
    """PCI Code and ID Assignment Specification: 02 80 is other network, which is Wi-Fi; 06 bridges; 0C 05 the SMBus."""

    def of(code: str) -> str:
        return only(f"pci:v00008086d000024F3sv00008086sd00001010{code}", None).kind

    assert of("bc02sc80i00") == "wireless" and of("bc02sc00i00") == "ethernet"
    assert {of(code) for code in ("bc06sc00i00", "bc05sc00i00", "bc08sc80i00", "bc0Bsc40i00", "bc0Csc05i00")} == {
        "other"
    }
    assert of("bc08sc05i01") == "card reader" and of("bc07sc80i00") == "wireless"  # the list knows 24f3 as Wi-Fi
    usb = only("usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00", None)
    assert (usb.text, usb.kind, usb.class_code) == ("usb:0bda:c811", "wireless", 0xFFFFFF)


@pytest.mark.parametrize(
    ("text", "kind", "ids"),
    [
        # What lspci prints where its list lacks the device: the maker and a number.
        ("Realtek Semiconductor Co., Ltd. Device b822", W, {"pci:10ec:b822"}),
        ("Intel Corporation Device 24f3", W, {"pci:8086:24f3"}), ("Intel Device 0x24f3", W, {"pci:8086:24f3"}),
        ("Device 24f3", W, {"pci:8086:24f3"}), ("device b822", W, {"pci:10ec:b822"}),
        ("Realtek Device c811", W, {"usb:0bda:c811"}), ("Intel Corporation Device fffe", W, {"pci:8086:fffe"}),
        ("banana Device 24f3", W, set()),
        ("Realtek Device fffe", W, {"pci:10ec:fffe"}), ("Qualcomm Atheros Device fffe", W, {"pci:168c:fffe"}),
        # The number is of another kind: the ids of the kind asked for go first.
        ("Realtek Device 8168", E, {"pci:10ec:8168"}),
    ],
)  # fmt: skip
def test_a_device_that_a_printout_names_by_its_number(text: str, kind: Kind, ids: set[str]) -> None:
    [found] = names.match([text], kind)
    assert {entry.text for entry in found.entries if found.exact} == ids
    if text.lower().startswith("device") and ids:
        assert found.taken.startswith(f"{text!r} says no maker; taken as ") and found.taken.endswith(
            f"({next(iter(ids))})"
        )


def test_a_name_of_many_ids_shows_six_of_them() -> None:
    entries = [names.ListedDevice("pci", 0x8086, at, None, f"N{at}" if at else "") for at in range(7)]
    assert names._some(entries[:6]) == ", ".join(f"pci:8086:{at:04x}" for at in range(6))
    assert names._some(entries) == ", ".join(f"pci:8086:{at:04x}" for at in range(6)) + ", …"
    assert names._some(entries[1:4], names=True) == "N1 (pci:8086:0001); N2 (pci:8086:0002); N3 (pci:8086:0003)"
    assert names._some(entries[1:5], names=True).endswith("N3 (pci:8086:0003); …")
    assert names._some(entries[:1], names=True) == "pci:8086:0000"


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("Intel", W, "'Intel' names no model; give it, or its id (lspci -nn, lsusb)"),
        ("Zorblatt 9Q17", W, "'Zorblatt 9Q17' is in no id list"),
        ("802.11n Network Adapter", W, "ids and says no model: "),
        ("AX201", W, "'AX201' fits "),
    ],
)  # fmt: skip
def test_why_a_name_stays_open(text: str, kind: Kind, words: str) -> None:
    [found] = names.match([text], kind)
    assert words in found.problem
    assert found.exact == (text == "AX201")


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        # pci.ids 10de: one number, several cards, told apart by a word behind or before it.
        ("GeForce GTX 750", {"pci:10de:1381"}), ("GeForce GTX 750 Ti", {"pci:10de:1380"}),
        ("GeForce GTX 1050", {"pci:10de:1c81"}), ("GeForce GTX 1050 Ti", {"pci:10de:1c82"}),
    ],
)  # fmt: skip
def test_a_word_sets_cards_of_one_number_apart(text: str, ids: set[str]) -> None:
    [found] = names.match([text], G)
    assert found.exact and ids <= {entry.text for entry in found.entries}
    others = {"pci:10de:1380", "pci:10de:1381", "pci:10de:1c81", "pci:10de:1c82"} - ids
    assert not others & {entry.text for entry in found.entries}


HALF = 0xFFFFFFFF << 32


@pytest.mark.parametrize(
    ("bus", "vendor", "device", "kind", "code", "known"),
    [
        # PCI Code and ID Assignment Specification: 02 80 other network, 02 00 Ethernet, 03 00 VGA, 04 03 HD Audio,
        # 01 06 01 AHCI, 01 08 02 NVMe; USB-IF's class codes: E0 01 01 Bluetooth, 0E 01 00 video control.
        ("pci", 0x8086, 0x24F3, "wireless", 0x028000, 0xFFFFFF),
        ("pci", 0x10EC, 0x8168, "ethernet", 0x020000, 0xFFFFFF),
        ("pci", 0x8086, 0x1916, "graphics", 0x030000, 0xFFFFFF), ("pci", 0x8086, 0x9D70, "audio", 0x040300, 0xFFFFFF),
        ("pci", 0x8086, 0x9D03, "storage", 0x010601, 0xFFFFFF), ("pci", 0x144D, 0xA804, "storage", 0x010802, 0xFFFFFF),
        ("usb", 0x8087, 0x0A2B, "bluetooth", 0xE0010100, 0xFFFFFF00), ("usb", 0x0BDA, 0xC811, "wireless", 0, 0),
        ("pci", 0xFFFF, 0xFFFE, "other", 0, 0), ("pci", 0x8086, 0x282A, "storage", 0, 0),
    ],
)  # fmt: skip
def test_the_class_of_an_id_is_taken_from_what_it_is_listed_as(
    bus: str, vendor: int, device: int, kind: str, code: int, known: int
) -> None:
    spec = by_id(bus, vendor, device)
    assert (spec.kind, spec.words) == (kind, (vendor << 48 | device << 32, code, HALF, known))
    assert spec.assumed == (kind if known else "") and spec.class_code is None and spec.subsystem is None
    assert (spec.text, spec.vendor, spec.device) == (f"{bus}:{vendor:04x}:{device:04x}", vendor, device)


def test_what_a_column_says_counts_where_the_list_says_nothing() -> None:
    unlisted = by_id("pci", 0xFFF9, 0xFFFE, G)
    assert (unlisted.kind, unlisted.assumed, unlisted.name) == ("graphics", "graphics", "pci:fff9:fffe")
    assert by_id("pci", 0x8086, 0x24F3, G).kind == "wireless"
    whole = by_id("pci", 0x8086, 0x24F3, None, (0x8086, 0x1010))
    assert (whole.text, whole.subsystem) == ("pci:8086:24f3:8086:1010", (0x8086, 0x1010))
    assert whole.words[0] == 0x808624F380861010 and whole.words[2] == 0xFFFFFFFFFFFFFFFF
    sdio = by_id("sdio", 0x024C, 0xB723, W)
    assert (sdio.text, sdio.kind, sdio.modalias) == ("sdio:024c:b723", "wireless", "sdio:c07v024CdB723")


def shown(*units: Unit) -> list[tuple[int, str, str]]:
    found = find(frame(list(units)))
    specs = [found.specs[at] for at in found.spec]
    return [(int(row), spec.text, str(spec.kind)) for row, spec in zip(found.row, specs, strict=True)]


def test_what_a_unit_names_beside_what_it_lists() -> None:
    """A listed device goes before a typed one of its kind; a mode that may hide a disk stands for a controller."""
    raid, vmd = "storage controller in RAID mode", "storage controller in VMD mode"
    assert shown(
        Unit(devices="pci:8086:24f3", wireless="AX200", ethernet="82579LM"), Unit(wireless="AX200", graphics="UHD 620"),
        Unit(storage_mode="raid"), Unit(storage_mode="vmd"), Unit(storage_mode="ahci"),
        Unit(storage_mode="raid", devices="pci:8086:282a"), Unit(),
    ) == [
        (0, "pci:8086:24f3", "wireless"), (0, "pci:8086:1502", "ethernet"), (1, "pci:8086:2723", "wireless"),
        (1, "UHD 620", "graphics"), (2, raid, "storage"), (3, vmd, "storage"), (5, "pci:8086:282a", "storage"),
    ]  # fmt: skip
    found = find(frame([Unit(storage_mode="raid"), Unit(storage_mode="vmd")]))
    assert [one.name for one in found.specs] == [
        "Storage controller in RAID mode, as Intel's have it", "Storage controller in VMD mode, as Intel's have it"
    ]  # fmt: skip
    assert [(one.vendor, one.device) for one in found.specs] == [(0x8086, 0x282A), (0x8086, 0x9A0B)]


ONE = r"(?:pci|usb|sdio)(?::[0-9a-f]{4}){2,4}"
LIST = rf"{ONE}(?:, {ONE}){{0,5}}(?:, …)?"


@pytest.mark.parametrize(
    ("text", "kind", "problem", "taken"),
    [
        ("AX201", W, rf"'AX201' fits \d+ ids: {LIST}", ""),
        ("Intel HD 520", G, rf"'Intel HD 520' fits 2 ids: {LIST}", ""),
        ("802.11n Network Adapter", W, rf"'802.11n Network Adapter' is a name of \d+ ids and says no model: {LIST}",
        ""),
        ("QCA6174A", W, "", r"'QCA6174A' is in no id list as it stands; taken as QCA6174 .* \(pci:168c:003e\)"),
        ("Zorblatt 9Q17", W,
        r"'Zorblatt 9Q17' is in no id list(?:; nearest: .+|; give its id, as lspci -nn or lsusb shows it)", ""),
        ("QCA9377", W, "", ""),
        ("Device 24f3", W, "", r"'Device 24f3' says no maker; taken as Wireless 8260 \(pci:8086:24f3\)"),
    ],
)  # fmt: skip
def test_what_is_said_of_a_name(text: str, kind: Kind, problem: str, taken: str) -> None:
    [found] = names.match([text], kind)
    assert re.fullmatch(problem, found.problem) and re.fullmatch(taken, found.taken), (found.problem, found.taken)


@pytest.mark.parametrize(
    ("text", "kind", "ids"),
    [
        # A number of four digits stands for all chips whose names go on with letters; letters behind it may be dropped.
        ("Realtek 8821", W, {"pci:10ec:8821", "pci:10ec:b821", "pci:10ec:c821"}), ("RTL8111GUL", E, {"pci:10ec:8168"}),
        ("Intel 3945", W, {"pci:8086:4222", "pci:8086:4227"}),
    ],
)  # fmt: skip
def test_a_number_may_be_a_familys_or_carry_letters_more(text: str, kind: Kind, ids: set[str]) -> None:
    [found] = names.match([text], kind)
    got = {entry.text for entry in found.entries}
    assert found.exact and (ids <= got), got


def test_letters_behind_a_graphics_number_are_another_chip() -> None:
    """A 940MX is no 940M; there is no 940Q."""
    [found] = names.match(["GeForce 940Q"], G)
    assert not found.exact
