"""Family, model and stepping against the kernel's own list and against the program cpuid."""

from __future__ import annotations

import gzip
import re
import struct
import subprocess

import pytest

from advisor.identify import from_text, signature
from advisor.identify.catalogue import catalogue

pytestmark = pytest.mark.outside

# Name in arch/x86/include/asm/intel-family.h to ours, where a prefix of the header's name is not our name.
KERNEL_NAMES = {
    "CORE_YONAH": "Yonah", "CORE2_MEROM": "Merom", "CORE2_PENRYN": "Penryn", "CORE2_DUNNINGTON": "Penryn",
    "NEHALEM": "Nehalem", "WESTMERE": "Westmere", "SANDYBRIDGE": "Sandy Bridge", "IVYBRIDGE": "Ivy Bridge",
    "HASWELL": "Haswell", "BROADWELL": "Broadwell", "SKYLAKE_X": "Skylake-X", "SKYLAKE": "Skylake",
    "KABYLAKE": "Kaby Lake", "COMETLAKE": "Comet Lake", "CANNONLAKE": "Cannon Lake", "ICELAKE": "Ice Lake",
    "ROCKETLAKE": "Rocket Lake", "TIGERLAKE": "Tiger Lake", "SAPPHIRERAPIDS": "Sapphire Rapids",
    "LAKEFIELD": "Lakefield", "ALDERLAKE": "Alder Lake", "RAPTORLAKE": "Raptor Lake", "METEORLAKE": "Meteor Lake",
    "ARROWLAKE": "Arrow Lake", "LUNARLAKE": "Lunar Lake", "PANTHERLAKE": "Panther Lake",
    "ATOM_BONNELL": "Bonnell", "ATOM_SALTWELL": "Saltwell", "ATOM_SILVERMONT": "Silvermont",
    "ATOM_AIRMONT": "Airmont", "ATOM_GOLDMONT_PLUS": "Goldmont Plus", "ATOM_GOLDMONT": "Goldmont",
    "ATOM_TREMONT": "Tremont", "ATOM_GRACEMONT": "Gracemont",
}  # fmt: skip

# Left out of our table on purpose: no PC, or not on sale.
NOT_OURS = {"ANY", "PENTIUM_PRO", "PENTIUM_III_DESCHUTES", "ICELAKE_NNPI", "ATOM_AIRMONT_NP", "EMERALDRAPIDS_X"}
NOT_OURS_START = ("GRANITERAPIDS", "BARTLETTLAKE", "ATOM_CRESTMONT", "ATOM_DARKMONT", "XEON_PHI", "QUARK",
"PANTHERCOVE",
                  "CLEARWATER", "NOVALAKE", "WILDCATLAKE", "DIAMONDRAPIDS")  # fmt: skip


def _kernel_list(folder):
    """Names and models of family 6 from intel-family.h, in both of its spellings."""
    (header,) = folder.glob("usr/src/linux-headers-*-common/arch/x86/include/asm/intel-family.h")
    text = header.read_text()
    found = re.findall(r"#define INTEL_FAM6_(\w+)\s+0x([0-9A-F]+)", text)
    found += re.findall(r"#define INTEL_(\w+)\s+IFM\(6,\s*0x([0-9A-Fa-f]+)\)", text)
    return {name: int(model, 16) for name, model in found}


def _ours(name):
    for start in sorted(KERNEL_NAMES, key=len, reverse=True):
        if name == start or name.startswith(f"{start}_"):
            return KERNEL_NAMES[start]
    return None


@pytest.mark.slow
@pytest.mark.parametrize("recipe", ["debian-12", "debian-13"])
def test_every_model_of_the_kernels_list_is_named_the_same(debian_package, recipe):
    # linux-headers of Debian 12 (6.1) and 13 (6.12), arch/x86/include/asm/intel-family.h.
    listed = _kernel_list(debian_package("linux-headers-6.*-common", recipe))
    assert len(listed) > 60
    checked = 0
    for name, model in listed.items():
        if name in NOT_OURS or name.startswith(NOT_OURS_START):
            continue
        expected = _ours(name)
        assert expected is not None, f"{name} is new in the kernel's list"
        found = signature("Intel", 6, model)
        assert found is not None, name
        microarch, also, _ = found
        # Arrow Lake-U keeps the cores of Meteor Lake, which is what our name stands for; its kernel name is beside it.
        assert expected == microarch or expected in also, (name, found)
        if name != "ARROWLAKE_U":
            assert expected == microarch, (name, found)
        checked += 1
    assert checked > 55


@pytest.mark.parametrize(
    ("model", "stepping", "expected"),
    [
        # Comments beside the models in intel-family.h of 6.12: CASCADELAKE_X 0x55 s: 7, AMBERLAKE_L 0x8E s: 9,
        # COFFEELAKE_L 0x8E s: 10, WHISKEYLAKE_L 0x8E s: 11,12, COFFEELAKE 0x9E s: 10-13.
        (0x55, 7, "CASCADELAKE_X"),
        (0x8E, 9, "AMBERLAKE_L"),
        (0x8E, 10, "COFFEELAKE_L"),
        (0x8E, 11, "WHISKEYLAKE_L"),
        (0x8E, 12, "WHISKEYLAKE_L"),
        (0x9E, 10, "COFFEELAKE"),
        (0x9E, 13, "COFFEELAKE"),
    ],
)
def test_steppings_of_the_kernels_comments(debian_package, model, stepping, expected):
    folder = debian_package("linux-headers-6.*-common", "debian-13")
    (header,) = folder.glob("usr/src/linux-headers-*-common/arch/x86/include/asm/intel-family.h")
    comment = re.search(rf"\*\s+{expected}\s+0x{model:X}\s+.*s:\s*([\d,-]+)", header.read_text())
    assert comment is not None, f"{expected} is no longer in the comments"
    low, _, high = comment[1].replace(",", "-").partition("-")
    assert int(low) <= stepping <= int(high or low)
    names = {"CASCADELAKE_X": "Cascade Lake", "AMBERLAKE_L": "Amber Lake", "COFFEELAKE_L": "Coffee Lake",
             "WHISKEYLAKE_L": "Whiskey Lake", "COFFEELAKE": "Coffee Lake"}  # fmt: skip
    microarch, also, _ = signature("Intel", 6, model, stepping)
    assert names[expected] in (microarch, *also)


# Intel's platform codes to our microarchitectures; a code that stands for parts we do not list is None.
PLATFORMS = {
    "ADL-N": "Gracemont", "ADL": "Alder Lake", "AML-Y22": "Amber Lake", "AML-Y42": "Amber Lake",
    "AML-Y": "Amber Lake", "APL": "Goldmont",
    "ARL-U": "Meteor Lake", "ARL": "Arrow Lake", "AVN": "Silvermont", "AZB": "Alder Lake", "BDW": "Broadwell",
    "BDX": "Broadwell", "BTL-S816": "Raptor Lake", "BTL": None, "CFL": "Coffee Lake", "CHV": "Airmont",
    "CLX": "Cascade Lake", "CML": "Comet Lake", "CNL": "Cannon Lake", "CPX": "Cascade Lake", "DNV": "Goldmont",
    "EHL": "Tremont", "EMR": "Sapphire Rapids", "GLK": "Goldmont Plus", "GNR": None, "HSW": "Haswell", "HSX": "Haswell",
    "ICL": "Ice Lake", "ICX": "Ice Lake", "IVB": "Ivy Bridge", "JSL": "Tremont", "KBL": "Kaby Lake",
    "LKF": "Lakefield", "LNL": "Lunar Lake", "MTL": "Meteor Lake", "PTL": "Panther Lake", "RKL": "Rocket Lake",
    "RPL": "Raptor Lake", "SKL": "Skylake", "SKX": "Skylake-X", "SNB": "Sandy Bridge", "SNR": "Tremont",
    "SPR": "Sapphire Rapids", "SRF": None, "TGL": "Tiger Lake", "TWL": "Gracemont", "VLV": "Silvermont", "WCL": None,
    "WHL": "Whiskey Lake",
}  # fmt: skip


@pytest.fixture(scope="module")
def release_notes(debian_package):
    """Intel's own list of what each microcode update is for: platform, (family, model, stepping), products."""
    folder = debian_package("intel-microcode", "debian-13")
    text = gzip.decompress((folder / "usr/share/doc/intel-microcode/releasenote.md.gz").read_bytes()).decode()
    rows = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.split("|")[1:]]
        if len(cells) > 5 and (found := re.fullmatch(r"(\w\w)-(\w\w)-(\w\w)/\w+", cells[2])):
            rows[cells[0], tuple(int(part, 16) for part in found.groups())] = cells[5]
    return rows


def test_signatures_are_of_the_platform_that_the_maker_says(release_notes):
    # Debian 13's intel-microcode, releasenote.md: platform codes with family, model and stepping; no tolerance. A code
    # that is new in the list is passed over: it stands for parts that no bench sees yet.
    checked, named = 0, set()
    for platform, numbers in release_notes:
        code = next(
            (code for code in PLATFORMS if platform == code or platform.startswith((f"{code}-", f"{code} "))), ""
        )
        if not code:
            continue
        checked += 1
        found = signature("Intel", *numbers)
        named.add(PLATFORMS[code])
        if PLATFORMS[code] is None:
            assert found is None, (platform, numbers, found)
        else:
            assert found is not None, (platform, numbers)
            assert PLATFORMS[code] in (found[0], *found[1]), (platform, numbers, found)
    assert checked > 120
    assert len(named) > 30


def test_products_that_the_maker_names_have_the_core_of_their_signature(release_notes):
    # The same list names small processors by number, such as 'Celeron N4500/N4505/N5100/N5105'; no tolerance.
    checked = set()
    for (_, numbers), products in release_notes.items():
        found = signature("Intel", *numbers)
        for line, models in re.findall(r"(Pentium|Celeron|Core i3|Atom) ([NJx][\dA-Z/NJx]{4,})", products):
            for model in models.split("/"):
                answer = from_text(f"{line} {model}")
                if answer.exact:
                    assert found is not None
                    assert answer.microarch in (found[0], *found[1]), (model, answer.microarch, found)
                    checked.add(answer.name)
    assert len(checked) > 15, checked


VENDORS = {"Intel": b"GenuineIntel", "AMD": b"AuthenticAMD"}


def _decode(cpuid, tmp_path, vendor, family, model, stepping):
    """What cpuid says of a processor of these numbers: a dump of leaves 0 and 1 made by hand."""
    b, d, c = struct.unpack("<III", VENDORS[vendor])
    base, extended = (family, 0) if family <= 15 else (15, family - 15)
    leaf1 = stepping | (model & 15) << 4 | base << 8 | (model >> 4) << 16 | extended << 20
    dump = tmp_path / "dump"
    dump.write_text(
        f"CPU 0:\n   0x00000000 0x00: eax=0x0000000d ebx=0x{b:08x} ecx=0x{c:08x} edx=0x{d:08x}\n"
        f"   0x00000001 0x00: eax=0x{leaf1:08x} ebx=0x00000800 ecx=0x00000000 edx=0x078bfbff\n"
    )
    done = subprocess.run([cpuid, "-f", dump], capture_output=True, text=True, check=True)
    found = re.search(r"\(uarch synth\) = (.*)", done.stdout)
    return found[1] if found else ""


# Signatures of parts on sale, with the word that cpuid's "(uarch synth)" line has for them. Where cpuid's word is
# another name of the same core it stands here: Raptor Cove for Raptor Lake, Palm Cove for Cannon Lake, Puma 2008 for
# the K8 of family 0x11, Zen 3 for what AMD sells as Zen 3+, Kaby Lake for all of 0x8E.
CPUID_SAYS = [
    ("Intel", 6, 0x0D, 8, "Dothan"), ("Intel", 6, 0x0E, 8, "Yonah"), ("Intel", 6, 0x0F, 11, "Merom"),
    ("Intel", 6, 0x17, 10, "Penryn"), ("Intel", 6, 0x1A, 5, "Nehalem"), ("Intel", 6, 0x1E, 5, "Nehalem"),
    ("Intel", 6, 0x25, 5, "Westmere"), ("Intel", 6, 0x2C, 2, "Westmere"), ("Intel", 6, 0x2A, 7, "Sandy Bridge"),
    ("Intel", 6, 0x2D, 7, "Sandy Bridge"), ("Intel", 6, 0x3A, 9, "Ivy Bridge"), ("Intel", 6, 0x3E, 4, "Ivy Bridge"),
    ("Intel", 6, 0x3C, 3, "Haswell"), ("Intel", 6, 0x45, 1, "Haswell"), ("Intel", 6, 0x3D, 4, "Broadwell"),
    ("Intel", 6, 0x4F, 1, "Broadwell"), ("Intel", 6, 0x4E, 3, "Skylake"), ("Intel", 6, 0x5E, 3, "Skylake"),
    ("Intel", 6, 0x55, 7, "Cascade Lake"), ("Intel", 6, 0x8E, 9, "Kaby Lake"), ("Intel", 6, 0x9E, 9, "Kaby Lake"),
    ("Intel", 6, 0x9E, 10, "Coffee Lake"), ("Intel", 6, 0x66, 3, "Palm Cove"), ("Intel", 6, 0x7E, 5, "Sunny Cove"),
    ("Intel", 6, 0x8C, 1, "Willow Cove"), ("Intel", 6, 0xA7, 1, "Cypress Cove"), ("Intel", 6, 0x97, 2, "Golden Cove"),
    ("Intel", 6, 0x9A, 3, "Golden Cove"), ("Intel", 6, 0xB7, 1, "Raptor Cove"), ("Intel", 6, 0xBA, 2, "Raptor Cove"),
    ("Intel", 6, 0xAA, 4, "Redwood Cove"), ("Intel", 6, 0x1C, 2, "Bonnell"), ("Intel", 6, 0x36, 1, "Saltwell"),
    ("Intel", 6, 0x37, 8, "Silvermont"), ("Intel", 6, 0x4C, 4, "Airmont"), ("Intel", 6, 0x5C, 9, "Goldmont"),
    ("Intel", 6, 0x7A, 8, "Goldmont Plus"), ("Intel", 6, 0x9C, 0, "Tremont"), ("Intel", 15, 4, 1, "Netburst"),
    ("AMD", 15, 0x4B, 2, "K8"), ("AMD", 15, 0x68, 1, "K8"), ("AMD", 16, 4, 3, "K10"), ("AMD", 16, 6, 3, "K10"),
    ("AMD", 17, 3, 1, "Puma 2008"), ("AMD", 18, 1, 0, "K10"), ("AMD", 20, 1, 0, "Bobcat"), ("AMD", 20, 2, 0, "Bobcat"),
    ("AMD", 21, 1, 2, "Bulldozer"), ("AMD", 21, 2, 0, "Piledriver"), ("AMD", 21, 0x10, 1, "Piledriver"),
    ("AMD", 21, 0x13, 1, "Piledriver"), ("AMD", 21, 0x30, 1, "Steamroller"), ("AMD", 21, 0x38, 1, "Steamroller"),
    ("AMD", 21, 0x60, 1, "Excavator"), ("AMD", 21, 0x65, 1, "Excavator"), ("AMD", 21, 0x70, 0, "Excavator"),
    ("AMD", 22, 0, 1, "Jaguar"), ("AMD", 22, 0x30, 1, "Puma 2014"), ("AMD", 23, 1, 1, "Zen"), ("AMD", 23, 8, 2, "Zen+"),
    ("AMD", 23, 0x11, 0, "Zen"), ("AMD", 23, 0x18, 1, "Zen+"), ("AMD", 23, 0x20, 1, "Zen"),
    ("AMD", 23, 0x31, 0, "Zen 2"), ("AMD", 23, 0x60, 1, "Zen 2"), ("AMD", 23, 0x68, 1, "Zen 2"),
    ("AMD", 23, 0x71, 0, "Zen 2"), ("AMD", 23, 0x90, 2, "Zen 2"), ("AMD", 23, 0xA0, 0, "Zen 2"),
    ("AMD", 25, 1, 1, "Zen 3"), ("AMD", 25, 0x21, 2, "Zen 3"), ("AMD", 25, 0x44, 1, "Zen 3"),
    ("AMD", 25, 0x50, 0, "Zen 3"), ("AMD", 25, 0x61, 2, "Zen 4"), ("AMD", 25, 0x70, 0, "Zen 4"),
]  # fmt: skip
SAME_CORE = {
    "Palm Cove": "Cannon Lake", "Sunny Cove": "Ice Lake", "Willow Cove": "Tiger Lake", "Cypress Cove": "Rocket Lake",
    "Golden Cove": "Alder Lake", "Raptor Cove": "Raptor Lake", "Redwood Cove": "Meteor Lake", "Netburst": "NetBurst",
    "Puma 2008": "K8", "Puma 2014": "Puma",
}  # fmt: skip


@pytest.mark.parametrize(("vendor", "family", "model", "stepping", "word"), CPUID_SAYS)
def test_the_core_is_what_cpuid_says(need, tmp_path, vendor, family, model, stepping, word):
    # Debian package cpuid (20230120 in bookworm), which decodes a synthesised dump.
    said = _decode(need("cpuid"), tmp_path, vendor, family, model, stepping)
    assert re.search(rf"\b{re.escape(word)}(?![\w+]| \d)", said), said
    ours = signature(vendor, family, model, stepping)
    assert ours is not None
    expected = SAME_CORE.get(word, word)
    if (vendor, family, model) == ("AMD", 18, 1):
        expected = "K10 (Llano)"
    if (vendor, family, model) == ("AMD", 25, 0x44):
        expected = "Zen 3+"
    assert ours[0] == expected, (ours, said)


def test_every_microarchitecture_but_the_newest_is_checked_by_cpuid():
    # cpuid of bookworm is older than these, has no brand leaf to tell them, or is wrong of them (it calls the E-cores
    # of Alder Lake-N Golden Cove); the kernel's list above covers the Intel ones.
    beyond = {"Zen 5", "Arrow Lake", "Lunar Lake", "Panther Lake", "Sapphire Rapids", "Gracemont", "Lakefield",
    "Comet Lake",
              "Whiskey Lake", "Amber Lake", "Skylake-X", "Banias", "K7", "P6", "VIA C7", "VIA Nano", "Zen 3+",
              "K10 (Llano)"}  # fmt: skip
    seen = {SAME_CORE.get(word, word) for *_, word in CPUID_SAYS}
    assert {row["microarch"] for row in catalogue().signatures} - seen <= beyond
