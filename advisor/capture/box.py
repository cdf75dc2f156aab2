"""The box: maker, model, chassis, and what its firmware starts."""

from __future__ import annotations

import re

from advisor.capture import smbios
from advisor.capture.machine import Attempt, Machine, clean, whole
from advisor.capture.machine_facts import Box, Findings, MachineFacts
from advisor.capture.memory import TABLE
from advisor.unit import BootMode, FormFactor

SECURE_BOOT = "/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
"""UEFI variable SecureBoot under EFI_GLOBAL_VARIABLE (UEFI 2.10, 3.3): four bytes of attributes, then 0 or 1."""

_EMPTY_WORDS = re.compile(
    r"(to be filled.*|default string|not (specified|applicable|available)|none|n/?a|unknown|undefined|invalid|empty"
    r"|o\.?e\.?m\.?|system (product name|manufacturer|version)|type1.*|product name|base ?board.*|chassis.*|[0x.*-]*)",
    re.IGNORECASE,
)
"""What firmware makers leave in a field that nobody filled in; from memory."""

_THIN_CLIENT = re.compile(r"\bthin client\b|\bwyse\b|\bfutro\b|\bt\d{3}\b.{0,40} tc\b", re.IGNORECASE)
"""Product names that say thin client: SMBIOS has no chassis type for it. Dell Wyse, Fujitsu FUTRO and HP 't630 TC'
are the makers' own lines (from memory)."""


def probe(machine: Machine, why: dict[str, str]) -> Box:
    """Read maker, model, chassis type, boot mode, Secure Boot and TPM; why one could not be read goes into `why`."""
    folder = "/sys/class/dmi/id"
    if not machine.exists(folder):
        why["maker"] = why["model"] = why["form_factor"] = "this machine's firmware has no SMBIOS table"
    efi, bits = _boot(machine, why)
    table = machine.data(TABLE)
    return Box(
        maker=clean(machine.text(f"{folder}/sys_vendor"), 80),
        product=clean(machine.text(f"{folder}/product_name"), 80),
        version=clean(machine.text(f"{folder}/product_version"), 80),
        board_maker=clean(machine.text(f"{folder}/board_vendor"), 80),
        board=clean(machine.text(f"{folder}/board_name"), 80),
        chassis=whole(machine.text(f"{folder}/chassis_type")),
        efi=efi,
        efi_bits=bits,
        uefi_able=smbios.uefi_able(table) if table else None,
        secure_boot=_secure_boot(machine, efi, why),
        tpm=_tpm(machine, why),
    )


def _boot(machine: Machine, why: dict[str, str]) -> tuple[bool | None, int | None]:
    if machine.exists("/sys/firmware/efi"):
        bits = whole(machine.text("/sys/firmware/efi/fw_platform_size"))
        if bits is None:
            why["boot_mode"] = "UEFI, but the kernel does not say whether of 32 or 64 bits (fw_platform_size)"
        return True, bits
    if machine.exists("/sys/firmware"):
        return False, None
    why["boot_mode"] = "/sys/firmware was not there to read"
    return None, None


def _secure_boot(machine: Machine, efi: bool | None, why: dict[str, str]) -> bool | None:
    if efi is False:
        return False
    content = machine.data(SECURE_BOOT)
    if content and len(content) >= 5:
        return content[4] == 1
    if efi:
        absent = machine.reading(SECURE_BOOT) is Attempt.ABSENT
        why["secure_boot"] = (
            "the UEFI variables are not mounted, or the firmware has none of that name"
            if absent
            else "the UEFI variable could not be read"
        )
    return None


def _tpm(machine: Machine, why: dict[str, str]) -> str | None:
    for name in machine.names("/sys/class/tpm"):
        major = machine.text(f"/sys/class/tpm/{name}/tpm_version_major")
        if major in ("1", "2"):
            return "1.2" if major == "1" else "2.0"
        capabilities = machine.text(f"/sys/class/tpm/{name}/device/caps") or machine.text(f"/sys/class/tpm/{name}/caps")
        if capabilities and "TCG version: 1.2" in capabilities:
            return "1.2"
    ids = machine.names("/sys/bus/acpi/devices")
    # MSFT0101 is the ACPI id of a TPM 2.0 (TCG ACPI Specification), PNP0C31 that of a TPM 1.2.
    if any(name.startswith("MSFT0101") for name in ids):
        return "2.0"
    if any(name.startswith("PNP0C31") for name in ids):
        return "1.2"
    if machine.exists("/sys/class/tpm"):
        return "none"
    why["tpm"] = "the running kernel has no TPM support, so nothing can be said"
    return None


def _filled(text: str | None) -> str | None:
    return None if text is None or _EMPTY_WORDS.fullmatch(text) else text


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill maker, model, form factor, boot mode, Secure Boot and TPM of the Unit."""
    box = facts.box
    maker = _filled(box.maker) or _filled(box.board_maker)
    product, version = _filled(box.product), _filled(box.version)
    model = product
    if maker and maker.casefold() == "lenovo" and version and product:
        # Lenovo keeps the name in the version and the machine type in the name.
        model = version if product.casefold() in version.casefold() else f"{version} ({product})"
    model = model or _filled(box.board)
    found.tell("model", model, "the firmware holds no model name")
    found.tell("maker", maker, "the firmware holds no maker's name")
    found.tell("secure_boot", box.secure_boot)
    found.tell("tpm", box.tpm)
    found.tell("form_factor", *_form_factor(box, model))
    if box.efi:
        found.tell("boot_mode", {64: BootMode.UEFI64, 32: BootMode.UEFI32}.get(box.efi_bits or 0))
    elif box.efi is False:
        found.tell("boot_mode", BootMode.BIOS)
        if box.uefi_able:
            found.why["boot_mode"] = (
                "this session was started the legacy way; the firmware says that it can start UEFI too"
            )


def _form_factor(box: Box, model: str | None) -> tuple[FormFactor | None, str]:
    if model and _THIN_CLIENT.search(model):
        return FormFactor.THIN_CLIENT, ""
    if box.chassis is None:
        return None, "the firmware states no chassis type"
    row = smbios.words("chassis").get(box.chassis)
    if row is None:
        return None, f"chassis type {box.chassis} is not in the SMBIOS standard"
    if not row["form_factor"]:
        return None, f"the firmware's chassis type is {box.chassis}, '{row['name']}', which does not say"
    return FormFactor(row["form_factor"]), ""
