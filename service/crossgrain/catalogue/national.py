"""A national catalogue of medicines, as CSV, led to products for a clinic's file.

The deployer says which columns hold what. Rows of one code are one product, so that a catalogue
with a row for each ingredient and one with a row for each pack are read alike. A row becomes a
product only where the reader would be certain of an order that said the same: it is given to
`product_in` as a Medication. Every other row is left out with its reason, and none in silence:

==================================================  ==============================================
a row                                               comes to
==================================================  ==============================================
of no thyroid hormone                               left out: another medicine
of a hormone with anything else                     left out: a combination
whose strength, unit or form is not read            left out, with what was not read
in which name, ingredient and strength disagree     left out, with the question of the reader
of a strength that nobody takes                     left out: a slip in the unit, most likely
of a code that the shipped tables know otherwise    left out
any other                                           a product
==================================================  ==============================================
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from crossgrain.catalogue.codes import refuse_words_against
from crossgrain.dosing.preparations import Preparation
from crossgrain.names.errors import DomainError
from crossgrain.names.numbers import refuse
from crossgrain.names.printing import as_written
from crossgrain.names.values import frozen
from crossgrain.reading.code_tables import CodeTables, MedicineCode
from crossgrain.reading.codesystems import FORMS, system_meant
from crossgrain.reading.elements import (
    Asked,
    CodeableConcept,
    Coding,
    Quantity,
    Ratio,
    Unreadable,
)
from crossgrain.reading.hormone_names import folded, looks_like_hormone, names_alone
from crossgrain.reading.medications import product_in
from crossgrain.reading.names import read_product_words
from crossgrain.reading.product import Product, tablet_strength
from crossgrain.reading.quantities import Dimension, unit_of_word
from crossgrain.reading.views import Ingredient, Medication

ANOTHER = "another medicine"
FORMS_DOSED = ("tablet", "capsule", "solution")
COMBINATION = "a combination of thyroid hormone with something else"


@frozen
class Columns:
    """The headings of the columns that are read; `unit` is empty where the strength says it."""

    code: str
    name: str
    ingredient: str
    strength: str
    form: str
    unit: str = ""


@frozen
class Layout:
    """How a catalogue is written.

    Attributes
    ----------
    system : the URI of its codes, as records name it
    columns : where everything stands
    delimiter : between two cells
    decimal_comma : whether ``12,5`` is twelve and a half; else a number with a comma is not read
    between : what parts the ingredients, and their strengths and units, within one cell
    forms : words or codes of the column of forms → ``tablet``, ``capsule`` or ``solution``
    """

    system: str
    columns: Columns
    delimiter: str = ","
    decimal_comma: bool = False
    between: str = ";"
    forms: Mapping[str, str] = field(default_factory=dict)


class Content(NamedTuple):
    """What a product holds: so much in a tablet, or in one mL, in the unit of its line."""

    line: Preparation
    strength: Fraction | None
    per_ml: Fraction | None

    def under(self, name: str) -> MedicineCode:
        """What a code of it says."""
        return MedicineCode(self.line.kind, name, self.line, self.strength, self.per_ml)


class Imported(NamedTuple):
    """A product, and the first row that holds it; the heading is row 1."""

    row: int
    code: str
    name: str
    content: Content


class RowLeftOut(NamedTuple):
    """A row that became no product."""

    row: int
    name: str
    reason: str


class _CatalogueRow(NamedTuple):
    number: int
    cells: Columns


class _Uncertain(Exception):
    """What keeps a row from becoming a product; the message says it."""


def imported(
    content: bytes,
    encoding: str,
    layout: Layout,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
) -> tuple[list[Imported], list[RowLeftOut]]:
    """The products of a catalogue, and the rows left out, each in the order of the file.

    Raises
    ------
    DomainError
        ``invalid``, its field the row and the column, for a file that cannot be read as it is
        said to be written. Then nothing of it is taken.
    """  # fmt: skip
    products: list[Imported] = []
    left: list[RowLeftOut] = []
    by_code: dict[str, list[_CatalogueRow]] = {}
    for row in _rows(_text(content, encoding), layout):
        if row.cells.code:
            by_code.setdefault(row.cells.code, []).append(row)
        else:
            left.append(RowLeftOut(row.number, row.cells.name, "it has no code"))
    for code, rows in by_code.items():
        try:
            content_of = _content(code, rows, layout, codes, preparations)
        except _Uncertain as why:
            left += (RowLeftOut(row.number, row.cells.name, str(why)) for row in rows)
        else:
            products.append(Imported(rows[0].number, code, rows[0].cells.name, content_of))
    return products, sorted(left)


def _text(content: bytes, encoding: str) -> str:
    try:
        return content.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as wrong:
        line = content.count(b"\n", 0, wrong.start) + 1
        refuse(f"line {line}", f"the file is not {encoding}; name its encoding")
    except LookupError:
        refuse("encoding", "there is no such encoding")


def _rows(text: str, layout: Layout) -> Iterator[_CatalogueRow]:
    """The rows below the heading, with the cells that are read."""
    if len(layout.delimiter) != 1:
        refuse("delimiter", "this must be one character")
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=layout.delimiter, strict=True)
    number = 1
    try:
        heading = next(lines, [])
        places = _places(heading, layout.columns)
        for number, cells in enumerate(lines, start=2):
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(heading):
                refuse(f"row {number}", f"it has {len(cells)} cells, the heading {len(heading)}")
            read = {key: cells[place].strip() for key, place in places.items()}
            yield _CatalogueRow(number, Columns(**read))
    except csv.Error as wrong:
        refuse(f"row {number + 1}", f"this is not CSV: {wrong}")


def _places(heading: list[str], columns: Columns) -> dict[str, int]:
    """Where each column stands."""
    named = [cell.strip() for cell in heading]
    places: dict[str, int] = {}
    for key in Columns.__dataclass_fields__:
        column = getattr(columns, key)
        if not column and key == "unit":
            continue
        if named.count(column) != 1:
            what = (
                "stands twice" if column in named else f"is not there; there are {', '.join(named)}"
            )
            refuse(f"row 1, column {column}", f"this column {what}")
        places[key] = named.index(column)
    return places


def _content(
    code: str,
    rows: list[_CatalogueRow],
    layout: Layout,
    codes: CodeTables,
    preparations: Mapping[str, Preparation],
) -> Content:
    """What a code of the catalogue stands for."""
    _refuse_other_medicines(rows, layout)
    _refuse_the_form_of_code(code, layout.system)
    liquid = _is_liquid(rows, layout)
    parts = [part for row in rows for part in _parts(row, layout, liquid)]
    parts = list(dict.fromkeys(parts))
    names = list(dict.fromkeys(row.cells.name for row in rows if row.cells.name))
    if not names:
        raise _Uncertain("it has no name")
    try:
        product = product_in(_medication(names, parts), codes, preparations, "")
    except Asked as asked:
        raise _Uncertain(f"not certain: {asked.question}") from None
    except Unreadable as wrong:
        raise _Uncertain(f"not certain: {wrong.message}") from None
    if product is None:
        raise _Uncertain(ANOTHER)
    content = _held(product, liquid, codes)
    _refuse_another_number(names, content)
    meaning = content.under(rows[0].cells.name)
    known = codes.medicines.get(system_meant(layout.system), {}).get(code)
    if known and not known.leaves_room_for(meaning):
        raise _Uncertain(f"the tables know this code as {known.display}")
    try:
        refuse_words_against(meaning, meaning.display, preparations, "")
    except DomainError as wrong:
        raise _Uncertain(f"not certain: its name: {wrong.message}") from None
    return content


def _refuse_other_medicines(rows: list[_CatalogueRow], layout: Layout) -> None:
    """Leave out what holds no hormone, and what holds anything beside it."""
    said = [part for row in rows for part in _split(row.cells.ingredient, layout) if part]
    hormones = [part for part in said if looks_like_hormone(folded(part))]
    named = any(looks_like_hormone(folded(row.cells.name)) for row in rows)
    if not hormones and (said or not named):
        raise _Uncertain(ANOTHER if not named else "its name points to thyroid hormone, its"
                         " ingredient does not")  # fmt: skip
    if not hormones or any(not row.cells.ingredient for row in rows):
        raise _Uncertain("it names no ingredient")
    if len(hormones) < len(said):
        raise _Uncertain(COMBINATION)
    for part in hormones:
        if not names_alone(folded(part)):
            raise _Uncertain(f"the ingredient is not known: {part}")


def _refuse_the_form_of_code(code: str, system: str) -> None:
    form = FORMS.get(system_meant(system))
    try:
        if form:
            form(code)
    except DomainError as wrong:
        raise _Uncertain(f"the code {code}: {wrong.message}") from None


_SOLID = re.compile(
    r"\b(?:film[- ]?coated |coated |oral )?(?:tablets?|tabs?|capsules?|caps?)\b|"
    # German, French, Spanish, Italian, Dutch, Portuguese: from memory
    r"\b(?:film)?tabletten?\b|\b(?:hart|weich)?kapseln?\b|\bcomprim(?:es?|idos?)\b|\bgelules?\b|"
    r"\bcompress[ae]\b|\bcapsul[ae]s?\b"
)
_LIQUID = re.compile(
    r"\boral (?:solution|drops|liquid)\b|\bsolution,? oral\b|"
    r"\b(?:losung|tropfen) zum einnehmen\b|\bsolution buvable\b|\bsolucion oral\b|"
    r"\bsoluzione orale\b|\bdrank\b"
)


def _is_liquid(rows: list[_CatalogueRow], layout: Layout) -> bool:
    """Whether the product is a solution, and no tablet or capsule; one of them it must be."""
    found = {_form_of(row.cells.form, layout) for row in rows}
    if len(found) > 1:
        raise _Uncertain("its rows name several forms")
    return found.pop() == "solution"


def _form_of(written: str, layout: Layout) -> str:
    if written in layout.forms:
        return layout.forms[written]
    words = folded(written)
    said = read_product_words(words)
    if not said.made_up and not said.not_oral:
        solid, liquid = bool(_SOLID.search(words)), bool(_LIQUID.search(words))
        if solid != liquid:
            return "tablet" if solid else "solution"
    raise _Uncertain(f"the form is no tablet, capsule or oral solution: {written or 'none'}")


class _Part(NamedTuple):
    """An ingredient: its name, and so much of it in so much of the product."""

    name: str
    amount: Decimal
    unit: str
    per: Decimal
    per_unit: str


def _split(cell: str, layout: Layout) -> list[str]:
    return [part.strip() for part in cell.split(layout.between)] if layout.between else [cell]


def _parts(row: _CatalogueRow, layout: Layout, liquid: bool) -> Iterator[_Part]:
    """The ingredients of a row with their strengths."""
    names, strengths, units = (
        _split(cell, layout) for cell in (row.cells.ingredient, row.cells.strength, row.cells.unit)
    )
    if len(names) != len(strengths) or len(units) not in {1, len(names)}:
        raise _Uncertain("it has not one strength and unit for each ingredient")
    units = units * len(names) if len(units) == 1 else units
    for name, strength, unit in zip(names, strengths, units, strict=True):
        yield _strength(name, f"{strength} {unit}".strip(), layout, liquid)


_WRITTEN = re.compile(
    r"(?P<n>\d{1,9}(?:[.,]\d{1,9})?|\.\d{1,9})\s*(?P<u>[^\W\d_]+)\.?"
    r"(?:\s*(?:/|per)\s*(?P<dn>\d{1,6}(?:[.,]\d{1,6})?)?\s*(?P<du>[^\W\d_]+)?)?"
)


def _strength(name: str, written: str, layout: Layout, liquid: bool) -> _Part:
    """``75 microgram``, ``0,1 mg``, ``ug/1``, ``100microgram/5ml``: whole or not at all."""
    found = _WRITTEN.fullmatch(written)
    unit = unit_of_word(found["u"]) if found else None
    if found is None or unit is None or unit.dimension is not Dimension.MASS:
        raise _Uncertain(f"the strength is not read with certainty: {written or 'none'}")
    below = unit_of_word(found["du"] or "tablet")
    volume = below is not None and below.dimension is Dimension.VOLUME
    if below is None or volume != liquid or below.dimension not in {
        Dimension.VOLUME, Dimension.PIECE,
    }:  # fmt: skip
        raise _Uncertain(f"the strength does not go with the form: {written}")
    amount, per = (_number(n, written, layout) for n in (found["n"], found["dn"] or "1"))
    return _Part(name, amount, found["u"], per, found["du"] or "tablet")


def _number(digits: str, written: str, layout: Layout) -> Decimal:
    """A number as the layout writes it; a point where commas are usual could part thousands."""
    if ("." if layout.decimal_comma else ",") in digits:
        raise _Uncertain(f"the strength is not read with certainty: {written}")
    number = Decimal(digits.replace(",", "."))
    if not number:
        raise _Uncertain(f"the strength is not read with certainty: {written}")
    return number


def _medication(names: Iterable[str], parts: list[_Part]) -> Medication:
    """What the rows say, as an order would say it."""
    codings = tuple(Coding(display=name) for name in names)
    if len(parts) == 1:
        return Medication(
            "Medication", code=CodeableConcept(codings), ingredient=(_ingredient(parts[0]),)
        )
    both = " / ".join(f"{part.name} {part.amount:f} {part.unit}" for part in parts)
    return Medication(
        "Medication", code=CodeableConcept(codings, both), ingredient=tuple(map(_ingredient, parts))
    )


def _ingredient(part: _Part) -> Ingredient:
    above = Quantity(value=part.amount, unit=part.unit)
    ratio = Ratio(above, Quantity(value=part.per, unit=part.per_unit))
    return Ingredient(CodeableConcept(text=part.name), strength=ratio)


def _held(product: Product, liquid: bool, codes: CodeTables) -> Content:
    """What the product holds, where it is told and somebody may take so much."""
    line = product.preparation
    if line is None:
        raise _Uncertain("not certain: is it labelled with 60 or with 65 mg per grain?")
    strength = None if liquid else tablet_strength(product)
    per_ml = product.per_ml if liquid else None
    if strength is None and per_ml is None:
        raise _Uncertain("its strength is not told")
    bounds, per_unit = codes.plausible[line.kind], line.mg_per_grain or 1
    least, most = strength or _SPOONFUL * (per_ml or 0), strength or per_ml or Fraction(0)
    if least < bounds.low * per_unit or most > bounds.high * per_unit:
        raise _Uncertain(
            f"{as_written(most)} {line.unit} is no content that is taken: is it the unit?"
        )
    return Content(line, strength, per_ml)


_IN_NAME = re.compile(r"(?<![\d.,])\d+(?:[.,]\d+)?(?![\d.,]*\d)")


def _refuse_another_number(names: Iterable[str], content: Content) -> None:
    """A name that holds the strength of another tablet of the line, and not its own.

    ``Our Blue 50`` beside 75 micrograms: no unit says that 50 is a strength, and nothing else that
    it is none.
    """
    line, strength, _ = content
    for name in names:
        numbers = {Fraction(number.replace(",", ".")) for number in _IN_NAME.findall(name)}
        own = {strength, (strength or 0) / 1000, (strength or 0) * 1000}
        other = numbers & set(line.strengths)
        if strength and other and not numbers & own and not read_product_words(name).strengths:
            raise _Uncertain(f"not certain: its name says {as_written(min(other))}")


_SPOONFUL = 5
"""mL"""


def products_file(products: Iterable[Imported], layout: Layout, source: str, version: str) -> str:
    """The file as a clinic's file names it; `source` is what the catalogue's file is called."""
    head = (
        f"# Made by crossgrain {version} import. Make it again from a new edition; do not edit.\n"
    )
    return head + "".join(_entry(each, layout, source) for each in products)


def _entry(each: Imported, layout: Layout, source: str) -> str:
    line, strength, per_ml = each.content
    lines = {
        "system": layout.system,
        "code": each.code,
        "preparation": line.id,
        "strength" if strength else "per_ml": as_written(strength or per_ml or Fraction(0)),
        "display": each.name,
        "source": f"{source}, row {each.row}",
    }
    return "\n[[product]]\n" + "".join(f"{key} = {_quoted(said)}\n" for key, said in lines.items())


_ESCAPED = re.compile(r'[\x00-\x1f\x7f"\\]')


def _quoted(words: str) -> str:
    """A basic string of TOML."""
    return '"' + _ESCAPED.sub(lambda sign: f"\\u{ord(sign[0]):04x}", words) + '"'
