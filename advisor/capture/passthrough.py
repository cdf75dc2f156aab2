"""Asking a disk for its health log through the kernel: identify and log commands only, nothing that writes."""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
from collections.abc import Iterator
from dataclasses import dataclass

_NVME_ADMIN = 0xC0484E41  # Linux 6.12, include/uapi/linux/nvme_ioctl.h: _IOWR('N', 0x41, struct nvme_admin_cmd)
_SG_IO = 0x2285  # Linux 6.12, include/scsi/sg.h
_TIMEOUT_MS = 3000


@dataclass(frozen=True)
class Answers:
    """What a SATA disk answered."""

    attributes: bytes  # SMART READ DATA, 512 bytes
    endurance_page: bytes | None  # Device Statistics, page 7
    failing: bool | None  # SMART RETURN STATUS


class _NvmeCommand(ctypes.Structure):
    _fields_ = (
        ("opcode", ctypes.c_uint8), ("flags", ctypes.c_uint8), ("rsvd1", ctypes.c_uint16), ("nsid", ctypes.c_uint32),
        ("cdw2", ctypes.c_uint32), ("cdw3", ctypes.c_uint32), ("metadata", ctypes.c_uint64), ("addr", ctypes.c_uint64),
        ("metadata_len", ctypes.c_uint32), ("data_len", ctypes.c_uint32), ("cdw10", ctypes.c_uint32),
        ("cdw11", ctypes.c_uint32), ("cdw12", ctypes.c_uint32), ("cdw13", ctypes.c_uint32), ("cdw14", ctypes.c_uint32),
        ("cdw15", ctypes.c_uint32), ("timeout_ms", ctypes.c_uint32), ("result", ctypes.c_uint32),
    )  # fmt: skip


class _SgHeader(ctypes.Structure):
    _fields_ = (
        ("interface_id", ctypes.c_int), ("dxfer_direction", ctypes.c_int), ("cmd_len", ctypes.c_ubyte),
        ("mx_sb_len", ctypes.c_ubyte), ("iovec_count", ctypes.c_ushort), ("dxfer_len", ctypes.c_uint),
        ("dxferp", ctypes.c_void_p), ("cmdp", ctypes.c_void_p), ("sbp", ctypes.c_void_p), ("timeout", ctypes.c_uint),
        ("flags", ctypes.c_uint), ("pack_id", ctypes.c_int), ("usr_ptr", ctypes.c_void_p), ("status", ctypes.c_ubyte),
        ("masked_status", ctypes.c_ubyte), ("msg_status", ctypes.c_ubyte), ("sb_len_wr", ctypes.c_ubyte),
        ("host_status", ctypes.c_ushort), ("driver_status", ctypes.c_ushort), ("resid", ctypes.c_int),
        ("duration", ctypes.c_uint), ("info", ctypes.c_uint),
    )  # fmt: skip


@contextlib.contextmanager
def _opened(node: str) -> Iterator[int]:
    handle = os.open(node, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        yield handle
    finally:
        os.close(handle)


def nvme_health_log(node: str) -> bytes:
    """Ask an NVMe disk such as /dev/nvme0n1 for log page 02h, 512 bytes (Get Log Page, opcode 02h), else OSError."""
    buffer = ctypes.create_string_buffer(512)
    command = _NvmeCommand(
        opcode=0x02,
        nsid=0xFFFFFFFF,
        addr=ctypes.addressof(buffer),
        data_len=512,
        cdw10=0x02 | (512 // 4 - 1) << 16,
        timeout_ms=_TIMEOUT_MS,
    )
    with _opened(node) as handle:
        status = fcntl.ioctl(handle, _NVME_ADMIN, command)
    if status:
        raise OSError(f"NVMe status {status:#x}")
    return buffer.raw


def ata_command_block(
    command: int, feature: int, *, lba: int = 0, count: int = 0, reading: bool = True, extended: bool = False
) -> bytes:
    """Wrap an ATA command and its registers in a SCSI ATA PASS-THROUGH (16) command of 16 bytes (T10 SAT-3).

    `reading` asks for data (PIO data-in), else the registers are asked back; `extended` is for 48-bit registers.
    """
    block = bytearray(16)
    block[0] = 0x85
    block[1] = (4 if reading else 3) << 1 | int(extended)
    block[2] = 0x0E if reading else 0x20
    block[3], block[4] = (feature >> 8) & 0xFF, feature & 0xFF
    block[5], block[6] = (count >> 8) & 0xFF, count & 0xFF
    block[7], block[8] = (lba >> 24) & 0xFF, lba & 0xFF
    block[9], block[10] = (lba >> 32) & 0xFF, (lba >> 8) & 0xFF
    block[11], block[12] = (lba >> 40) & 0xFF, (lba >> 16) & 0xFF
    block[14] = command
    return bytes(block)


def _scsi(handle: int, block: bytes, length: int) -> tuple[bytes, bytes]:
    """Send a command that reads; gives data and sense."""
    data = ctypes.create_string_buffer(max(length, 1))
    sense = ctypes.create_string_buffer(64)
    command = ctypes.create_string_buffer(block, len(block))
    header = _SgHeader(
        interface_id=ord("S"),
        dxfer_direction=-3 if length else -1,
        cmd_len=len(block),
        mx_sb_len=64,
        dxfer_len=length,
        dxferp=ctypes.addressof(data) if length else None,
        cmdp=ctypes.addressof(command),
        sbp=ctypes.addressof(sense),
        timeout=_TIMEOUT_MS,
    )
    fcntl.ioctl(handle, _SG_IO, header)
    if header.host_status or (length and (header.status or header.resid == length)):
        raise OSError(f"the disk refused (SCSI status {header.status:#x}, host {header.host_status:#x})")
    return data.raw[:length], sense.raw[: header.sb_len_wr]


def failing_from_sense(sense: bytes) -> bool | None:
    """Read SMART RETURN STATUS from the ATA descriptor (type 09h) of sense data, None when it has none.

    LBA mid is its byte 9 and LBA high byte 11: C2h/4Fh there mean that no threshold is exceeded, 2Ch/F4h that one is
    (ACS-3, SMART RETURN STATUS; SAT-3, ATA Status Return Descriptor).
    """
    at = sense.find(b"\x09\x0c", 8) if len(sense) >= 22 and sense[0] & 0x7F == 0x72 else -1
    if at < 0 or at + 12 > len(sense):
        return None
    pair = (sense[at + 9], sense[at + 11])
    return {(0x4F, 0xC2): False, (0xF4, 0x2C): True}.get(pair)


def ata_answers(node: str) -> Answers:
    """Ask a SATA disk such as /dev/sda for SMART data, overall status and endurance statistics, else OSError."""
    failing, page = None, b""
    with _opened(node) as handle:
        attributes, _ = _scsi(handle, ata_command_block(0xB0, 0xD0, lba=0xC24F00, count=1), 512)
        with contextlib.suppress(OSError):
            _, sense = _scsi(handle, ata_command_block(0xB0, 0xDA, lba=0xC24F00, reading=False), 0)
            failing = failing_from_sense(sense)
        with contextlib.suppress(OSError):
            page, _ = _scsi(handle, ata_command_block(0x2F, 0, lba=0x000704, count=1, extended=True), 512)
    return Answers(attributes, page if len(page) == 512 and page[2] == 7 else None, failing)
