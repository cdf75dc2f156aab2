"""Words put together as a person writes them."""

from __future__ import annotations

from advisor.phrases import counted, few, joined, sentence, spelt, titled
from advisor.unit import BootMode, StorageKind, StorageMode


def test_words_are_joined_as_people_do_and_said_once() -> None:
    assert [joined(one) for one in ("", "a", "ab", "abac")] == ["", "a", "a and b", "a, b and c"]


def test_of_many_words_the_first_are_said_and_how_many_more_there_are() -> None:
    assert [few("abc", 3), few("abcd", 3), few([1, 2], 1, ", …")] == ["a, b, c", "a, b, c and 1 more", "1, …"]


def test_counts_and_sentences() -> None:
    assert [counted(number, "unit") for number in (0, 1, 2, 1200)] == ["0 units", "1 unit", "2 units", "1,200 units"]
    assert [sentence(text) for text in ("a name", "Done.", "'x' fits", "")] == ["A name.", "Done.", "'x' fits.", "."]


def test_abbreviations_are_written_as_makers_write_them() -> None:
    assert [spelt(one) for one in (StorageKind.NVME, StorageKind.SATA_SSD, StorageKind.HDD, StorageKind.EMMC)] == [
        "NVMe", "SATA SSD", "spinning disk", "eMMC",
    ]  # fmt: skip
    assert [spelt(one) for one in (BootMode.UEFI32, BootMode.BIOS, StorageMode.VMD)] == [
        "UEFI 32-bit", "legacy BIOS", "VMD",
    ]  # fmt: skip


def test_a_maker_is_named_once() -> None:
    named = [("Dell", "Latitude 7490"), ("HP", "HP ProBook"), (None, "X1"), ("Acer", None), (None, None)]
    assert [titled(*one) for one in named] == ["Dell Latitude 7490", "HP ProBook", "X1", "Acer", ""]
