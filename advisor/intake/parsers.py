"""The parser of each field."""

from __future__ import annotations

from collections.abc import Callable

from advisor.intake import values
from advisor.intake.device_ids import devices
from advisor.intake.memory import memory, memory_type
from advisor.intake.parsed import Parsed
from advisor.unit import DTYPES, Unit

TEXT_FIELDS = frozenset(name for name, dtype in DTYPES.items() if dtype == "string") - {
    "form_factor", "storage_kind", "storage_mode", "boot_mode", "devices", "ram_type"
}  # fmt: skip
"""Fields that are kept as the text they are."""

_RATES = {
    "link_mbps": ("mbps", 100_000.0),
    "decompress_mib_s": ("mib/s", 10_000.0),
    "disk_read_mib_s": ("mib/s", 100_000.0),
    "disk_access_ms": ("ms", 10_000.0),
    "disk_near_ms": ("ms", 10_000.0),
    "disk_read_end_mib_s": ("mib/s", 100_000.0),
}
_COUNTED = {
    "ram_slots_free": "a number of free slots", "ram_slots": "a number of slots",
    "battery_cycles": "a number of cycles", "cpu_family": "a family", "cpu_model": "a model number",
    "cpu_stepping": "a stepping", "cpu_cores": "a number of cores", "cpu_threads": "a number of threads",
}  # fmt: skip
"""What is accepted in a cell of whole numbers, for the message."""

_OTHERS: dict[str, Callable[[str], Parsed]] = {
    "form_factor": values.form_factor,
    "boot_mode": values.boot_mode,
    "storage_mode": values.storage_mode,
    "ram_soldered": values.soldered,
    "ram_type": memory_type,
    "devices": devices,
}


def parser(field: str, unit: str = "", header: str = "") -> Callable[[str], Parsed]:
    """The parser, from a text to a `Parsed`, of the cells of a field (no plain text, no storage_kind or storage_gib);
    `unit` and `header` are what the header states: under 'wear' a share says what is gone.
    """
    if field in _RATES:
        kind, fastest = _RATES[field]
        return lambda text: values.rate(text, kind, fastest)
    if DTYPES[field] == "Int64":
        most = next(int(limit.le) for limit in Unit.model_fields[field].metadata if hasattr(limit, "le"))
        return lambda text: values.count(text, most, _COUNTED.get(field, "a whole number"))
    if field in ("ram_gib", "ram_max_gib"):
        return lambda text: memory(text, unit)
    worn = "wear" in header.lower()
    if field == "battery_health_pct":
        return lambda text: values.battery(text, worn)
    if field == "storage_health_pct":
        return lambda text: values.share(text, 100.0, worn)
    return _OTHERS.get(field, values.yes_no) if DTYPES[field] == "boolean" else _OTHERS[field]
