"""The processor, from /proc/cpuinfo and sysfs; py-cpuinfo fills what they leave open on a live machine."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping
from typing import Any

from advisor.capture.machine import Machine, clean, pairs, parts, whole
from advisor.capture.machine_facts import Processor, fill

_CPU = re.compile(r"cpu\d{1,4}\Z")


def _cpuinfo() -> dict[str, Any]:
    """Ask py-cpuinfo; it runs programs and Python modules by name, which must not be taken from the current folder."""
    import json
    import subprocess

    command = [sys.executable, "-P", "-m", "cpuinfo", "--json"]
    environment = os.environ | {"PYTHONSAFEPATH": "1"}
    try:
        done = subprocess.run(command, env=environment, cwd="/", capture_output=True, timeout=60, check=True)
        answer = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.SubprocessError):  # a processor that it does not know makes it fail
        return {}
    return answer if isinstance(answer, dict) else {}


def probe(machine: Machine, why: dict[str, str]) -> Processor:
    """Read the processor; why not goes into `why`."""
    content = machine.text("/proc/cpuinfo")
    found = parse(content) if content else Processor()
    cores, threads = _topology(machine)
    if cores:
        found = fill(Processor(cores=cores, threads=threads), found)
    # py-cpuinfo says after the kernel what that says: it is asked only where something is left open.
    if machine.live and None in (found.name, found.vendor, found.family, found.model, found.stepping, found.flags):
        found = fill(found, _answered(_cpuinfo()))
    if not content:
        why["cpu"] = "/proc/cpuinfo could not be read"
    return found


def parse(content: str) -> Processor:
    """Read /proc/cpuinfo: names and numbers of the first processor, cores and threads counted over all."""
    lines = content.splitlines()
    listed = [pairs(part) for part in parts(lines, lambda line, _: line.partition(":")[0].strip() == "processor")]
    first = pairs(line for line in lines if line.partition(":")[2].strip())
    places = {(one.get("physical id"), one["core id"]) for one in listed if "core id" in one}
    numbers = [whole(one["processor"]) or 0 for one in listed if "processor" in one]
    threads, highest = len(numbers), max(numbers, default=0)
    # Some single-core processors state no core id; 'cpu cores' is then the kernel's own count per package.
    cores = len(places) or (whole(first.get("cpu cores")) if len(places) < 2 else None)
    siblings, per_package = whole(first.get("siblings")), whole(first.get("cpu cores"))
    if threads and siblings and per_package:
        packages = -(-(highest + 1) // siblings)
        if threads < siblings * packages:  # only some of the processors were pasted
            cores, threads = per_package * packages, siblings * packages
    return of_fields(first, cores, threads)


def of_fields(said: Mapping[str, str], cores: int | None, threads: int | None) -> Processor:
    """The processor of fields by their names in /proc/cpuinfo, or in lscpu, which differ in capitals alone."""
    fields = {key.casefold().replace("_", " "): value for key, value in said.items()}
    family, model, stepping = (whole(fields.get(name)) for name in ("cpu family", "model", "stepping"))
    name, vendor = clean(fields.get("model name")), clean(fields.get("vendor id"), 20)
    flags = clean(fields.get("flags"), 8000)
    return Processor(name, vendor, family, model, stepping, flags, cores or None, threads or None)


def _topology(machine: Machine) -> tuple[int | None, int | None]:
    """Count cores and threads that the kernel runs on."""
    folder = "/sys/devices/system/cpu"
    found = []
    for name in filter(_CPU.match, machine.names(folder)):
        named = (f"{folder}/{name}/topology/{one}" for one in ("core_id", "physical_package_id", "die_id"))
        core, *above = map(machine.text, named)
        found += [(core, *above)] if core is not None else []
    return len(set(found)) or None, len(found) or None


def _answered(answer: dict[str, Any]) -> Processor:
    return Processor(
        name=clean(answer.get("brand_raw")),
        vendor=clean(answer.get("vendor_id_raw"), 20),
        family=answer.get("family"),
        model=answer.get("model"),
        stepping=answer.get("stepping"),
        flags=" ".join(answer["flags"]) if answer.get("flags") else None,
        threads=answer.get("count"),
    )
