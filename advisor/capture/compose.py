"""From facts to a capture: every decision is taken here, whatever the facts were read from."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pydantic import ValidationError

from advisor.capture import battery, box, devices, memory, screen, storage
from advisor.capture.machine_facts import Findings, MachineFacts
from advisor.unit import Capture, Unit

_SILENT = "the source does not say"


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
    found = Findings()
    processor = facts.processor
    found.tell("cpu", processor.name, _SILENT)
    for name in ("vendor", "family", "model", "stepping", "flags", "cores", "threads"):
        found.tell(f"cpu_{name}", getattr(processor, name), _SILENT)
    for room in (box, memory, storage, devices, screen, battery):
        room.decide(facts, found)
    values = found.values
    # What a probe met is nearer to the cause than what the decision missed; it is void once another source knew.
    found.why |= {name: reason for name, reason in facts.why.items() if values.get(name) is None} | facts.care
    for name, value in values.items():
        found.tell(name, value, _SILENT)
    notes = [*found.notes, *(f"{name} {value}" for name, value in facts.identifiers.items())]
    values["notes"] = "; ".join(notes) or None
    unit, refused = valid(values)
    moment = dt.datetime.now(dt.UTC)
    return Capture(
        taken_at=moment.isoformat(timespec="seconds"),
        taken_by=taken_by,
        unit=unit,
        unread={name: reason for name, reason in (found.why | refused).items() if reason},
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
