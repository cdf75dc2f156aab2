"""Which memory a processor's board takes; from memory, stated here once more so that a slip of the pen is seen."""

from __future__ import annotations

from advisor.tables import dicts

TYPES = {
    "DDR": "K7, Banias",
    "DDR DDR2": "Dothan",
    "DDR2": "NetBurst, K8, Yonah, Merom, Bonnell",
    "DDR2 DDR3": "Penryn, K10",
    "DDR3": "Saltwell, Nehalem, Westmere, Sandy Bridge, Ivy Bridge, Haswell, Broadwell, Silvermont, Airmont, Goldmont, "
    "K10 (Llano), Bobcat, Jaguar, Puma, Bulldozer, Piledriver, Steamroller",
    "DDR4": "Skylake, Kaby Lake, Coffee Lake, Whiskey Lake, Amber Lake, Comet Lake, Ice Lake, Tiger Lake, Rocket Lake, "
    "Skylake-X, Cascade Lake, Goldmont Plus, Tremont, Excavator, Zen, Zen+, Zen 2, Zen 3",
    "DDR4 DDR5": "Alder Lake, Raptor Lake, Gracemont",
    "DDR5": "Zen 3+, Zen 4, Zen 5, Meteor Lake, Arrow Lake",
}


def test_what_memory_goes_with_what_core() -> None:
    expected = {core: types for types, cores in TYPES.items() for core in cores.split(", ")}
    assert {row["microarch"]: row["type"] for row in dicts("advice/memory_types")} == expected


def test_the_largest_module_of_each_core() -> None:
    # Nehalem's and Westmere's controllers and the chipsets of Penryn drive 4 GiB a module, those before 2 or 1.
    expected = dict.fromkeys(("Penryn", "Nehalem", "Westmere"), "4") | dict.fromkeys(("Dothan", "Banias"), "1")
    expected |= dict.fromkeys(("NetBurst", "Yonah", "K8", "Bonnell"), "2")
    assert {
        row["microarch"]: row["module_gib"] for row in dicts("advice/memory_types") if row["module_gib"]
    } == expected
