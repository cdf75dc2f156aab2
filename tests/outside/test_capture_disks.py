"""Disk health against smartctl, which reads a recorded talk with a disk, and against the kernel's own headers."""

from __future__ import annotations

import csv
import json
import re
import struct
import subprocess

import pytest

from advisor.capture import health, passthrough
from advisor.capture.machine_facts import Disk
from advisor.files import datasets

pytestmark = pytest.mark.outside

# A model that each pattern of the table is about; models are printed on the makers' labels.
EXAMPLES = {
    "ST500LM000-1EJ162": "Seagate Laptop SSHD",
    "ST2000DX001-1CM164": "Seagate Desktop SSHD",
    "ST1000LX015-1U7172": "Seagate FireCuda 2.5",
    "ST2000DX002-2DV164": "Seagate FireCuda 3.5",
    "ST95005620AS": "Seagate Momentus XT",
    "ST750LX003-1AC154": "Seagate Momentus XT (AF)",
}
WEAR = {
    "Samsung SSD 850 EVO 250GB": ("Samsung based SSDs", 177, "Wear_Leveling_Count"),
    "SAMSUNG MZ7LN256HCHP-000L7": ("Samsung based SSDs", 177, "Wear_Leveling_Count"),
    "INTEL SSDSC2BW120A4": ("Intel 53x and Pro 1500/2500 Series SSDs", 233, "Media_Wearout_Indicator"),
    "CT240BX500SSD1": ("Crucial/Micron Client SSDs", 202, "Percent_Lifetime_Remain"),
    "Micron_1100_MTFDDAV256TBN": ("Crucial/Micron Client SSDs", 202, "Percent_Lifetime_Remain"),
    "KINGSTON SA400S37240G": ("Phison Driven SSDs", 231, "SSD_Life_Left"),
    "KINGSTON SV300S37A120G": ("SandForce Driven SSDs", 231, "SSD_Life_Left"),
    "SK hynix SC308 SATA 256GB": ("SK hynix SATA SSDs", 231, "SSD_Life_Left"),
}


def rows(use: str) -> list[dict[str, str]]:
    with open(datasets() / "capture" / "disks.csv", encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["use"] == use]


def identify(model: str, rotation: int) -> bytes:
    """IDENTIFY DEVICE data (ACS-3, command ECh): SMART on, the model, and the rotation rate in word 217."""
    block = bytearray(512)

    def text(word: int, said: str, length: int) -> None:
        raw = said.ljust(length).encode()
        block[2 * word : 2 * word + length] = b"".join(raw[i : i + 2][::-1] for i in range(0, length, 2))

    text(10, "NONE", 20)
    text(23, "1.0", 8)
    text(27, model, 40)
    words = {0: 0x40, 49: 0x300, 60: 0xFFFF, 61: 0x0FFF, 80: 0x01F0, 82: 0x4001, 83: 0x4400, 84: 0x4023, 85: 1}
    words |= {86: 0x400, 87: 0x4023, 100: 0x6DB0, 101: 0x1D1C, 217: rotation}
    for word, value in words.items():
        struct.pack_into("<H", block, 2 * word, value)
    return bytes(block)


def smart_data(attributes: dict[int, tuple[int, int]]) -> bytes:
    """SMART READ DATA (SFF-8035i 2.0) with its check sum."""
    block = bytearray(512)
    block[0] = 16
    for i, (number, (value, raw)) in enumerate(attributes.items()):
        block[2 + 12 * i : 14 + 12 * i] = struct.pack(
            "<BHBB6sB", number, 0x33, value, value, raw.to_bytes(6, "little"), 0
        )
    block[511] = -sum(block) % 256
    return bytes(block)


def conversation(model: str, rotation: int, attributes: dict[int, tuple[int, int]]) -> str:
    """A conversation as `smartctl -r ataioctl,2` prints it, which `smartctl -` reads back."""
    thresholds = bytearray(smart_data(dict.fromkeys(attributes, (0, 0))))
    answers = {
        "IDENTIFY DEVICE": identify(model, rotation),
        "SMART STATUS CHECK": b"",
        "SMART READ ATTRIBUTE VALUES": smart_data(attributes),
        "SMART READ ATTRIBUTE THRESHOLDS": bytes(thresholds),
    }
    lines = []
    for command, data in answers.items():
        lines += [f"REPORT-IOCTL: Device=/dev/sda Command={command}"] * 1
        lines.append(f"REPORT-IOCTL: Device=/dev/sda Command={command} returned 0")
        if data:
            lines.append(f"===== [{command}] DATA START (BASE-16) =====")
            lines += [
                f"{i:03d}-{i + 15:03d}: {data[i : i + 16].hex(' ')} |................|" for i in range(0, 512, 16)
            ]
            lines.append(f"===== [{command}] DATA END (512 Bytes) =====\n")
    return "\n".join(lines) + "\n"


@pytest.fixture
def ask(need):
    """Ask smartctl (7.3 or later) what a recorded disk said."""
    program = need("smartctl")

    def run(model: str, rotation: int, attributes: dict[int, tuple[int, int]]) -> str:
        command = [program, "-j", "-i", "-A", "-H", "-"]
        text = conversation(model, rotation, attributes)
        return subprocess.run(command, input=text, capture_output=True, text=True, check=False).stdout

    return run


SOME = {5: (100, 8), 9: (93, 30_123), 177: (91, 77), 197: (100, 0), 202: (64, 36), 231: (88, 0), 233: (77, 12)}


def test_attributes_are_taken_apart_as_smartctl_does(ask):
    said = json.loads(ask("TOSHIBA MQ01ABF050", 5400, SOME))
    table = {row["id"]: (row["value"], row["raw"]["value"]) for row in said["ata_smart_attributes"]["table"]}
    assert health.attributes_of(smart_data(SOME)) == table == SOME


@pytest.mark.parametrize("model", WEAR)
def test_wear_attribute_is_smartctls(ask, model):
    family, number, name = WEAR[model]
    text = ask(model, 1, SOME)
    said = json.loads(text)
    assert said["model_family"] == family
    assert next(row for row in said["ata_smart_attributes"]["table"] if row["id"] == number)["name"] == name
    disk = Disk("sda", link="ata", spinning=False, model=model)
    own = health.ata(disk, smart_data(SOME), None, False)
    assert own.left_pct == SOME[number][0]
    assert f"SMART {number} {name}" in own.said
    assert "8 reallocated, 0 pending" in own.said
    assert own.warning
    # smartctl's own answer, read as the script records it, gives the same.
    assert health.smartctl(text, disk) == own


def test_a_spinning_disk_and_an_unknown_ssd_get_no_figure(ask):
    for model, rotation in (("TOSHIBA MQ01ABF050", 5400), ("NT-512", 1)):
        disk = Disk("sda", link="ata", spinning=rotation > 1, model=model)
        own = health.ata(disk, smart_data(SOME), None, False)
        assert own.left_pct is None
        assert health.smartctl(ask(model, rotation, SOME), disk) == own


@pytest.mark.parametrize("model", EXAMPLES)
def test_hybrid_models_are_smartctls(need, model):
    said = subprocess.run(
        [need("smartctl"), "-P", "showall", model], capture_output=True, text=True, check=False
    ).stdout
    assert re.search(r"MODEL FAMILY: +(.*)", said)[1] == EXAMPLES[model]
    found = [row for row in rows("hybrid") if re.match(row["pattern"], model)]
    assert [row["meaning"] for row in found] == [EXAMPLES[model]]


def test_every_row_said_to_be_smartctls_has_its_example():
    hybrids = {row["meaning"] for row in rows("hybrid") if "drivedb" in row["source"]}
    assert hybrids == set(EXAMPLES.values())
    for row in rows("wear"):
        assert any(re.match(row["pattern"], model) for model in WEAR)


def test_plain_disks_are_no_hybrids():
    """Models of smartctl's families Seagate Mobile HDD, Barracuda 7200.14, Toshiba MQ01ABF, WD Blue, Travelstar."""
    for model in (
        "ST1000LM035-1RK172",
        "ST1000DM003-1CH162",
        "TOSHIBA MQ01ABF050",
        "WDC WD10EZEX-08WN4A0",
        "HTS545050A7E680",
    ):
        assert not [row for row in rows("hybrid") if re.match(row["pattern"], model)]


def compiled(need, tmp_path, includes: str, expressions: list[str]) -> list[int]:
    """Values of C expressions, by the compiler and the headers of this system."""
    source = tmp_path / "ask.c"
    prints = "".join(f'printf("%llu\\n", (unsigned long long)({one}));' for one in expressions)
    source.write_text(f"#include <stdio.h>\n#include <stddef.h>\n{includes}\nint main(void) {{ {prints} return 0; }}\n")
    subprocess.run([need("gcc"), "-o", tmp_path / "ask", source], check=True)
    return [
        int(line)
        for line in subprocess.run([tmp_path / "ask"], capture_output=True, text=True, check=True).stdout.split()
    ]


def test_nvme_command_is_the_kernels(need, tmp_path):
    """linux-libc-dev: linux/nvme_ioctl.h."""
    need("/usr/include/linux/nvme_ioctl.h")
    fields = ["opcode", "nsid", "addr", "data_len", "cdw10", "timeout_ms"]
    asked = [f"offsetof(struct nvme_admin_cmd, {field})" for field in fields]
    includes = "#include <linux/nvme_ioctl.h>\n#include <sys/ioctl.h>"
    got = compiled(need, tmp_path, includes, ["NVME_IOCTL_ADMIN_CMD", "sizeof(struct nvme_admin_cmd)", *asked])
    ours = passthrough._NvmeCommand
    assert got == [passthrough._NVME_ADMIN, 72, *(getattr(ours, field).offset for field in fields)]


def test_scsi_header_is_the_kernels(need, tmp_path):
    """libc6-dev: scsi/sg.h."""
    need("/usr/include/scsi/sg.h")
    ours = passthrough._SgHeader
    fields = [name for name, _ in ours._fields_]
    asked = [f"offsetof(struct sg_io_hdr, {field})" for field in fields]
    got = compiled(
        need, tmp_path, "#include <stdint.h>\n#include <scsi/sg.h>", ["SG_IO", "sizeof(struct sg_io_hdr)", *asked]
    )
    assert got == [
        passthrough._SG_IO,
        passthrough.ctypes.sizeof(ours),
        *(getattr(ours, field).offset for field in fields),
    ]


def test_nvme_log_offsets_are_libnvmes(need, tmp_path):
    """libnvme-dev: nvme/types.h, struct nvme_smart_log (NVM Express Base 1.4, log page 02h)."""
    need("/usr/include/nvme/types.h")
    fields = ["critical_warning", "avail_spare", "spare_thresh", "percent_used"]
    asked = [f"offsetof(struct nvme_smart_log, {field})" for field in fields]
    warning, spare, threshold, used, size = compiled(
        need, tmp_path, "#include <nvme/types.h>", [*asked, "sizeof(struct nvme_smart_log)"]
    )
    log = bytearray(size)
    assert size == 512
    log[spare], log[threshold], log[used] = 100, 10, 37
    assert health.nvme(bytes(log)).left_pct == 63
    log[used] = 130
    assert health.nvme(bytes(log)).left_pct == 0
    log[used], log[spare] = 5, 9
    assert health.nvme(bytes(log)).left_pct == 0
    log[spare], log[warning] = 100, 0x08  # NVME_SMART_CRIT_RO: media read-only
    assert health.nvme(bytes(log)).left_pct == 0
    log[warning] = 0x02  # temperature: no wear
    assert health.nvme(bytes(log)).left_pct == 95
