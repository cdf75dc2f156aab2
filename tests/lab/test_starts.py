"""The figures of a start, put together from what the guest says and which reads the emulator names."""

import pytest

from advisor.errors import ToolError
from advisor.lab.starts import figures

READS = b"""virtio_blk_handle_read vdev 0x1 req 0x2 sector 0 nsectors 8
virtio_blk_handle_read vdev 0x1 req 0x2 sector 8 nsectors 8
something else
virtio_blk_handle_read vdev 0x1 req 0x2 sector 4096 nsectors 16
virtio_blk_handle_read vdev 0x1 req 0x2 sector 4112 nsectors 2016
"""


def test_a_start_by_hand():
    """Two places on the disk, 1 MiB of sectors beside 3 MiB loaded; 4.1 s at work where 20 MiB take 2 s."""
    found = figures("noise\nadvisor-start 100 0 300 5 5 ticks, 2.0 s\n", READS, 3 << 20)
    assert found.seeks == 2
    assert found.read_mib == pytest.approx(3 + 2048 / 2048)
    assert found.decompress_mib == pytest.approx(4.1 * 20 / 2.0)


def test_a_start_that_says_nothing_is_no_figure():
    with pytest.raises(ToolError, match="greeter"):
        figures("Job apparmor.service/start running", READS, 0)
