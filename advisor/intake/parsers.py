"""The parser of each field."""

from __future__ import annotations

from collections.abc import Callable

from advisor.intake import values
from advisor.intake.device_ids import devices
from advisor.intake.memory import memory, memory_type
from advisor.intake.parsed import Parsed
from advisor.unit import DTYPES, MEASURES, Unit, choices

TEXT_FIELDS = frozenset(name for name, dtype in DTYPES.items() if dtype == "string" and not choices(name)) - {
    "devices", "ram_type"
}  # fmt: skip
"""Fields that are kept as the text they are."""

_RATES = {"Mbit/s": "mbps", "MiB/s": "mib/s", "ms": "ms"}
"""Measures of speeds and times, as the table of words has them."""

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
    most = next((float(limit.le) for limit in Unit.model_fields[field].metadata if hasattr(limit, "le")), 0.0)
    worn = "wear" in header.lower()
    if kind := _RATES.get(MEASURES[field]):
        return lambda text: values.rate(text, kind, most)
    if DTYPES[field] == "Int64":
        return lambda text: values.count(text, int(most), _COUNTED.get(field, "a whole number"))
    if MEASURES[field] == "GiB":
        return lambda text: memory(text, unit)
    if MEASURES[field] == "%":
        read = values.battery if field == "battery_health_pct" else values.share
        return lambda text: read(text, most, worn)
    return _OTHERS.get(field, values.yes_no) if DTYPES[field] == "boolean" else _OTHERS[field]
