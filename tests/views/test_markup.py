import pandas as pd
import pytest

from advisor.views.markup import Markup, duration, el, join, known, text


@pytest.mark.parametrize(
    ("built", "expected"),
    [
        (el("b", "<script>"), "<b>&lt;script&gt;</b>"),
        (el("b", None, False, "a", ["b", 1]), "<b>ab1</b>"),
        (el("input", value='"><img src=x>', data_row=3), '<input value="&#34;&gt;&lt;img src=x&gt;" data-row="3"/>'),
        (el("p", el("i", "&")), "<p><i>&amp;</i></p>"),
        (el("option", "x", selected=True, disabled=False), "<option selected>x</option>"),
    ],
)
def test_elements_escape_what_is_text(built, expected):
    assert built == expected


def test_join_escapes_text_but_not_markup():
    assert join(["<", Markup("<br/>")]) == "&lt;<br/>"


@pytest.mark.parametrize(
    ("minutes", "words"), [(35, "35 min"), (59.6, "1 h 00 min"), (65, "1 h 05 min"), (pd.NA, "not known")]
)
def test_durations_read_as_people_say_them(minutes, words):
    assert duration(minutes) == words


@pytest.mark.parametrize("value", [None, pd.NA, float("nan"), "", "  "])
def test_unknown_is_said(value):
    assert not known(value)
    assert text(value) == "unknown"
