"""The shop's file: closed words whatever their case, and what is no word refused with the nearest."""

from __future__ import annotations

import time

import pytest

from advisor.advice import assess
from advisor.errors import InputError
from advisor.files import datasets
from advisor.nearest import choose, near
from advisor.shop import default_shop
from advisor.shop_file import read_shop
from advisor.unit import Unit, frame

IMAGE = '[[images]]\nname = "stick"\nrelease = "13"\nkernel = "debian-13"\n'
PART = '[[stock]]\nname = "part"\n'


@pytest.fixture
def shop(tmp_path):
    def write(text: str | bytes):
        path = tmp_path / "shop.toml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_shop(path)

    return write


def image(more: str = "", head: str = "") -> str:
    return f'default_image = "stick"\n{head}\n{IMAGE}{more}\n'


@pytest.mark.parametrize(
    ("text", "look", "meant"),
    [
        ('richness = ["gnome", "kde  plasma", "XFCE"]', lambda s: s.richness, ("GNOME", "KDE Plasma", "Xfce")),
        ('default_edition = "cinnamon"', lambda s: s.default_edition, "Cinnamon"),
        ('default_image = "Debian-12"', lambda s: s.default_image, "debian-12"),
        ('Default_Image = "debian-12"', lambda s: s.default_image, "debian-12"),
        (image('editions = ["mate", "lxqt"]'), lambda s: s.images[0].editions, ("MATE", "LXQt")),
        (image('boots = ["UEFI 64-bit"]'), lambda s: s.images[0].boots, ("uefi 64-bit",)),
        (image('architecture = "AMD64"'), lambda s: s.images[0].architecture, "amd64"),
        (image('architecture = "x86_64"'), lambda s: s.images[0].architecture, "amd64"),
        (image('firmware = ["Area:Main", "Firmware-IWLWIFI"]'), lambda s: s.images[0].firmware,
         ("area:main", "firmware-iwlwifi")),
        (image('firmware = ["non-free-firmware"]'), lambda s: s.images[0].firmware, ("area:non-free-firmware",)),
        (image().replace('"13"', '"Trixie"'), lambda s: s.images[0].release, "13"),
        (image().replace('"13"', '"bookworm"').replace("debian-13", "debian-12"), lambda s: s.images[0].release, "12"),
        (image().replace('"13"', "13"), lambda s: s.images[0].release, "13"),
        (image().replace('"13"', '"13.2"'), lambda s: s.images[0].release, "13"),
        (image().replace('"13"', '"Debian 13"'), lambda s: s.images[0].release, "13"),
        (image().replace("debian-13", "Debian-TRIXIE-backports"), lambda s: s.images[0].kernel,
         "debian-13-backports"),
        (PART + 'kind = "Memory"\nfits = "ddr4 sodimm"\ngib = 8', lambda s: s.stock[0].fits, "DDR4 SODIMM"),
        (PART + 'kind = "SSD"\nfits = "SATA"\ngib = 223', lambda s: (s.stock[0].kind, s.stock[0].fits),
         ("ssd", "sata")),
        (PART + 'kind = "wireless"\nfits = "USB"\ndevice = "USB:0BDA:C811"', lambda s: s.stock[0].device,
         "usb:0bda:c811"),
    ],
)  # fmt: skip
def test_words_are_taken_whatever_their_case(shop, text, look, meant):
    assert look(shop(text)) == meant


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('richness = ["GNOM"]', "richness: 'GNOM' is not known; the nearest is 'GNOME'. Accepted: GNOME, KDE Plasma"),
        ('default_edition = "Xcfe"', "default_edition: 'Xcfe' .* nearest is 'Xfce'"),
        ('default_image = "debain-13"', "default_image: 'debain-13' .* nearest is 'debian-13'"),
        ('default_editon = "Xfce"', "setting: 'default_editon' .* nearest is 'default_edition'"),
        ("[thresholds]\nbrowser = 9", "thresholds, setting: 'browser' .* nearest is 'browser_s'"),
        (image('editons = ["Xfce"]'), "image 'stick', setting: 'editons' .* nearest is 'editions'"),
        (image('editions = ["gnome", "mat"]'), "image 'stick', editions: 'mat' .* nearest is 'MATE'"),
        (image('boots = ["uefi 64 bit"]'), "boots: .* nearest is 'uefi 64-bit'. Accepted: uefi 64-bit, uefi 32-bit"),
        (image('architecture = "arm64"'), "architecture: 'arm64' .*Accepted: amd64, i386"),
        (image().replace('"13"', '"trixi"'), "release: 'trixi' is not known.* Accepted: 12, 13"),
        (image().replace('"13"', '"11"'), "release: '11' is not known.* Accepted: 12, 13"),
        (image().replace('"debian-13"', '"debian-14"'), "kernel: 'debian-14' .* nearest is 'debian-1"),
        (image('firmware = ["area:nonfree"]'), "firmware: 'nonfree' .* nearest is 'non-free'"),
        (image('firmware = ["firmware-iwlwif"]'), "firmware: .* nearest is 'firmware-iwlwifi'"),
        (image('firmware = ["firmware-linux"]'), "firmware-linux' is not known.*holds no files"),
        (PART + 'kind = "ram"\nfits = "DDR4 SODIMM"\ngib = 8', "part 'part', kind: 'ram' .*Accepted: memory, ssd"),
        (PART + 'kind = "memory"\nfits = "DDR4"\ngib = 8', "fits: 'DDR4' .* nearest is 'DDR4 "),
        (PART + 'kind = "memory"\ngib = 8', "what it fits is not given"),
        (PART + 'kind = "memory"\nfits = "DDR4 DIMM"', "its size is not given"),
        (PART + 'kind = "ssd"\ngib = 8', "what it fits is not given"),
        (PART + 'kind = "ssd"\nfits = "m.2"\ngib = 223', "fits: 'm.2' .*Accepted: sata, nvme, msata, m.2 sata"),
        (PART + 'kind = "wireless"', "its device id is not given"),
        (PART + 'kind = "wireless"\ndevice = "AR9271"', "'AR9271' is no device id"),
    ],
)  # fmt: skip
def test_a_word_that_is_none_is_refused_with_the_nearest(shop, text, words):
    with pytest.raises(InputError, match=f"(?s){words}") as caught:
        shop(text)
    assert "shop.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (image('architecture = "i386"'), "no editions of release 13 for i386"),
        (image('editions = ["Xfce"]', 'default_edition = "GNOME"'), "default_edition: GNOME is on none of the images"),
        (image('editions = ["Xfce"]', 'richness = ["GNOME"]'), "none of its editions is in richness"),
        (image("editions = []"), "none of its editions is in richness"),
        (IMAGE, "default_image 'debian-13' is none of the images"),
        (image() + IMAGE.replace("stick", "STICK"), "images: 'STICK' is listed twice"),
        (2 * (PART + 'kind = "ssd"\nfits = "sata"\ngib = 9\n'), "stock: 'part' is listed twice"),
        ('richness = ["Xfce", "xfce"]', "richness: 'Xfce' is listed twice"),
        ("images = []", "images: there is none"),
        ("link_mbps = inf", "link_mbps"), ("link_mbps = nan", "link_mbps"), ("slots = 0", "slots .0."),
        ("link_mbps = [1]", "link_mbps"), ("richness = 3", "richness"), ("images = 3", "images"),
        ("images = [1]", "images.0"), ("[[images]]\n", "images.0.name"), ("stock = [{name = 3}]", "stock.0"),
    ],
)  # fmt: skip
def test_a_shop_that_cannot_be_scored_by_is_refused(shop, text, words):
    with pytest.raises(InputError, match=words):
        shop(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"name = \xff", "is not UTF-8"), (b"a = " + b"9" * 5000, "is not TOML"),
        (b"a = " + b"[" * 9000, "nested too deeply"),
        (b"name = 'x'\nname = 'y'", "is not TOML"), (b"\x00", "is not TOML"), (b"#" * (2 << 20), "larger than"),
        ("name = 'x'".encode("utf-16"), "is not UTF-8"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_toml_is_refused(shop, text, words):
    with pytest.raises(InputError, match=words):
        shop(text)


def test_a_byte_order_mark_and_return_line_feeds_are_taken(shop):
    assert shop(b'\xef\xbb\xbfname = "x"\r\nslots = 2\r\n').slots == 2


def test_a_shop_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        read_shop(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a folder"):
        read_shop(tmp_path)
    with pytest.raises(InputError, match="no file name"):
        read_shop("a\x00b.toml")


def test_a_release_of_the_users_own_rows_is_accepted(shop, tmp_path, monkeypatch):
    from advisor import tables

    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    folder = tmp_path / "home" / "tables" / "editions"
    folder.mkdir(parents=True)
    shipped = (datasets() / "editions" / "catalogue.csv").read_text(encoding="utf-8").splitlines()
    row = next(line for line in shipped if line.startswith("13,amd64,Xfce,"))
    (folder / "catalogue.csv").write_text(f"{shipped[0]}\n{row.replace('13,amd64', 'own-1,amd64')}\n")
    tables.load.cache_clear()
    tables.rows.cache_clear()
    try:
        got = shop(image('editions = ["xfce"]').replace('"13"', '"Own-1"'))
    finally:
        tables.load.cache_clear()
        tables.rows.cache_clear()
    assert (got.images[0].release, got.images[0].editions) == ("own-1", ("Xfce",))


@pytest.mark.parametrize("name", ["shop/default.toml", "demo/shop.toml"])
def test_the_shops_that_ship_are_accepted(name):
    read_shop(datasets() / name)


def test_the_built_in_settings_are_those_of_their_file():
    assert read_shop(datasets() / "shop" / "default.toml") == default_shop()


def test_a_typo_no_longer_sets_a_good_unit_aside(shop):
    unit = frame([Unit(asset_tag="A", cpu="Intel Core i5-8250U", ram_gib=16, storage_kind="nvme", storage_gib=238,
                       boot_mode="uefi 64-bit")])  # fmt: skip
    got = shop(image('editions = ["gnome", "xfce"]', 'richness = ["gnome", "xfce"]').replace('"13"', '"trixie"'))
    assert assess(unit, got).scored["advice"].tolist() != ["set aside"]


def test_nearest_of_many_lists_the_alike():
    accepted = [f"word-{number}" for number in range(100)]
    assert near("wrd-7", accepted) == ["word-7"]
    with pytest.raises(InputError, match="and 76 more") as caught:
        choose("word-101", accepted, "Here")
    assert "word-10" in caught.value.hint


def test_hours_breaks_technicians_and_sticks_are_read(tmp_path):
    path = tmp_path / "shop.toml"
    text = 'hours = "08:30-16:00"\nbreaks = []\n[[Technicians]]\nname = "A"\nBreaks = ["12:00-12:30"]\n'
    path.write_text(text, encoding="utf-8")
    shop = read_shop(path)
    assert (shop.hours, shop.breaks, shop.technicians[0].breaks) == ("08:30-16:00", (), ("12:00-12:30",))
    for wrong, words in (
        ('hours = "9 to 5"\n', "hours"), ('breaks = ["25:00-26:00"]\n', "breaks"),
        ('[[technicians]]\nname = ""\n', "technicians"), ('[[technicians]]\nname = "A"\nage = 3\n', "technician 'A'"),
    ):  # fmt: skip
        path.write_text(wrong, encoding="utf-8")
        with pytest.raises(InputError, match=words):
            read_shop(path)


def test_names_are_one_line_that_no_terminal_obeys(shop):
    read = shop(
        'name = "b\\u001b[31me\\nn\\u202ech"\ndefault_image = "a\\u0007\\tb"\nbench_names = ["x\\u0000y"]\n'
        + 'technicians = [{name = " K\\u0085im "}]\nwaived = [{rule = "r\\n", reason = "be\\u2066cause"}]\n'
        + IMAGE.replace("stick", "a\\u0007\\tb") + PART.replace("part", "p\\r\\nq")
        + 'kind = "ssd"\nfits = "sata"\ngib = 223\n'
    )  # fmt: skip
    assert (read.name, read.default_image, read.images[0].name) == ("b [31me n ch", "a b", "a b")
    assert (read.stock[0].name, read.technicians[0].name, read.bench_names) == ("p q", "K im", ("x y",))
    assert (read.waived[0].rule, read.waived[0].reason) == ("r", "be cause")


@pytest.mark.parametrize("name", ["", "  ", "\\u001b", "n" * 201])
def test_a_name_of_nothing_or_without_an_end_is_refused(shop, name):
    for text in (IMAGE.replace("stick", name), f'technicians = [{{name = "{name}"}}]'):
        with pytest.raises(InputError, match=r"images\.0\.name|technicians\.0\.name"):
            shop(text + ('\ndefault_image = "debian-13"' if "images" not in text else ""))


@pytest.mark.parametrize(
    "line",
    [
        "link_mbps = 1e-300", "link_mbps = 1e308", "link_mbps = nan", "slots = 9223372036854775807", "hands = 100_000",
        "thresholds.desktop_s = 1e300", "thresholds.desktop_s = 1e-300", "thresholds.browser_s = inf",
        "thresholds.slow_limit = 1e300", "thresholds.headroom_mib = 1e300", "thresholds.slot_max_min = 1e300",
        PART + 'kind = "ssd"\nfits = "sata"\ngib = 1e300',
        PART + 'kind = "ssd"\nfits = "sata"\ngib = 1\ncount = 10_000_000',
        PART + 'kind = "ssd"\nfits = "sata"\ngib = 1\nfit_min = 1e300', image("sticks = 100_000"),
    ],
)  # fmt: skip
def test_numbers_that_no_bench_has_are_refused_by_their_name(shop, line):
    setting = line.split(" = ")[-2].split("\n")[-1].split(".")[-1]
    with pytest.raises(InputError, match=rf"{setting} \("):
        shop(line)


def test_words_of_any_length_give_a_short_sentence(shop):
    with pytest.raises(InputError, match="default_image: 'debian-13' is not known") as caught:
        shop('default_image = "debian-13"\n' + IMAGE.replace("stick", "n" * 200_000))
    assert len(caught.value.message) < 300 and len(caught.value.hint) < 300


def test_a_file_of_very_many_words_is_refused_at_once(shop):
    """With every word looked for among all before it, this took 40 s of one core."""
    began = time.process_time()
    with pytest.raises(InputError, match="'LXDE' is listed twice"):
        shop(image("editions = [" + '"LXDE",' * 100_000 + "]"))
    for what, least in {"images": 101, "stock": 1001, "technicians": 1001}.items():
        for many in (least, 200_000):
            with pytest.raises(InputError, match=f"{what}: there are {many}"):
                shop(f"{what} = [" + "{}," * many + "]")
    assert time.process_time() - began < 10
