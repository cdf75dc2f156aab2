"""The copy phase against a direct unsquashfs timing, at small scale and as ratios within one run."""

import os
import random
import resource
import subprocess

import numpy as np
import pytest

pytestmark = [pytest.mark.outside, pytest.mark.slow]

MIB = 1 << 20


def _tree(folder, mib, seed):
    """A tree of about `mib` MiB in 64 KiB files, half noise and half text, as programs and documents mix."""
    draw = random.Random(seed)
    folder.mkdir()
    for number in range(mib * 16):
        noise = draw.randbytes(4096)
        text = (f"{number} " + " ".join(draw.choice(("kernel", "panel", "driver", "font")) for _ in range(60))).encode()
        (folder / f"file{number:05d}").write_bytes((noise * 4 + text * 100)[: 64 * 1024].ljust(64 * 1024, b"."))


def _processor_seconds(image, target):
    """Processor seconds of one unsquashfs on one core: what others do on the machine hardly touches them."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        ["unsquashfs", "-no-progress", "-quiet", "-processors", "1", "-dest", str(target), str(image)],
        check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_processor_need_of_the_copy_is_proportional_to_what_is_installed(need, tmp_path):
    # squashfs-tools (Debian package), unsquashfs. The model's processor need of the copy phase is a coefficient times
    # installed MiB over the speed of decompression; twice the tree must take twice the processor time, the start of
    # the program apart. The medians of five runs, alternating, are compared; 20 % is four times what they scatter.
    need("unsquashfs")
    need("mksquashfs")
    images = {}
    for mib in (32, 96):
        tree = tmp_path / f"tree{mib}"
        _tree(tree, mib, seed=mib)
        images[mib] = tmp_path / f"{mib}.squashfs"
        subprocess.run(
            ["mksquashfs", str(tree), str(images[mib]), "-quiet", "-no-progress", "-comp", "xz", "-processors", "1"],
            check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
    seconds = {mib: [] for mib in images}
    for run in range(5):
        for mib, image in images.items():
            seconds[mib].append(_processor_seconds(image, tmp_path / f"out{mib}-{run}"))
    ratio = np.median(seconds[96]) / np.median(seconds[32])

    from advisor.timing import serving_model
    from advisor.timing.physics import derive, phase_terms

    model = serving_model()
    row = _conditions()
    predicted = {}
    for mib in images:
        values = derive(
            row.assign(installed_bytes=mib * MIB, image_bytes=images[mib].stat().st_size, installed_files=mib * 16)
        )
        predicted[mib] = sum(
            float(coefficient) * float(term.values(values)[0])
            for term, coefficient in zip(phase_terms("copy"), model.physics.coefficients["copy"], strict=True)
            if term.need == "processor"
        )
    assert predicted[96] / predicted[32] == pytest.approx(ratio, rel=0.2)
    assert os.cpu_count()


def _conditions():
    import pandas as pd

    return pd.DataFrame({
        "decompress_mib_s": [60.0], "cores": [1.0], "disk_read_mib_s": [500.0], "disk_access_ms": [0.1],
        "xz": [1.0], "plain_modules": [0.0],
        "memory_mib": [8192.0], "link_mbps": [50.0], "image_bytes": [1e9], "installed_bytes": [3e9],
        "installed_files": [1e5],
        "extra_packages": [0.0], "extra_bytes": [0.0], "update_packages": [0.0], "update_bytes": [0.0],
    })  # fmt: skip
