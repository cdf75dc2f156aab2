"""Instruction-set levels against the psABI as gcc, qemu, glibc's loader and archspec carry it."""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from advisor.identify import from_text, level_of_flags
from advisor.identify.level import FEATURES, LEVELS

pytestmark = pytest.mark.outside

LOADER = "/lib64/ld-linux-x86-64.so.2"


def _loader_level(*command: str) -> str:
    """Highest level that glibc's loader says it supports; v1 when it names none (x86-64 itself is v1)."""
    done = subprocess.run([*command, LOADER, "--help"], capture_output=True, text=True, check=False)
    if done.returncode:
        return "i686"
    found = re.findall(r"x86-64-(v\d) \(supported", done.stdout)
    return max(found, default="v1")


def test_level_of_this_machines_flags_is_the_loaders_own(need):
    # glibc's dynamic loader, `ld.so --help`, section "Subdirectories of glibc-hwcaps directories".
    need(LOADER)
    flags = re.search(r"^flags\s*:\s*(.*)$", Path("/proc/cpuinfo").read_text(), re.MULTILINE)
    assert flags is not None
    assert level_of_flags(flags[1]) == _loader_level()


# qemu-user's named processors, which are what their names say; qemu emulates no AVX-512, so v4 parts are not here.
# n270 has no 64-bit mode: the 64-bit loader does not start there.
QEMU = [
    ("core2duo", "Core 2 Duo T7700"), ("Conroe", "Celeron 440"), ("Penryn", "Core 2 Duo P9600"), ("Nehalem",
    "Core i7-920"),
    ("Westmere", "Core i5-650"), ("SandyBridge", "Xeon E3-1270 v1"), ("IvyBridge", "Xeon E3-1270 v2"),
    ("Haswell", "Core i7-4770"), ("Broadwell", "Core i5-5300U"), ("Skylake-Client", "Core i5-6300U"),
    ("Denverton", "Atom C3558"), ("Snowridge", "Celeron N5105"), ("Opteron_G1", "Athlon 64 3200+"), ("phenom",
    "Phenom X4 9550"),
    ("Opteron_G3", "Phenom II X4 955"), ("Opteron_G4", "FX-8150"), ("Opteron_G5", "FX-8350"), ("EPYC", "Ryzen 7 1800X"),
    ("EPYC-Rome", "Ryzen 5 3600"), ("EPYC-Milan", "Ryzen 5 5600X"),
]  # fmt: skip


@pytest.mark.parametrize(("model", "name"), QEMU)
def test_level_is_what_the_loader_says_on_qemus_model(need, model, name):
    # Debian package qemu-user (7.2 in bookworm): qemu-x86_64 -cpu MODEL ld.so --help.
    qemu = need("qemu-x86_64")
    need(LOADER)
    answer = from_text(name)
    assert answer.exact, answer.problem
    assert answer.level == _loader_level(str(qemu), "-cpu", model)


MACROS = {
    "cx16": "__GCC_HAVE_SYNC_COMPARE_AND_SWAP_16", "lahf_lm": "__LAHF_SAHF__", "popcnt": "__POPCNT__",
    "pni": "__SSE3__",
    "sse4_1": "__SSE4_1__", "sse4_2": "__SSE4_2__", "ssse3": "__SSSE3__", "avx": "__AVX__", "avx2": "__AVX2__",
    "bmi1": "__BMI__", "bmi2": "__BMI2__", "f16c": "__F16C__", "fma": "__FMA__", "abm": "__LZCNT__",
    "movbe": "__MOVBE__", "xsave": "__XSAVE__", "avx512f": "__AVX512F__", "avx512bw": "__AVX512BW__",
    "avx512cd": "__AVX512CD__", "avx512dq": "__AVX512DQ__", "avx512vl": "__AVX512VL__",
}  # fmt: skip


@cache
def _macros(gcc: str, march: str) -> frozenset[str]:
    done = subprocess.run(
        [gcc, f"-march={march}", "-dM", "-E", "-"], input="", capture_output=True, text=True, check=False
    )
    return frozenset(line.split()[1] for line in done.stdout.splitlines())


@pytest.mark.parametrize("level", ["v2", "v3", "v4"])
def test_features_of_each_level_are_gccs(need, level):
    # gcc 12 predefines a macro for each feature that -march=x86-64-vN turns on. LZCNT is called 'abm' and SSE3 'pni'
    # in /proc/cpuinfo; gcc's v3 turns XSAVE on for OSXSAVE.
    gcc = str(need("gcc"))
    lower = LEVELS[LEVELS.index(level) - 1]
    march = {"v1": "x86-64"}.get(lower, f"x86-64-{lower}")
    added = _macros(gcc, f"x86-64-{level}") - _macros(gcc, march)
    ours = {MACROS[feature] for feature in FEATURES[level]}
    assert ours <= added
    named = {macro for macro in added if macro in MACROS.values()}
    assert named == ours


# gcc's name for a processor beside one of ours that has nothing switched off.
GCC = [
    ("bonnell", "Atom N450"), ("silvermont", "Celeron J1900"), ("goldmont", "Celeron N3350"),
    ("goldmont-plus", "Celeron J4125"), ("tremont", "Celeron N5105"), ("k8", "Athlon 64 X2 4200+"),
    ("amdfam10", "Phenom II X4 955"), ("btver1", "AMD E-350"), ("btver2", "AMD A4-5000"), ("bdver1", "FX-8150"),
    ("bdver2", "FX-8350"), ("bdver3", "A10-7850K"), ("bdver4", "A6-9220e"), ("znver1", "Ryzen 5 1600"),
    ("znver2", "Ryzen 5 3600"), ("znver3", "Ryzen 5 5600X"), ("core2", "Core 2 Duo T7200"), ("nehalem", "Core i5-750"),
    ("westmere", "Core i5-650"), ("sandybridge", "Core i5-2400"), ("ivybridge", "Core i5-3470"),
    ("haswell", "Core i5-4570"), ("broadwell", "Core i5-5200U"), ("skylake", "Core i5-6500"),
    ("skylake-avx512", "Core i9-7900X"), ("cascadelake", "Xeon W-2245"), ("cannonlake", "Core i3-8121U"),
    ("icelake-client", "Core i5-1035G1"), ("tigerlake", "Core i5-1135G7"), ("rocketlake", "Core i5-11400"),
    ("alderlake", "Core i5-12400"),
]  # fmt: skip


@pytest.mark.parametrize(("march", "name"), GCC)
def test_level_is_what_gccs_march_reaches(need, march, name):
    # gcc 12, -march=CPU: the highest level whose features are all on. gcc says of Bonnell that it has no LAHF/POPCNT.
    macros = _macros(str(need("gcc")), march)
    assert macros, f"gcc does not know {march}"
    reached = "v1"
    for level in ("v2", "v3", "v4"):
        if not {MACROS[feature] for feature in FEATURES[level]} <= macros:
            break
        reached = level
    answer = from_text(name)
    assert answer.exact, answer.problem
    assert answer.level == reached


ARCHSPEC = {
    "nocona": "Pentium D 945", "core2": "Core 2 Duo E8400", "nehalem": "Core i7-860", "westmere": "Core i5-520M",
    "sandybridge": "Core i5-2520M", "ivybridge": "Core i5-3320M", "haswell": "Core i5-4300U",
    "broadwell": "Core i5-5300U",
    "skylake": "Core i5-7300U", "skylake_avx512": "Xeon W-2123", "cannonlake": "Core i3-8121U",
    "cascadelake": "Xeon W-2235", "icelake": "Core i7-1065G7", "sapphirerapids": "Xeon Silver 4410Y",
    "alderlake": "Core i7-1260P", "k10": "Athlon II X2 250", "bulldozer": "FX-4100", "piledriver": "A10-6800K",
    "steamroller": "A8-7600", "excavator": "A10-8700P", "zen": "Ryzen 5 2500U", "zen2": "Ryzen 5 4500U",
    "zen3": "Ryzen 5 5600U", "zen4": "Ryzen 7 7840U", "zen5": "Ryzen 9 9950X", "arrowlake": "Core Ultra 5 245K",
}  # fmt: skip


@pytest.mark.parametrize(("target", "name"), ARCHSPEC.items())
def test_level_is_archspecs_generic_ancestor(missing, target, name):
    # PyPI archspec 0.2.5 or newer, json/cpu/microarchitectures.json: the ancestors of each target.
    try:
        import archspec.cpu
    except ImportError:
        missing("PyPI archspec is not installed")
    targets = archspec.cpu.TARGETS
    if target not in targets:
        missing(f"archspec has no {target}")
    ancestors = {ancestor.name for ancestor in targets[target].ancestors}
    expected = next((v for v in ("v4", "v3", "v2") if f"x86_64_{v}" in ancestors), "v1")
    answer = from_text(name)
    assert answer.level == expected, answer.problem
