"""From facts to a capture: every decision is taken here, whatever the facts were read from."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pydantic import ValidationError

from advisor.capture import battery, box, devices, memory, screen, storage
from advisor.capture.machine_facts import MachineFacts
from advisor.unit import Capture, Unit

_CPU_FIELDS = ("vendor", "family", "model", "stepping", "flags", "cores", "threads")


def compose(facts: MachineFacts, taken_by: str) -> Capture:
    """Make a capture of facts.

    Parameters
    ----------
    taken_by : str
        What read them.

    Returns
    -------
    advisor.unit.Capture
        A field that is open has its reason in `unread`; a field that is rounded or doubtful has it too.
    """
    values: dict[str, Any] = {"cpu": facts.processor.name}
    values |= {f"cpu_{name}": getattr(facts.processor, name) for name in _CPU_FIELDS}
    why: dict[str, str] = {
        name: "the source does not say" for name in ("cpu", *(f"cpu_{n}" for n in _CPU_FIELDS)) if values[name] is None
    }
    of_box, why_box = box.decide(facts)
    form = of_box["form_factor"]
    of_memory, why_memory = memory.decide(facts)
    of_storage, why_storage, notes = storage.decide(facts)
    of_devices, why_devices = devices.decide(facts)
    of_screen, why_screen = screen.decide(facts, form)
    of_battery, why_battery = battery.decide(facts, form)
    values |= {**of_box, **of_memory, **of_storage, **of_devices, **of_screen, **of_battery}
    why |= {**why_box, **why_memory, **why_storage, **why_devices, **why_screen, **why_battery}
    # What a probe met is nearer to the cause than what the decision missed; it is void once another source knew.
    why |= {name: reason for name, reason in facts.why.items() if values.get(name) is None}
    why |= facts.care
    for name, value in values.items():
        if value is None and name not in why:
            why[name] = "the source does not say"
    notes += [f"{name} {value}" for name, value in facts.identifiers.items()]
    values["notes"] = "; ".join(notes) or None
    unit, refused = valid(values)
    moment = dt.datetime.now(dt.UTC)
    return Capture(
        taken_at=moment.isoformat(timespec="seconds"),
        taken_by=taken_by,
        unit=unit,
        unread={name: reason for name, reason in (why | refused).items() if reason},
    )


def valid(values: dict[str, Any]) -> tuple[Unit, dict[str, str]]:
    """Make a Unit of what is valid; the second result names each field that was dropped, with the reason."""
    refused: dict[str, str] = {}
    kept = {name: value for name, value in values.items() if name in Unit.model_fields}
    for _ in range(2):
        try:
            return Unit.model_validate(kept), refused
        except ValidationError as error:
            for problem in error.errors(include_url=False, include_context=False):
                name = str(problem["loc"][0])
                if name in kept:
                    shown = repr(kept.pop(name))
                    refused[name] = f"the value {shown[:60]} was dropped: {problem['msg']}"
    return Unit(), refused
