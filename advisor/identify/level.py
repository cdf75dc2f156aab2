"""Instruction-set level from feature flags, by the lists of the x86-64 psABI [1]_.

References
----------
.. [1] System V Application Binary Interface, AMD64 Architecture Processor Supplement, version 1.0,
   section 3.1.1, table 3.1 "Micro-Architecture Levels".
"""

from __future__ import annotations

LEVELS = ("i686", "v1", "v2", "v3", "v4")
"""Levels in rising order; each holds all that the ones before it hold."""

FEATURES: dict[str, frozenset[str]] = {
    "i686": frozenset({"cmov", "cx8", "fpu"}),
    "v1": frozenset({"lm", "mmx", "fxsr", "sse", "sse2"}),
    "v2": frozenset({"cx16", "lahf_lm", "popcnt", "pni", "sse4_1", "sse4_2", "ssse3"}),
    "v3": frozenset({"avx", "avx2", "bmi1", "bmi2", "f16c", "fma", "abm", "movbe", "xsave"}),
    "v4": frozenset({"avx512f", "avx512bw", "avx512cd", "avx512dq", "avx512vl"}),
}
"""What each level adds, by the names of /proc/cpuinfo: LZCNT is 'abm', SSE3 is 'pni', OSXSAVE is 'xsave'.

'syscall' is left out: Intel processors report it only to a 64-bit kernel, so a capture made from a 32-bit medium
lacks it; 'lm' (long mode) implies it.
"""


def level_of_flags(flags: str) -> str | None:
    """Work out the highest level whose features, and those of all lower levels, are present.

    Parameters
    ----------
    flags : str
        The 'flags' line of /proc/cpuinfo, space between.

    Returns
    -------
    str or None
        'i686', 'v1' to 'v4'; None when even i686 is not reached, or the text is no list of flags.
    """
    present = set(flags.split())
    if present == {"op-mode:32-bit"}:  # what a listing without flags says of a processor without long mode
        return "i686"
    reached = None
    for level in LEVELS:
        if not present >= FEATURES[level]:
            break
        reached = level
    return reached
