"""Firmware that a kernel asked for and did not find: which Debian package ships it."""

from __future__ import annotations

from collections.abc import Iterable

from advisor.drivers.table_files import load_firmware
from advisor.unit import Capture

_SUITES = (("debian-13", "Debian 13"), ("debian-12", "Debian 12"))


def packages_with(files: Iterable[str]) -> dict[str, str]:
    """Package and suite that ship each file below lib/firmware, as 'firmware-iwlwifi (Debian 13)'; '' for none."""
    found: dict[str, str] = {}
    for file in files:
        shippers = ((title, load_firmware(suite).shipped(file)) for suite, title in _SUITES)
        found[file] = next((f"{' or '.join(names)} ({title})" for title, names in shippers if names), "")
    return found


def name_packages(capture: Capture) -> Capture:
    """Say with a capture which packages ship the firmware that its kernel missed.

    Returns
    -------
    advisor.unit.Capture
        With the packages in `unread["firmware"]`.
    """
    if not capture.firmware:
        return capture
    packages = packages_with(capture.firmware)
    bring = ", ".join(sorted({name for name in packages.values() if name}))
    none = [file for file, name in packages.items() if not name]
    parts = [f"bring {bring}"] if bring else []
    parts += [f"no package of Debian ships {', '.join(none[:3])}"] if none else []
    unread = {**capture.unread, "firmware": f"{capture.unread.get('firmware', '')}: {'; '.join(parts)}"}
    return capture.model_copy(update={"unread": unread})
