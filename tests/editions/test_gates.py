"""The hard gates, one case a fact."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor import editions
from advisor.shop import Image, default_shop
from advisor.unit import BootMode, StorageKind, Unit, frame

LIGHT = {"MATE", "Xfce", "LXQt", "LXDE"}


def processors(n: int = 1, **facts) -> pd.DataFrame:
    row = {
        "cpu_level": "v3", "cpu_speed": 1.0, "cpu_speed_low": 0.85, "cpu_cores": 2,
        "cpu_graphics": pd.NA, "cpu_year": 2015,
    } | facts  # fmt: skip
    dtypes = {"cpu_level": "string", "cpu_graphics": "string", "cpu_cores": "Int64", "cpu_year": "Int64"}
    return pd.DataFrame(
        {name: pd.Series([value] * n, dtype=dtypes.get(name, "Float64")) for name, value in row.items()}
    )


def judge(image: str = "debian-13", cpu: dict | None = None, **facts) -> pd.DataFrame:
    plain = {"ram_gib": 8, "storage_gib": 240, "storage_kind": "sata ssd", "boot_mode": "uefi 64-bit"}
    shops = default_shop().image(image)
    assert shops is not None
    return editions.gates(
        frame([Unit(**(plain | facts))]), processors(**(cpu or {})), shops, editions.rows_of(shops)
    ).set_index("edition")


def test_a_plain_machine_passes_every_gate_and_says_nothing():
    out = judge(graphics="Intel HD Graphics 520")
    assert out["passes"].all() and out[["gate", "reason", "source"]].isna().all(axis=None)


@pytest.mark.parametrize(
    ("image", "level", "passes"),
    [
        ("debian-13", "i686", False),
        ("debian-12", "i686", False),
        ("debian-12-i386", "i686", True),
        ("debian-12-i386", "v2", True),
        ("debian-13", "v1", True),
        ("debian-13", None, None),
    ],
)
def test_architecture(image, level, passes):
    mode = "legacy bios"
    out = judge(image, {"cpu_level": level}, graphics="Intel HD 520", boot_mode=mode)
    assert out["passes"].isna().all() if passes is None else (out["passes"] == passes).all()
    if passes is not True:
        assert (out["gate"] == "architecture").all()


def test_debian_13_has_no_i386():
    image = Image(name="own", release="13", kernel="own", architecture="i386")
    rows = editions.rows_of(default_shop().image("debian-13"))
    out = editions.gates(frame([Unit(ram_gib=8, storage_gib=99)]), processors(cpu_level="i686"), image, rows)
    assert not out["passes"].any() and out["reason"].str.contains("no i386 installer").all()


@pytest.mark.parametrize("mode", list(BootMode))
def test_the_amd64_images_boot_everywhere_and_a_missing_boot_mode_decides_nothing(mode):
    for boot_mode in (mode, None):
        assert judge(boot_mode=boot_mode, graphics="Intel HD 520")["passes"].all()


@pytest.mark.parametrize(
    ("mode", "passes"), [("uefi 64-bit", False), ("uefi 32-bit", True), ("legacy bios", True), (None, None)]
)
def test_the_i386_image_does_not_boot_on_64_bit_uefi(mode, passes):
    image = default_shop().image("debian-12-i386")
    out = editions.boots(frame([Unit(boot_mode=mode)]), processors(cpu_level="v2"), image)
    assert (out["passes"].isna() if passes is None else out["passes"] == passes).all()
    if passes is not True:
        assert out["gate"].iat[0] == "boot" and "legacy bios" in out["reason"].iat[0] and out["source"].notna().all()


def test_a_failed_gate_is_named_before_a_missing_fact():
    image = default_shop().image("debian-12-i386")
    out = editions.boots(frame([Unit(boot_mode="uefi 64-bit")]), processors(cpu_level=None), image)
    assert out["passes"].eq(False).all() and out["gate"].iat[0] == "boot"


@pytest.mark.parametrize(("ram", "passes"), [(0.5, False), (1, True), (None, None)])
def test_memory(ram, passes):
    out = judge(ram_gib=ram, graphics="Intel HD 520")
    assert out["passes"].isna().all() if passes is None else (out["passes"] == passes).all()
    if passes is not True:
        assert (out["gate"] == "memory").all() and out["source"].str.contains("table 3.2").all()


@pytest.mark.parametrize(("disk", "passes"), [(8, False), (16, True), (None, None)])
def test_disk(disk, passes):
    out = judge(storage_gib=disk, graphics="Intel HD 520")
    assert out["passes"].isna().all() if passes is None else (out["passes"] == passes).all()


def test_no_disk_is_said_in_so_many_words():
    out = judge(storage_kind=StorageKind.NONE, storage_gib=None, graphics="Intel HD 520")
    assert out["passes"].eq(False).all() and out["reason"].str.contains("no disk is fitted").all()


@pytest.mark.parametrize(
    ("graphics", "devices", "cpu", "answer"),
    [
        ("Intel HD Graphics 520", None, {}, "hardware"),
        ("HD 4400", None, {}, "hardware"),
        ("UHD", None, {}, "hardware"),
        ("GMA 4500MHD", None, {}, "hardware"),
        ("GMA 950", None, {}, "hardware"),
        ("Bay Trail", None, {}, "hardware"),
        ("Iris Xe", None, {}, "hardware"),
        ("Radeon HD 6320", None, {}, "hardware"),
        ("Radeon", None, {}, "hardware"),
        ("GeForce GT 710", None, {}, "hardware"),
        ("Quadro 600", None, {}, "hardware"),
        ("Chrome 9", None, {"cpu_year": 2008}, "software"),
        ("VIA Chrome9 HC", None, {"cpu_year": 2008}, "software"),
        ("GMA 3600", None, {"cpu_year": 2011}, "software"),
        ("SiS 671", None, {"cpu_year": 2008}, "software"),
        ("Matrox G200eW", None, {"cpu_year": 2016}, "software"),
        ("ATI Rage Mobility", None, {"cpu_year": 2003}, "software"),
        ("Radeon 9000", None, {"cpu_year": 2003}, "software"),
        ("GeForce4 MX 440", None, {"cpu_year": 2003}, "software"),
        ("1106:3371", None, {"cpu_year": 2008}, "software"),
        (None, "pci:v00008086d00001916sv000017AAsd0000224Abc03sc00i00", {"cpu_year": 2009}, "hardware"),
        (None, "pci:v00008086d00000BE1sv00000000sd00000000bc03sc00i00", {"cpu_year": 2011}, "software"),
        (None, "pci:v00008086d000024F3sv00008086sd00000010bc02sc80i00", {"cpu_year": 2009}, None),
        (None, None, {"cpu_graphics": "Intel HD Graphics 2500", "cpu_year": 2012}, "hardware"),
        (None, None, {"cpu_graphics": pd.NA, "cpu_year": 2018}, "hardware"),
        (None, None, {"cpu_graphics": pd.NA, "cpu_year": 2008}, None),
        # A maker alone says nothing, unless all of its chips are alike; a processor's year counts then as without it.
        ("NVIDIA", None, {"cpu_year": 2008}, None),
        ("Intel / NVIDIA", None, {"cpu_year": 2008}, None),
        ("onboard", None, {"cpu_year": 2008}, None),
        ("NVIDIA", None, {"cpu_year": 2018}, "hardware"),
        ("ASPEED", None, {"cpu_year": 2018}, "software"),
        # pci.ids: 1002:6660 [R5 M330], 10de:1d10 [MX150], 8086:2a42 for the trade name.
        ("R5 M330", None, {"cpu_year": 2008}, "hardware"),
        ("MX150", None, {"cpu_year": 2008}, "hardware"),
        ("4500MHD", None, {"cpu_year": 2008}, "hardware"),
        ("HD 3000 + NVS 4200M", None, {"cpu_year": 2008}, "hardware"),
        # drm_pciids.h of Linux 6.12: 1002:4966 is RV250; pci.ids: 10de:0171 NV17 [GeForce4 MX 440], 10de:0240 C51.
        ("1002:4966", None, {"cpu_year": 2003}, "software"),
        ("10de:0171", None, {"cpu_year": 2003}, "software"),
        ("10de:0240", None, {"cpu_year": 2007}, "hardware"),
        ("colour", None, {"cpu_year": 2008}, None),
        ("colour", None, {"cpu_year": 2018}, None),
    ],
)
def test_who_draws(graphics, devices, cpu, answer):
    out = editions.drawing(frame([Unit(graphics=graphics, devices=devices)]), processors(**cpu))
    got = out["drawing"].iat[0]
    assert pd.isna(got) if answer is None else got == answer


def test_a_chip_without_a_driver_leaves_the_editions_that_draw_without_opengl():
    out = judge(graphics="VIA Chrome9", cpu={"cpu_year": 2008})
    assert set(out.index[out["passes"].fillna(False)]) == LIGHT
    assert out.loc["GNOME", "gate"] == "graphics" and "VIA Chrome9" in out.loc["GNOME", "reason"]


def test_an_unknown_chip_is_unknown_and_no_pass_in_silence():
    out = judge(graphics=None, cpu={"cpu_year": 2008})
    assert out.loc["GNOME", "passes"] is pd.NA and "not known" in out.loc["GNOME", "reason"]
    assert out.loc["Xfce", "passes"]


def test_rows_stand_in_order_for_many_units():
    image = default_shop().image("debian-13")
    rows = editions.rows_of(image)
    units = frame([Unit(ram_gib=0.5, storage_gib=99), Unit(ram_gib=8, storage_gib=99)])
    out = editions.gates(units, processors(2, cpu_year=2018), image, rows)
    assert list(out["row"]) == [0] * 7 + [1] * 7 and list(out["edition"][:7]) == list(rows["edition"])
    assert not out["passes"][:7].any() and out["passes"][7:].all()
