"""The plan as a PDF: read back by pypdf, which is not ours."""

import io
import re
from collections.abc import Iterator
from typing import Any

import pypdf
import pytest
from pypdf._codecs.core_font_metrics import CORE_FONT_METRICS
from tests.unit.writing.answers import resources, written
from tests.unit.writing.plans import EVERY, PLANNED

from crossgrain.names.identity import FhirVersion
from crossgrain.sheet.pdf import HEIGHT, MARGIN, NOT_WRITTEN, WIDTH, plan_pdf, width
from crossgrain.sheet.person import PatientHeading
from crossgrain.words.doses import CAUTION

NAME = "0b7c8a52-4a1f-5c77-9d3b-6a0f5f0d2c11"
PERSON = PatientHeading("Ada Example", "1970-05-01", "T-17")


def pdf(answer: dict[str, Any], person: PatientHeading = PERSON) -> bytes:
    return plan_pdf(answer, person, NAME)


def read(content: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(content), strict=True)


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def words_in(content: bytes) -> str:
    """All of its words, but for what closes each page, without the breaks of lines."""
    pages = (page.extract_text() for page in read(content).pages)
    closing = re.compile(re.escape(squeezed(CAUTION)) + r"Page\d+of\d+\.")
    return "".join(closing.sub("", squeezed(page)) for page in pages)


@pytest.mark.parametrize("version", FhirVersion)
@pytest.mark.parametrize("name", PLANNED)
def test_every_order_stands_in_it_word_for_word(name: str, version: FhirVersion) -> None:
    answer = written(PLANNED[name](), version)
    text = words_in(pdf(answer))
    orders = resources(answer, "MedicationRequest")
    assert orders
    for order in orders:
        concept = order.get("medicationCodeableConcept") or order["medication"]["concept"]
        handed = order["dispenseRequest"]
        assert squeezed(concept["text"]) in text
        for dosage in order["dosageInstruction"]:
            assert squeezed(dosage["text"]) in text
        assert f"{handed['quantity']['value']}tablets,whichlast" in text


@pytest.mark.parametrize("name", EVERY)
def test_the_narrative_of_what_was_found_stands_in_it_too(name: str) -> None:
    answer = written(EVERY[name]())
    (about,) = resources(answer, "CarePlan") or resources(answer, "GuidanceResponse")
    text = words_in(pdf(answer))
    said = re.findall(r"<(?:p|li|td|th)>([^<&]+)</", about["text"]["div"])
    assert said
    assert [each for each in said if squeezed(each) not in text] == []


def test_whose_it_is_stands_at_its_head_and_who_decides_at_the_foot_of_each_page() -> None:
    content = pdf(written(EVERY["LT4 to desiccated"]()))
    first, *others = (page.extract_text() for page in read(content).pages)
    assert others
    assert "Name: Ada Example" in first
    assert "Record number: T-17" in first
    assert all(squeezed(CAUTION) in squeezed(page) for page in (first, *others))


def test_the_same_answer_gives_the_same_bytes_dated_by_the_answer_alone() -> None:
    answer = written(EVERY["LT4 to desiccated"]())
    content = pdf(answer)
    assert content == pdf(answer)
    told = read(content)
    assert told.metadata is not None
    assert told.metadata.creation_date_raw == "D:20240429000000Z"
    assert told.trailer["/ID"][0] == NAME
    assert told.trailer["/Root"]["/Lang"] == "en"


def placed(content: bytes) -> Iterator[tuple[float, float, float]]:
    """Left edge, right edge by pypdf's own metrics of the font, and height of each line."""

    for page in read(content).pages:
        lines: list[tuple[float, float, float]] = []

        def seen(text: str, _: Any, at: list[float], font: Any, size: float, kept=lines) -> None:  # type: ignore[no-untyped-def]
            if text.strip() and font is not None:
                metrics = CORE_FONT_METRICS[font["/BaseFont"][1:]]
                wide = sum(metrics.character_widths.get(c, 556) for c in text.strip("\n"))
                kept.append((at[4], at[4] + wide * size / 1000, at[5]))

        page.extract_text(visitor_text=seen)
        yield from lines


def test_no_line_leaves_the_page() -> None:
    lines = list(placed(pdf(written(EVERY["LT4 to desiccated"]()))))
    assert len(lines) > 100
    for left, right, height in lines:
        assert left >= MARGIN
        assert right <= WIDTH - MARGIN + 1
        assert MARGIN / 2 <= height <= HEIGHT - MARGIN


def test_a_word_is_as_wide_as_the_published_metrics_of_the_font_say() -> None:

    known = CORE_FONT_METRICS["Helvetica"].character_widths
    for code in range(32, 127):
        assert width(chr(code)) == known[chr(code)], chr(code)


@pytest.mark.parametrize(
    ("name", "shown", "said"),
    [
        ("Zoë Müller-Ñandú", "Zoë Müller-Ñandú", False),
        ("Řehoř Nový", "Rehor Nový", False),  # a letter without its mark before none at all
        ("Ελένη", "?????", True),
    ],
)
def test_letters_that_the_fonts_lack_are_told(name: str, shown: str, said: bool) -> None:
    text = words_in(pdf(written(EVERY["LT4 to desiccated"]()), PatientHeading(name)))
    assert squeezed(f"Name: {shown}") in text
    assert (squeezed(NOT_WRITTEN) in text) is said


def test_what_a_record_says_can_break_out_of_no_string() -> None:
    hostile = PatientHeading("a) Tj ET (b\\", "(", "\\)")
    text = words_in(pdf(written(EVERY["LT4 to desiccated"]()), hostile))
    assert squeezed("Name: a) Tj ET (b\\") in text
    assert squeezed("Record number: \\)") in text
