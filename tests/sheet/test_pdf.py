"""The PDF: one A4 page a unit whatever the texts, all of it on the paper, texts shown and never obeyed."""

from __future__ import annotations

import dataclasses
import io
import re

import pypdf
import pytest

from advisor.errors import InputError
from advisor.sheet import render_pdf
from advisor.sheet.typeset import MOST

from .conftest import HOSTILE, LONG, crammed, mixed

MM = 72 / 25.4


def _pages(data: bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(data)).pages)


def _placed(page: pypdf.PageObject) -> list[tuple[str, float, float]]:
    """Texts with their place from the lower left [pt]."""
    found: list[tuple[str, float, float]] = []

    def visit(text, cm, tm, _font, _size):
        if text.strip():
            x, y = tm[4], tm[5]
            found.append((text.strip(), cm[0] * x + cm[2] * y + cm[4], cm[1] * x + cm[3] * y + cm[5]))

    page.extract_text(visitor_text=visit)
    return found


def _on_paper(page: pypdf.PageObject) -> None:
    placed = _placed(page)
    assert placed
    lowest = min(y for _, _, y in placed)
    assert lowest >= 7 * MM - 0.5, f"text at {lowest:.1f} pt runs into the lower margin"
    assert max(y for _, _, y in placed) <= (297 - 9) * MM
    assert min(x for _, x, _ in placed) >= 10 * MM - 0.5
    assert any("bench-advisor" in text for text, _, _ in placed), "the footer is missing"


@pytest.mark.parametrize("name", ["plain", "held", "aside", "long", "unbroken", "few but long"])
def test_one_page_with_everything_on_it(sheets, name):
    pages = _pages(render_pdf(sheets[name]))
    assert len(pages) == 1
    # ISO 216: A4 is 210 mm by 297 mm.
    assert [float(side) for side in pages[0].mediabox[2:]] == pytest.approx([210 * MM, 297 * MM], abs=0.05)
    _on_paper(pages[0])


@pytest.mark.slow
def test_random_sheets_stay_on_their_pages():
    many = [mixed(seed) for seed in range(40)]
    pages = _pages(render_pdf(many))
    assert len(pages) == len(many)
    for page in pages:
        _on_paper(page)


def test_texts_are_shown_not_obeyed(sheets):
    one = dataclasses.replace(sheets["plain"], title=HOSTILE, notes=HOSTILE, tag="#evil[]")
    text = re.sub(r"\s+", "", "".join(page.extract_text() for page in _pages(render_pdf(one))))
    for literal in ("<script>alert(1)</script>", "{{7*7}}", "#strong[typst]", "$x^2$", "\\u{1F4A9}", "#evil[]"):
        assert literal in text


def test_plain_sheet_says_what_matters(sheets):
    text = " ".join(_pages(render_pdf(sheets["plain"]))[0].extract_text().split())
    for wanted in (
        "TT-0042", "FIRMWARE", "Cinnamon", "debian-12-plain", "min hands-on", "43 to 66 min", "needs firmware",
        "firmware-iwlwifi", "Copy the bench account's settings to the skeleton for new users", "/etc/skel",
        "data-sanitisation rule", "Right to erase: who, when", "from 64 measured installs",
        "desktop s", "browser s", "left MiB",
    ):  # fmt: skip
        assert wanted in text, wanted


def test_what_is_left_off_is_said(sheets):
    text = " ".join(_pages(render_pdf(sheets["long"]))[0].extract_text().split())
    assert text.count("more, see the scored CSV") >= 5


def _size(page: pypdf.PageObject, text: str) -> float:
    sizes = []
    page.extract_text(visitor_text=lambda shown, cm, tm, font, size: sizes.append(size) if text in shown else None)
    return sizes[0]


def test_larger_type_where_there_is_room_and_nothing_left_off(sheets):
    plain, long = (_pages(render_pdf(sheets[name]))[0] for name in ("plain", "long"))
    assert "more, see the scored CSV" not in plain.extract_text()
    assert _size(plain, "Mains and power-supply") > _size(long, "Mains and power-supply")


def _joined(text: str) -> str:
    """Without spaces and the places where a word may break."""
    return re.sub(r"[\s\u200b]+", "", text)


def _own_texts(record):
    yield from (record.headline, record.best_fix, record.basis if record.elapsed_min is not None else "", record.limits)
    for reason in record.reasons:
        yield from (reason.text, reason.source)
    for flag in record.flags:
        yield from (flag.title, flag.reason, flag.action)
    for item in record.at_hand:
        yield from (item.what, item.why)
    for device in record.devices:
        yield from (device.kind, device.name, device.support, device.note)
    yield from (*record.checks, *record.cautions, *record.find_out, *record.assumed, *record.taken, *record.no_boot)
    yield from (phase.title for phase in record.phases)


@pytest.mark.slow
def test_every_text_of_the_demo_is_whole_or_its_entry_is_counted_as_left_off():
    from advisor import intake
    from advisor.advice import assess
    from advisor.files import datasets
    from advisor.shop_file import read_shop

    demo = datasets() / "demo"
    records = list(assess(intake.read(demo / "intake.csv"), read_shop(demo / "shop.toml")))
    pages = [page.extract_text() for page in _pages(render_pdf(records))]
    assert len(pages) == len(records) == 60
    left_off = 0
    for record, page in zip(records, pages, strict=True):
        text = _joined(page)
        assert "…" not in text, record.tag
        missing = [one for one in _own_texts(record) if _joined(one) not in text]
        counted = sum(int(number) for number in re.findall(r"\+(\d+)more,seethescoredCSV", text))
        # A flag left off takes three texts with it: its title, its reason, its action.
        assert len(missing) <= 3 * counted, (record.tag, missing)
        left_off += counted
    assert left_off <= 3, "the demo's sheets are to hold nearly everything"


@pytest.mark.parametrize("field", ["tag", "title", "notes"])
def test_what_people_typed_at_length_ends_in_an_ellipsis(sheets, field):
    most = MOST[field]
    kept, cut = "y" * most, "y" * (most + 1)
    for text, ends in ((kept, False), (cut, True)):
        page = _pages(render_pdf(dataclasses.replace(sheets["plain"], **{field: text})))[0].extract_text()
        assert (("y" + "…") in _joined(page)) is ends


def _glyphs(page: pypdf.PageObject) -> set[int]:
    """Glyph numbers that a page shows; all fonts in it are composite, two bytes a glyph."""
    found: set[int] = set()
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        if operator in (b"Tj", b"TJ"):
            for piece in operands[0] if isinstance(operands[0], list) else operands:
                if isinstance(piece, (str, bytes)):
                    raw = piece.original_bytes if isinstance(piece, str) else piece
                    found |= {int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)}
    return found


def test_characters_without_a_font_are_written_out(sheets):
    # Unassigned in Unicode 16 and so in no font: U+2FE0. Names: UnicodeData.txt.
    notes = "screen 你 👾 \u2fe0 Ж ü"
    page = _pages(render_pdf(dataclasses.replace(sheets["plain"], notes=notes)))[0]
    text = page.extract_text()
    assert "你" in text or "[U+4F60]" in text
    assert "👾" in text or "[alien monster]" in text
    assert "Ж ü" in text
    # ISO 32000-1, 9.7.4.3 and OpenType: glyph 0 is the one for a character that the font lacks.
    glyphs = _glyphs(page)
    assert len(glyphs) > 40
    assert 0 not in glyphs


@pytest.mark.slow
def test_many_units_in_one_file(sheets):
    many = [dataclasses.replace(sheets["plain"], tag=f"TT-{number:03}", code=f"TT-{number:03}") for number in range(60)]
    pages = _pages(render_pdf(many))
    assert len(pages) == 60
    assert all(f"TT-{number:03}" in page.extract_text() for number, page in enumerate(pages))


def test_same_bytes_every_time(sheets):
    assert render_pdf(sheets["plain"]) == render_pdf(sheets["plain"])


def test_only_fonts_that_come_with_the_package_where_they_have_all_letters():
    # Letters beyond Latin may be drawn by a font of the machine: each has others.
    page = _pages(render_pdf(crammed("".join(one for one in LONG if one < "\u0300"))))[0]
    names = {str(font.get_object()["/BaseFont"]) for font in page["/Resources"]["/Font"].values()}
    stems = {name.split("+")[-1].split("-")[0] for name in names}
    assert stems <= {"B612", "DejaVuSansMono", "LibertinusSerif"}, names
    assert "B612" in stems


def test_no_colour_is_used(sheets):
    content = b"".join(_pages(render_pdf(sheets[name]))[0].get_contents().get_data() for name in ("plain", "long"))
    # PDF 32000-1:2008, table 74: rg, RG, k and K set colours other than grey.
    assert not re.search(rb"(?:^|\s)[\d.]+ [\d.]+ [\d.]+ (?:rg|RG)\s", content)
    assert not re.search(rb"\s[\d.]+ (?:k|K)\s", content)
    # scn with three numbers would be a colour in a named colour space.
    assert not re.search(rb"(?:^|\n)[\d.]+ [\d.]+ [\d.]+ (?:scn|SCN|sc|SC)\s", content)


def test_nothing_to_print_is_said():
    with pytest.raises(InputError, match="no unit"):
        render_pdf([])
