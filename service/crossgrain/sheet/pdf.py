"""The plan as a PDF to be filed with the record: its words and every order, on paper's own pages.

Set by hand in the fonts that every reader of PDF has (ISO 32000, standard 14 fonts), so that it
needs no browser, no font and no library in C. The dates and the name of the file come from the
answer: the same answer gives the same bytes.
"""

import io
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from crossgrain.names.values import frozen
from crossgrain.sheet.person import PatientHeading
from crossgrain.words.doses import CAUTION

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    import pydyf

OF_PDF = "pydyf"
"""The library that writes it, of the extra `pdf`: loaded when a PDF is asked for."""
Resource = Mapping[str, Any]
WIDTH, HEIGHT, MARGIN = 595, 842, 56
"""Points; ISO 216 A4."""
_LEADING = 1.35
_ASCII = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
)  # fmt: skip
"""Widths of Helvetica from space to tilde, in thousandths of the size (Adobe's font metrics)."""
_WIDEST = 1015
_BOLDER = 1.1
"""Helvetica-Bold is no wider than so many times Helvetica in running text."""
NOT_WRITTEN = (
    "Some letters of this record cannot be written in the fonts of this document and are shown as"
    " question marks: see the page, which has all of them."
)


@frozen
class _Block:
    """A paragraph: its words, and how they are set."""

    text: str
    size: float = 10
    bold: bool = False
    indent: int = 0
    before: float = 3

    def lines(self) -> Iterator[str]:
        """Its words in lines that fit on the page."""
        room = (WIDTH - 2 * MARGIN - self.indent) * 1000 / self.size
        if self.bold:
            room /= _BOLDER
        line = ""
        for word in self.text.split():
            longer = f"{line} {word}" if line else word
            if line and width(longer) > room:
                yield line
                longer = word
            while width(longer) > room:  # one word that no line holds
                most = int(room // _WIDEST)
                yield longer[:most]
                longer = longer[most:]
            line = longer
        if line:
            yield line


def width(text: str) -> int:
    """How wide words are in Helvetica, in thousandths of their size."""
    return sum(_ASCII[ord(c) - 32] if " " <= c <= "~" else _WIDEST for c in text)


def plan_pdf(answer: Resource, person: PatientHeading, name: str) -> bytes:
    """The PDF of an answer.

    Parameters
    ----------
    answer : a Bundle as `answer_bundle` writes it
    person : whose it is
    name : of the document, its identifier in the file
    """
    resources = [entry["resource"] for entry in answer["entry"]]
    plans = [each for each in resources if each["resourceType"] == "CarePlan"]
    about = plans[0] if plans else resources[0]
    title = _writable(str(about.get("title", "What the service found")))
    blocks = [_Block(title, 16, bold=True), *_whose(person), *_of_narrative(about)]
    if plans:  # without one the narrative is that of the answer, which says it
        blocks += _answered(resources[0])
    blocks += _orders(resources)
    written = [replace(block, text=_writable(block.text)) for block in blocks]
    if any(
        "?" in new.text and new.text != old.text for new, old in zip(written, blocks, strict=True)
    ):
        written.insert(1, _Block(NOT_WRITTEN, bold=True))
    return _bytes(_pages(written), title, answer["timestamp"], name)


def _whose(person: PatientHeading) -> Iterator[_Block]:
    said = (("Name", person.name), ("Born", person.born), ("Record number", person.number))
    yield _Block("    ".join(f"{what}: {value}" for what, value in said if value))


def _of_narrative(resource: Resource) -> Iterator[_Block]:
    """The paragraphs, lists and tables of a narrative of ours."""
    from xml.etree import ElementTree  # noqa: PLC0415 - for a PDF alone, as its library

    for element in ElementTree.fromstring(resource["text"]["div"]):
        kind = element.tag.rpartition("}")[2]
        if kind == "p":
            heads = len(element) > 0
            yield _Block(_text(element), 12 if heads else 10, heads, before=9 if heads else 3)
        elif kind == "ul":
            yield from (_Block(f"\u2022 {_text(item)}", indent=10) for item in element)
        elif kind == "table":
            for row in element.iter():
                if row.tag.rpartition("}")[2] == "tr":
                    cells = [_text(cell) for cell in row]
                    heads = row[0].tag.rpartition("}")[2] == "th"
                    yield _Block("  |  ".join(cells), 9, heads, indent=10, before=2)


def _text(element: "Element") -> str:
    return " ".join("".join(element.itertext()).split())


def _answered(guidance: Resource) -> Iterator[_Block]:
    """What came with the call as answers to its questions."""
    rationale = (each for each in guidance["contained"] if each["resourceType"] == "Parameters")
    said = [
        {part["name"]: part["valueString"] for part in parameter["part"]}
        for each in rationale
        for parameter in each["parameter"]
        if parameter["name"] == "answered"
    ]
    if said:
        yield _Block("Answered", 12, bold=True, before=9)
    for each in said:
        yield _Block(f"\u2022 {each['question']} {each['answer']}", indent=10)


def _orders(resources: Iterable[Resource]) -> Iterator[_Block]:
    """Every order in full: the product, what the patient does, how much is handed out when."""
    orders = [each for each in resources if each["resourceType"] == "MedicationRequest"]
    if orders:
        yield _Block("Every order", 12, bold=True, before=9)
    for order in orders:
        concept = order.get("medicationCodeableConcept") or order["medication"]["concept"]
        yield _Block(concept["text"], bold=True, before=6)
        for dosage in order["dosageInstruction"]:
            yield _Block(dosage["text"], indent=10)
        handed = order["dispenseRequest"]
        quantity, days = handed["quantity"]["value"], handed["expectedSupplyDuration"]["value"]
        valid = handed["validityPeriod"]
        yield _Block(
            f"To be dispensed from {valid['start']} to {valid['end']}: {quantity} tablets, which"
            f" last {days} days.",
            indent=10,
        )


def _writable(text: str) -> str:
    """Words as the fonts have them: a letter without its marks before none at all."""
    return "".join(_letter(c) for c in text)


def _letter(character: str) -> str:
    for form in (character, _SAID.get(character, ""), unicodedata.normalize("NFKD", character)[:1]):
        if form and _is_written(form):
            return form
    return "?"


_SAID = {"\u2264": "<=", "\u2265": ">=", "\u2192": "->", "\u2212": "-", "\u2011": "-"}


def _is_written(text: str) -> bool:
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return text.isprintable()


_Placed = tuple[_Block, str, float]
"""A line of a block, and how far above the page's foot it stands."""


def _pages(blocks: Iterable[_Block]) -> list[list[_Placed]]:
    """Every line on its page; the words that say who decides close each page."""
    pages: list[list[_Placed]] = [[]]
    height = float(HEIGHT - MARGIN)
    for block in blocks:
        height -= block.before
        for line in block.lines():
            height -= block.size * _LEADING
            if height < MARGIN:
                pages.append([])
                height = HEIGHT - MARGIN - block.size * _LEADING
            pages[-1].append((block, line, height))
    return pages


def _bytes(pages: Sequence[Sequence[_Placed]], title: str, instant: str, name: str) -> bytes:
    import pydyf  # noqa: PLC0415 - an extra, loaded when it is asked for

    pdf = pydyf.PDF()
    fonts = _fonts(pdf)
    for number, page in enumerate(pages, start=1):
        _add_page(pdf, fonts, page, f"{CAUTION} Page {number} of {len(pages)}.")
    pdf.catalog["Lang"] = pydyf.String("en")
    moment = datetime.fromisoformat(instant).astimezone(UTC)
    pdf.info["Title"] = pydyf.String(title)
    pdf.info["CreationDate"] = pydyf.String(f"D:{moment:%Y%m%d%H%M%S}Z")
    written = io.BytesIO()
    pdf.write(written, identifier=name.encode("ascii"))
    return written.getvalue()


def _fonts(pdf: "pydyf.PDF") -> "pydyf.Dictionary":
    import pydyf  # noqa: PLC0415 - an extra, loaded when it is asked for

    fonts = {}
    for own, base in (("F", "Helvetica"), ("B", "Helvetica-Bold")):
        font = pydyf.Dictionary(
            {
                "Type": "/Font",
                "Subtype": "/Type1",
                "BaseFont": f"/{base}",
                "Encoding": "/WinAnsiEncoding",
            }
        )
        pdf.add_object(font)
        fonts[own] = font.reference
    return pydyf.Dictionary(fonts)


def _add_page(
    pdf: "pydyf.PDF", fonts: "pydyf.Dictionary", lines: Sequence[_Placed], foot: str
) -> None:
    import pydyf  # noqa: PLC0415 - an extra, loaded when it is asked for

    content = pydyf.Stream()
    content.begin_text()
    for block, line, height in [*lines, (_Block(foot, 8), foot, MARGIN / 2)]:
        content.set_font_size("B" if block.bold else "F", block.size)
        content.set_text_matrix(1, 0, 0, 1, MARGIN + block.indent, round(height, 2))
        content.stream.append(b"(" + _escaped(line) + b") Tj")
    content.end_text()
    pdf.add_object(content)
    resources = pydyf.Dictionary({"Font": fonts})
    pdf.add_page(
        pydyf.Dictionary(
            {
                "Type": "/Page",
                "Parent": pdf.pages.reference,
                "MediaBox": pydyf.Array([0, 0, WIDTH, HEIGHT]),
                "Contents": content.reference,
                "Resources": resources,
            }
        )
    )


def _escaped(line: str) -> bytes:
    """A line as a string of PDF (ISO 32000, literal strings)."""
    written = line.encode("cp1252")
    for sign in (b"\\", b"(", b")"):
        written = written.replace(sign, b"\\" + sign)
    return written
