"""Markdown in which nothing from a record acts."""

import pytest
from markdown_it import MarkdownIt

from crossgrain.cds import markdown as md


@pytest.mark.parametrize(
    ("words", "written"),
    [
        ("plain words, 2.5 mg (a day)", "plain words, 2.5 mg (a day)"),
        ("  two\n\tlines  ", "two lines"),
        ("a_b*c`d~e", "a\\_b\\*c\\`d\\~e"),
        ("[x] <b> & #1 | {2} ! @ \\", "\\[x\\] \\<b\\> \\& \\#1 \\| \\{2\\} \\! \\@ \\\\"),
        ("http://x.example https://y", "http\\://x.example https\\://y"),
        ("a: b", "a: b"),
        ("www.x WWW.y ww.z", "www\\.x WWW\\.y ww.z"),
        ("1. first 2. x", "1\\. first 2. x"),
        ("12) first", "12\\) first"),
        ("1.5 mg", "1.5 mg"),
        ("- a - b", "\\- a - b"),
        ("+ a", "\\+ a"),
        ("= a", "\\= a"),
        ("a\x00b", "a\ufffdb"),
        ("", ""),
    ],
)
def test_plain_words_stay_plain(words: str, written: str) -> None:
    assert md.text(words) == written
    shown = MarkdownIt("gfm-like", {"linkify": False}).renderInline(md.text(words))
    assert "<a" not in shown
    assert "<em" not in shown


def test_what_is_emphasised_is_escaped_too() -> None:
    assert md.strong("a*b") == "**a\\*b**"


def test_a_list_holds_an_item_a_line() -> None:
    assert md.bullets(["a", "b\\*"]) == "- a\n- b\\*"
    assert md.bullets([]) == ""


def test_a_table_holds_a_row_a_line_and_no_cell_breaks_out() -> None:
    assert md.table(("A", "B"), [("1", "x|y"), ("2\n3", "")]) == (
        "| A | B |\n| --- | --- |\n| 1 | x\\|y |\n| 2 3 |  |"
    )


def test_blocks_stand_apart_and_empty_ones_are_left_out() -> None:
    assert md.page("a", "", "b") == "a\n\nb"
    assert md.page("", "") == ""


def test_no_heading_stands_where_nothing_below_it_fits() -> None:
    blocks = ["- first", md.page(md.strong("Heading"), md.bullets(["x" * 50]))]
    assert md.fitted(blocks, "The end.", 45) == "- first\n\nAnd 1 more.\n\nThe end."
    whole = "- first\n\n**Heading**\n\n- " + "x" * 50 + "\n\nThe end."
    assert md.fitted(blocks, "The end.", 200) == whole
