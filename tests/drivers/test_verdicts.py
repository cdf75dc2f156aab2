"""Verdicts on known cards, one record a kind of case, on the built-in shop's images."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor import drivers
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import find
from advisor.errors import InputError
from advisor.shop import Image, default_shop
from advisor.unit import StorageMode, Support, Unit, frame

IMAGES = {image.name: image for image in default_shop().images}
BARE = Image(name="bare", release="13", kernel="debian-13", firmware=("area:main",))
BARE_12 = Image(name="bare 12", release="12", kernel="debian-12", firmware=("area:main",))


def verdict(device: str, image: Image | str, **unit) -> dict[str, str]:
    """The one verdict on a device of a unit that has nothing else."""
    chosen = IMAGES[image] if isinstance(image, str) else image
    unit = unit or {"devices": device}
    found = drivers.assess(frame([Unit(**unit)]), [chosen]).devices
    assert len(found) == 1
    return {name: str(value) for name, value in found.iloc[0].items()}


# Each case names where the expected answer is from.
CASES = [
    # A known trap: /usr/share/broadcom-sta/broadcom-sta.ids of broadcom-sta-dkms: no mainline driver.
    ("pci:14e4:43b1", "debian-13", "separate driver", "broadcom-sta-dkms", "blocks"),
    ("pci:14e4:43a0", "debian-12", "separate driver", "broadcom-sta-dkms", "blocks"),
    ("pci:14e4:4365", "debian-13", "separate driver", "broadcom-sta-dkms", "blocks"),
    # drivers/net/wireless/broadcom/brcm80211/Kconfig of Linux 6.12: brcmsmac serves BCM4313, BCM43224, BCM43225.
    ("pci:14e4:4727", "debian-13", "works", "", ""),
    ("pci:14e4:4353", "debian-13", "works", "", ""),
    # postinst of firmware-b43-installer: 4311 and 4315 are served by b43, its firmware is fetched at install time.
    ("pci:14e4:4311", "debian-13", "needs firmware", "firmware-b43-installer", "blocks"),
    ("pci:14e4:4315", "debian-12", "needs firmware", "firmware-b43-installer", "blocks"),
    # modinfo of the kernels: rtw88's USB drivers came with Linux 6.2; Debian 12 has 6.1, its backports 6.12.
    ("usb:0bda:c811", "debian-12-backports", "works", "", ""),
    # Firmware of Intel's 8260 is in firmware-iwlwifi (non-free-firmware) only; AppStream metainfo of that package.
    ("pci:8086:24f3", "debian-13", "works", "", ""),
    ("pci:8086:24f3", BARE, "needs firmware", "firmware-iwlwifi", "blocks"),
    # 10ec:c821: the firmware is named by a module that rtw88_8821ce depends on; it is in firmware-realtek.
    ("pci:10ec:c821", BARE, "needs firmware", "firmware-realtek", "blocks"),
    # r8169_main.c: goes on without its patch file.
    ("pci:10ec:8168", BARE, "needs firmware", "firmware-realtek", "degrades"),
    # i915's intel_dmc.c knows no firmware before Skylake; HD Graphics 4000 (Ivy Bridge) asks for none.
    ("pci:8086:0166", BARE, "works", "", ""),
    ("pci:8086:1916", BARE, "needs firmware", "firmware-intel-graphics", "degrades"),
    # nouveau: signed firmware from GM20x on (GTX 970 is GM204), none for Kepler (GT 710 is GK208).
    ("pci:10de:13c2", BARE, "needs firmware", "firmware-nvidia-graphics", "degrades"),
    ("pci:10de:128b", BARE, "works", "", ""),
    # ath9k has no firmware (drivers/net/wireless/ath/ath9k names none); firmware-ath9k-htc is in main.
    ("pci:168c:002b", BARE, "works", "", ""),
    ("usb:0cf3:9271", BARE, "works", "", ""),
    # A plain Bluetooth dongle: btusb's table of quirks has no row for a firmware.
    ("usb:0a12:0001", BARE, "works", "", ""),
    # libfprint's hwdb: 138a:0011 is driven, 06cb:009a is known and not supported.
    ("usb:138a:0011", "debian-13", "works", "", ""),
    ("usb:06cb:009a", "debian-13", "no driver", "", "degrades"),
    # Firmware that the modules load and do not name: mwifiex/pcie.h (mrvl/, in firmware-libertas), ath12k/hw.c
    # (ath12k/WCN7850, in firmware-atheros), rtl8723bs/hal/rtl8723b_hal_init.c (rtlwifi/, in firmware-realtek).
    ("pci:11ab:2b38", BARE_12, "needs firmware", "firmware-libertas", "blocks"),
    ("pci:11ab:2b38", "debian-12", "works", "", ""),
    ("pci:17cb:1107", BARE, "needs firmware", "firmware-atheros", "blocks"),
    ("pci:17cb:1107", "debian-13", "works", "", ""),
    ("sdio:024c:b723", BARE, "needs firmware", "firmware-realtek", "blocks"),
    ("sdio:024c:b723", BARE_12, "needs firmware", "firmware-realtek", "blocks"),
    ("sdio:02df:912d", BARE_12, "needs firmware", "firmware-libertas", "blocks"),
    # package udev, modprobe.d/fbdev-blacklist.conf: savagefb, neofb and tridentfb are in the kernels and never loaded.
    ("pci:5333:8c12", "debian-13", "no driver", "", "degrades"),
    ("pci:10c8:0005", "debian-12", "no driver", "", "degrades"),
    # Beside radeonfb, which is forbidden too, radeon drives it (RV100, drivers/gpu/drm/radeon).
    ("pci:1002:5159", "debian-12", "works", "", ""),
    # jme.c lies in drivers/net/ethernet itself and takes 197b:0250.
    ("pci:197b:0250", "debian-13", "works", "", ""),
    # pci.ids: 1022:b000 takes over an NVMe disk's id when AMD's RAID is on.
    ("pci:1022:b000", "debian-13", "no driver", "", "blocks"),
]


@pytest.mark.parametrize(("device", "image", "support", "cure", "severity"), CASES)
def test_known_devices(device, image, support, cure, severity):
    found = verdict(device, image)
    assert (found["support"], found["cure"], found["severity"]) == (support, cure, severity), found["reason"]
    assert found["reason"].endswith(".") and found["source"]


def test_a_module_that_debian_forbids_is_named_and_counts_for_nothing():
    found = verdict("pci:5333:8c12", "debian-13")
    assert found["modules"] == "" and "savagefb" in found["reason"] and "forbids" in found["reason"]


def test_a_newer_kernel_names_the_image_that_has_it():
    units = frame([Unit(devices="usb:0bda:c811")])
    found = drivers.assess(units, default_shop().images).devices.set_index("image")
    assert found.loc["debian-12", "support"] == "newer kernel"
    # An image that lies ready goes before one that would have to be made.
    assert found.loc["debian-12", "cure"] == "debian-13"
    # Debian 12's 32-bit kernel: the newer kernels of the shop are 64-bit.
    assert found.loc["debian-12-i386", "support"] == "no driver"


def test_a_kernel_that_no_image_has_is_named_too():
    found = verdict("usb:0bda:c811", "debian-12")
    assert found["support"] == "newer kernel"
    assert "no image of the shop has" in found["reason"]


def test_a_subsystem_bound_alias_says_so():
    # Intel's 7260 and 6205: iwlwifi's device table gives subsystem ids for each.
    for device in ("pci:8086:08b1", "pci:8086:0085"):
        found = verdict(device, "debian-13")
        assert found["support"] == "works"
        assert "some subsystems only" in found["reason"]
    # With the subsystem known, and in the driver's table (0x08B1, 0x4070), there is nothing to say.
    found = verdict("pci:8086:08b1:8086:4070", "debian-13")
    assert found["support"] == "works"
    assert "subsystems" not in found["reason"]
    # A subsystem that the table has not is not covered.
    assert verdict("pci:8086:08b1:1234:5678", "debian-13")["support"] == "no driver"


def test_raid_and_vmd_modes_are_flagged_with_what_to_change():
    raid = verdict("", "debian-13", storage_mode=StorageMode.RAID)
    assert raid["severity"] == "blocks" and "AHCI" in raid["action"]
    vmd = verdict("", "debian-13", storage_mode=StorageMode.VMD)
    assert vmd["support"] == "works" and "VMD" in vmd["action"]
    both = drivers.assess(frame([Unit(storage_mode=StorageMode.RAID, devices="pci:8086:282a")]), [IMAGES["debian-13"]])
    assert len(both.devices) == 1


def test_nvidia_series_is_told():
    # nvidia-detect's lists: GK208B (128b) is in nvidia-tesla-470.ids, GM204 (13c2) in nvidia.ids.
    assert "nvidia-tesla-470-driver" in verdict("pci:10de:128b", "debian-12")["reason"]
    assert "nvidia-driver" in verdict("pci:10de:13c2", "debian-13")["reason"]


def test_bluetooth_that_shares_the_wifis_firmware_is_told():
    found = verdict("usb:8087:0a2b", BARE)
    assert found["firmware_packages"] == "firmware-iwlwifi"
    assert "Wi-Fi" in found["reason"]


def test_a_malformed_modalias_is_reported_and_the_others_decided():
    units = frame([Unit(devices="pci:v0000XXXX; pci:8086:24f3;;gibberish;usb:12:34")])
    found = drivers.assess(units, [IMAGES["debian-13"]]).devices.set_index("device")
    assert found.loc["pci:8086:24f3", "support"] == "works"
    for broken in ("pci:v0000XXXX", "gibberish", "usb:12:34"):
        assert found.loc[broken, "support"] == "unknown"
        assert broken in found.loc[broken, "problem"]


@pytest.mark.parametrize("text", ["none", "None", "-", "n/a", "no", ""])
def test_no_such_device_gives_no_row(text):
    found = drivers.assess(frame([Unit(wireless=text or None)]), [IMAGES["debian-13"]])
    assert found.devices.empty and found.kinds.empty
    assert list(found.kinds.columns)[:4] == ["row", "image", "kind", "support"]


def test_an_ambiguous_name_is_not_silently_resolved():
    # BCM4360 is pci.ids' name of 14e4:43a0; 'RTL8812' stands for chips with and without a driver.
    found = verdict("", "debian-13", wireless="Realtek RTL8812AU")
    assert found["support"] in {"unknown", "newer kernel"}
    vague = verdict("", "debian-13", wireless="wifi card, two aerials")
    assert vague["support"] == "unknown" and "nearest" in vague["problem"]


def test_a_name_whose_ids_all_get_one_verdict_is_decided():
    found = verdict("", "debian-13", wireless="AX201")
    assert found["support"] == "works" and "ids" in found["reason"]
    assert found["candidates"].count("pci:8086:") > 3


def test_ids_that_are_all_blocked_block_the_unit_whatever_would_help():
    # pci.ids: BCM4306 is four ids; firmware-b43-installer's postinst serves two of them, firmware-b43legacy-installer's
    # the others. All lack their firmware, and what fetches it differs.
    found = verdict("", "debian-13", wireless="BCM4306")
    assert (found["support"], found["severity"], found["cure"]) == ("needs firmware", "blocks", "")
    assert "none of them works" in found["reason"] and "lspci" in found["action"]


def test_firmware_for_one_of_two_ids_is_asked_for():
    # pci.ids: UHD Graphics is Gemini Lake's and Tiger Lake's, which ask for different files of one package; the HD
    # Graphics of Ivy Bridge asks for none (intel_dmc.c knows none before Skylake).
    found = verdict("", BARE, graphics="HD Graphics")
    assert (found["support"], found["firmware_packages"]) == ("needs firmware", "firmware-intel-graphics")
    assert found["severity"] == "degrades" and "all of them work" in found["reason"]
    assert verdict("", "debian-13", graphics="HD Graphics")["support"] == "works"


def test_an_id_of_a_chip_that_no_kernel_drives_is_left_aside_and_named():
    # pci.ids names 10ec:4321 RTL8852BE too; rtw89_8852be takes b852 and b85b.
    found = verdict("", "debian-13", wireless="RTL8852BE")
    assert found["support"] == "works"
    assert found["candidates"] == "pci:10ec:b852; pci:10ec:b85b"
    assert "Left aside: pci:10ec:4321" in found["reason"]


def test_a_product_of_which_one_version_has_no_driver_stays_open():
    # usb.ids: DWL-G122 is sold with Intersil, Ralink, Marvell and Realtek chips; Marvell's 88W8338 has no driver.
    found = verdict("", "debian-13", wireless="DWL-G122")
    assert found["support"] == "unknown" and "o driver: usb:" in found["reason"]


@pytest.mark.parametrize(
    ("column", "text", "what"),
    [
        ("wireless", "QCA6174A", "pci:168c:003e"),
        ("wireless", "Intel 3945", "pci:8086:4222"),
        ("wireless", "Device b822", "pci:10ec:b822"),
        ("ethernet", "RTL8111GUL", "pci:10ec:8168"),
    ],
)
def test_what_a_name_is_taken_as_is_said(column, text, what):
    found = verdict("", "debian-13", **{column: text})
    assert found["taken_as"].startswith(f"'{text}'") and what in found["taken_as"]
    assert found["reason"].startswith(found["taken_as"])


def test_a_name_that_the_list_has_is_not_said_to_be_taken_as_another():
    assert verdict("", "debian-13", wireless="QCA9377")["taken_as"] == ""


def test_another_series_of_the_same_number_is_never_taken():
    # pci.ids: RX 6600M is Navi 23; no Radeon is called HD 6666M.
    found = verdict("", "debian-13", graphics="Radeon HD 6666M")
    assert found["support"] == "unknown"
    assert verdict("", "debian-13", graphics="RX 6600M")["device"] == "pci:1002:73ff"


@pytest.mark.parametrize("text", ["Intel 7260 + BT 4.0", "Intel Dual Band Wireless-AC 7260 & Bluetooth"])
def test_a_wireless_cards_other_half_is_no_device_of_its_own(text):
    found = drivers.assess(frame([Unit(wireless=text)]), [IMAGES["debian-13"]]).devices
    assert found["support"].tolist() == ["works"]


def test_two_graphics_chips_in_a_cell_are_two_devices():
    units = frame(
        [Unit(graphics=text) for text in ("HD 4000 + GT 650M", "Intel HD 520/GeForce 940MX", "Intel / NVIDIA")]
    )
    found = drivers.assess(units, [IMAGES["debian-13"]]).devices
    assert found.groupby("row")["support"].agg(list).tolist() == [["works"] * 2, ["works"] * 2, ["unknown"] * 2]


def test_interfaces_of_one_usb_device_make_one_row():
    # A web cam: control and streaming interface; uvcvideo binds the first only.
    units = frame(
        [
            Unit(
                devices="usb:v0C45p6713d6013dcEFdsc02dp01ic0Eisc01ip00in00;usb:v0C45p6713d6013dcEFdsc02dp01ic0Eisc02ip00in01"
            )
        ]
    )
    found = drivers.assess(units, [IMAGES["debian-13"]]).devices
    assert found[["kind", "support", "modules"]].values.tolist() == [["camera", "works", "uvcvideo"]]


def test_chipset_parts_need_no_driver():
    # A host bridge, class 0600, as every PC has.
    found = verdict("pci:v00008086d00001904sv000017AAsd00002238bc06sc00i00", "debian-12")
    assert found["support"] == "works" and found["kind"] == "other"


def test_the_worst_device_of_a_kind_counts():
    units = frame([Unit(devices="pci:8086:24f3;pci:14e4:43b1;pci:10ec:8168")])
    kinds = drivers.assess(units, [BARE]).kinds.set_index("kind")
    assert kinds.loc["wireless", "support"] == "separate driver"
    assert kinds.loc["wireless", "firmware_packages"] == "firmware-iwlwifi"
    assert kinds.loc["ethernet", "severity"] == "degrades"
    assert set(kinds.index) <= set(Kind)


def test_an_image_with_named_packages_carries_just_those():
    image = Image(name="some", release="13", kernel="debian-13", firmware=("firmware-iwlwifi",))
    assert verdict("pci:8086:24f3", image)["support"] == "works"
    assert verdict("pci:10ec:c821", image)["firmware_packages"] == "firmware-realtek"


def test_no_image_is_a_wrong_call():
    with pytest.raises(InputError):
        drivers.assess(frame([Unit()]), [])


def test_a_frame_is_judged_as_its_rows_are():
    texts = ["pci:8086:24f3;usb:8087:0a2b", "pci:14e4:4315", None, "pci:10de:134d;pci:8086:1916", "rubbish"]
    names = [None, "AX201", "Broadcom 4352", "none", "rtl8821ce"]
    units = [Unit(devices=devices, wireless=name) for devices, name in zip(texts, names, strict=True)] * 3
    images = [IMAGES["debian-12"], BARE]
    together = drivers.assess(frame(units), images).devices.astype(str)
    for row, unit in enumerate(units):
        alone = drivers.assess(frame([unit]), images).devices.astype(str)
        mine = together[together["row"] == str(row)].reset_index(drop=True)
        pd.testing.assert_frame_equal(mine.drop(columns="row"), alone.drop(columns="row"))


def test_words_are_those_of_the_contract():
    found = drivers.assess(frame([Unit(wireless="AX201")]), list(IMAGES.values())).devices
    assert set(found["support"].cat.categories) == {str(word) for word in Support}
    assert {
        "row",
        "image",
        "kind",
        "device",
        "name",
        "support",
        "modules",
        "firmware_packages",
        "severity",
        "cure",
    } <= set(found)


def test_devices_are_listed_long():
    units = frame([Unit(devices="pci:v00008086d000024F3sv00008086sd00001010bc02sc80i00", graphics="Intel HD 520")])
    found = find(units).specs
    assert [one.text for one in found] == ["pci:8086:24f3:8086:1010", "Intel HD 520"]
    assert [one.kind for one in found] == ["wireless", "graphics"]
    assert [one.modalias is None for one in found] == [False, True]
    assert [one.text for one in found[1].candidates] == ["pci:8086:1916", "pci:8086:1921"]


def test_drivers_built_into_a_kernel_that_states_no_aliases_for_them_count():
    # 8250_pci and virtio_pci are in modules.builtin of all five kernels; only 7.3 states their aliases.
    for kernel in ("debian-12", "debian-13", "debian-13-backports"):
        serial = verdict("pci:v00008086d0000A13Dsv00001028sd000006B9bc07sc00i02", kernel)
        assert (serial["support"], serial["modules"]) == ("works", "8250_pci")
        network = verdict("pci:v00001AF4d00001041sv00001AF4sd00001041bc02sc00i00", kernel)
        assert (network["support"], network["modules"]) == ("works", "virtio_net")
