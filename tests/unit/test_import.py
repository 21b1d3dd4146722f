"""A national catalogue's CSV led to products: read without guessing, or left out with its reason.

The catalogues under ``fixtures/`` are invented, in the shape of a British, a German and an American
one. That 72.9 micrograms of levothyroxine are 75 of its sodium salt follows from the molar masses
(776.87 and 798.85 g/mol, PubChem); the rest is the arithmetic of units.
"""

import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest
from tests.unit.command import Ran, crossgrain
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    LT4,
    PREPARATIONS,
    bundle,
    dosage,
    encoded,
    statement,
    ucum,
)

from crossgrain.catalogue import load_catalogue
from crossgrain.catalogue.codes import OwnProducts, with_products
from crossgrain.catalogue.national import Columns, Layout, imported, products_file
from crossgrain.dosing.preparations import Kind
from crossgrain.names.errors import DomainError

CATALOGUES = Path(__file__).parents[2] / "fixtures" / "catalogues"
GIVEN = {
    "uk": "uk-like.csv --system https://products.example/uk --code CODE --name DESC"
    " --ingredient INGREDIENT --strength STRENGTH --unit UNIT --form FORM",
    "de": "german-like.csv --system https://products.example/de --code Nummer --name Artikel"
    " --ingredient Wirkstoff --strength Menge --unit Einheit --form Darreichung"
    " --delimiter ';' --encoding cp1252 --decimal-comma --form-is TAB=tablet --form-is FTA=tablet",
    "us": "us-like.csv --system https://products.example/us --code PRODUCTCODE --name TRADENAME"
    " --ingredient SUBSTANCE --strength NUMERATOR --unit UNITS --form DOSAGEFORM",
}
T4, T3, COMBINED = "levothyroxine", "liothyronine", "fixed-ratio-4-1"
PRODUCTS = {
    "uk": [
        ("9990000000000101", T4, "25", None),
        ("9990000000000102", T4, "75", None),
        ("9990000000000103", T4, "75", None),
        ("9990000000000104", T4, "12.5", None),
        ("9990000000000105", T4, None, "20"),
        ("9990000000000106", T3, "20", None),
        ("9990000000000107", T4, "75", None),  # 72.9 as base, and the name says the salt's
        ("9990000000000116", "desiccated-thyroid-60", "60", None),
    ],
    "de": [
        ("T0000101", T4, "75", None),
        ("T0000102", T4, "75", None),
        ("T0000103", T4, "112.5", None),
        ("T0000105", COMBINED, "100", None),
        ("T0000107", T4, None, "100"),
        ("T0000110", T3, "20", None),
    ],
    "us": [
        ("00000-1001", T4, "75", None),
        ("00000-1002", T4, "75", None),
        ("00000-1003", T4, "100", None),
        ("00000-1004", T3, "5", None),
        ("00000-1005", "desiccated-thyroid-60", "60", None),
        ("00000-1006", "desiccated-thyroid-65", "65", None),
        ("00000-1007", "desiccated-thyroid-65", "195", None),  # three grains of 65 mg
        ("00000-1008", COMBINED, "50", None),
        ("00000-1016", T4, "75", None),
    ],
}
LEFT_OUT = {
    "uk": {
        "row 9": "hold as base",
        "row 10": "says 100 and its ingredient 50",
        "row 11": "the form is no tablet, capsule or oral solution: Solution for injection",
        "rows 12 to 13": "another medicine",
        "row 14": "the strength is not read with certainty: 50",
        "row 15": "no content that is taken",
        "row 16": "it has no code",
        "row 18": "Modified-release tablet",
    },
    "de": {
        "row 5": "a combination of thyroid hormone with something else",
        "row 6": "a combination of thyroid hormone with something else",
        "row 9": "What are the T4 and the T3 content",
        "row 10": "What are the T4 and the T3 content",
        "row 12": "the strength is not read with certainty: 1.000",
        "row 13": "another medicine",
        "row 15": "the form is no tablet, capsule or oral solution: XYZ",
        "row 16": "the ingredient is not known: Levothyroxin-Natrium und Biotin",
    },
    "us": {
        "row 10": "60 or with 65 mg per grain",
        "row 11": "INJECTION, SOLUTION",
        "row 12": "another medicine",
        "row 13": "a combination of thyroid hormone with something else",
        "row 14": "not one strength and unit for each ingredient",
        "row 15": "the form is no tablet, capsule or oral solution: SOLUTION",
        "row 16": "its name says 50",
    },
}


def run(country: str, out: Path, *more: str) -> Ran:
    name, *options = shlex.split(GIVEN[country])
    return crossgrain("import", CATALOGUES / name, *options, "--out", out, *more)


@pytest.mark.parametrize("country", GIVEN)
def test_every_row_becomes_a_product_or_is_left_out_with_its_number_and_reason(
    tmp_path: Path, country: str
) -> None:
    ran = run(country, out := tmp_path / "own.toml")
    assert ran.returncode == 3, ran.told_beside
    made = tomllib.loads(out.read_text("utf-8"))["product"]
    assert [
        (each["code"], each["preparation"], each.get("strength"), each.get("per_ml"))
        for each in made
    ] == PRODUCTS[country]
    *lines, summary = ran.told.splitlines()
    assert [line.partition(":")[0] for line in lines] == list(LEFT_OUT[country])
    for line, (_, reason) in zip(lines, LEFT_OUT[country].items(), strict=True):
        assert reason in line
    assert f"{len(made)} products" in summary


@pytest.mark.parametrize("country", GIVEN)
def test_the_same_catalogue_makes_the_same_bytes(tmp_path: Path, country: str) -> None:
    first, again = tmp_path / "first.toml", tmp_path / "again.toml"
    told = [run(country, out).stdout.replace(bytes(out), b"") for out in (first, again)]
    assert first.read_bytes() == again.read_bytes()
    assert told[0] == told[1]


def test_a_catalogue_read_in_full_ends_well(tmp_path: Path) -> None:
    (plain := tmp_path / "plain.csv").write_text(HEADING + "T4,Tarnsel,Thyroxine,75 mcg,Tablet\n")
    assert crossgrain("import", plain, *HERE, "--out", tmp_path / "own.toml").returncode == 0


HEADING = "code,name,ingredient,strength,form\n"
HERE = shlex.split(
    "--system https://products.example --code code --name name --ingredient ingredient"
    " --strength strength --form form"
)


@pytest.mark.parametrize(
    ("content", "more", "says"),
    [
        (b"", "", "row 1, column code: this column is not there"),
        (b"code,name,code,strength,form\n", "", "row 1, column code: this column stands twice"),
        (b"code,name,ingredient,dose,form\n", "", "row 1, column strength"),
        (HEADING.encode() + b"a,b,c,d\n", "", "row 2: it has 4 cells, the heading 5"),
        (HEADING.encode() + b"a,b,c,d,e\nf,\"g\n", "", "row 3: this is not CSV"),
        (HEADING.encode() + b"a,b\xff,c,d,e\n", "", "line 2: the file is not utf-8"),
        (HEADING.encode(), "--encoding none-such", "encoding: there is no such encoding"),
        (HEADING.encode(), "--delimiter ,,", "delimiter: this must be one character"),
        (HEADING.encode() + b"a,b,c,d,e\n", "", "no row became a product"),
        (HEADING.encode(), "--form-is TAB", "--form-is TAB: write CODE= and tablet or capsule"),
        (HEADING.encode(), "--form-is TAB=pill", "--form-is TAB=pill"),
        (HEADING.encode(), "--chart none.toml", "--chart, none.toml"),
    ],
)  # fmt: skip
def test_a_catalogue_that_is_not_as_it_is_said_to_be_is_refused_by_its_place(
    tmp_path: Path, content: bytes, more: str, says: str
) -> None:
    (file := tmp_path / "plain.csv").write_bytes(content)
    out = tmp_path / "own.toml"
    ran = crossgrain("import", file, *HERE, "--out", out, *shlex.split(more))
    assert ran.returncode == 1
    assert says in ran.told_beside
    assert "Traceback" not in ran.told_beside
    assert not out.exists()


def test_a_file_that_is_not_there_or_cannot_be_written_is_named(tmp_path: Path) -> None:
    for file, out in ((tmp_path / "none.csv", tmp_path / "own.toml"),
                      (CATALOGUES / "us-like.csv", tmp_path / "none" / "own.toml")):  # fmt: skip
        _, *options = shlex.split(GIVEN["us"])
        ran = crossgrain("import", file, *options, "--out", out)
        assert ran.returncode == 1
        assert "No such file or directory" in ran.told_beside


ROW = "T4,{name},{ingredient},{strength},{form}\n"


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"strength": "75 mcg"}, None),
        ({"strength": "0.075 mg"}, None),
        ({"strength": ".075mg"}, None),
        ({"strength": "75 µg/1"}, None),
        ({"strength": "75 ug/tablet"}, None),
        ({"strength": "12.5 ug"}, None),  # at the least that is taken
        ({"strength": "12.4 ug"}, "no content that is taken"),
        ({"strength": "400 ug"}, None),  # at the most
        ({"strength": "401 ug"}, "no content that is taken"),
        ({"strength": '"0,075 mg"'}, "not read with certainty"),
        ({"strength": "75"}, "not read with certainty"),
        ({"strength": "about 75 ug"}, "not read with certainty"),
        ({"strength": "50-75 ug"}, "not read with certainty"),
        ({"strength": "0 ug"}, "not read with certainty"),
        ({"strength": "75 IU"}, "not read with certainty"),
        ({"strength": "75 ug/ml"}, "does not go with the form"),
        ({"strength": "75 ug/spoon"}, "does not go with the form"),
        ({"form": "Oral solution"}, "does not go with the form"),
        ({"form": "Oral solution", "strength": "100 ug/5ml"}, None),
        ({"form": "Film-coated tablet"}, None),
        ({"form": "Suppository"}, "the form is no tablet"),
        ({"form": ""}, "the form is no tablet"),
        ({"form": "Tablet for oral solution"}, "the form is no tablet"),
        ({"form": "Prolonged-release capsule"}, "the form is no tablet"),
        ({"ingredient": ""}, "another medicine"),
        ({"ingredient": "", "name": "Levothyroxine 75 mcg"}, "names no ingredient"),
        ({"ingredient": "Biotin", "name": "Levothyroxine 75"}, "its ingredient does not"),
        ({"ingredient": "Levothyroxine sodium hydrate"}, None),
        ({"ingredient": "Levothyroxine with biotin"}, "the ingredient is not known"),
        ({"ingredient": "Dextrothyroxine"}, "the ingredient is not known"),
        ({"ingredient": "Levothyroxine;Biotin", "strength": "75 ug;5 mg"}, "a combination"),
        ({"name": "Liothyronine 75 mcg"}, "Which is it?"),
        ({"name": ""}, "it has no name"),
        ({"name": "Tarnsel 100"}, "its name says 100"),
        ({"name": "Tarnsel 0.075"}, None),
        ({"name": "Tarnsel 72.9 mcg", "strength": "75 ug"}, "another strength than the entry"),
    ],
)  # fmt: skip
def test_a_row_becomes_a_product_only_where_nothing_in_it_is_uncertain(
    changed: dict[str, str], reason: str | None
) -> None:
    row = {"name": "Tarnsel", "ingredient": "Levothyroxine sodium", "strength": "75 ug",
           "form": "Tablet"} | changed  # fmt: skip
    content = (HEADING + ROW.format(**row)).encode()
    layout = Layout("https://products.example", Columns(*HEADING.strip().split(",")))
    products, left = imported(content, "utf-8", layout, CODES, PREPARATIONS)
    if reason:
        assert products == []
        assert [(out.row, reason in out.reason) for out in left] == [(2, True)]
    else:
        assert left == []
        made = tomllib.loads(products_file(products, layout, "plain.csv", "1"))
        read = with_products(CODES, OwnProducts(tuple(made["product"])), PREPARATIONS)
        assert read.medicines["https://products.example"]["T4"].kind is Kind.LEVOTHYROXINE


def test_a_code_that_the_shipped_tables_know_otherwise_is_left_out(tmp_path: Path) -> None:
    """RxNorm 892246 is levothyroxine 100 micrograms in the shipped table."""
    rows = "892246,Tarnsel,Levothyroxine,75 ug,Tablet\nabc,Tarnsel,Levothyroxine,75 ug,Tablet\n"
    more = "966222,Tarnsel,Levothyroxine,75 ug,Tablet\n"
    (file := tmp_path / "plain.csv").write_text(HEADING + rows + more)
    here = ["http://www.nlm.nih.gov/research/umls/rxnorm" if "://" in h else h for h in HERE]
    ran = crossgrain("import", file, *here, "--out", tmp_path / "own.toml")
    left = ran.told.splitlines()
    assert "the tables know this code as" in left[0]
    assert "not the form of a RxNorm code" in left[1]
    load_catalogue(tmp_path / "own.toml")


def coded(code: str, system: str, words: str | None = None) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}], **({"text": words} if words else {})}


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clinic's file that names all three imports."""
    folder = tmp_path_factory.mktemp("clinic")
    for country in GIVEN:
        run(country, folder / f"{country}.toml")
    files = "\n".join(f'[[product_file]]\nfile = "{country}.toml"' for country in GIVEN)
    (file := folder / "clinic.toml").write_text(files)
    return file


def proposed(tmp_path: Path, clinic: Path, concept: dict[str, Any], *doses: Any) -> Ran:
    """A proposal for a patient on one medicine."""
    taken = statement(LT4, *doses)
    taken["medicationCodeableConcept"] = concept
    (record := tmp_path / "record.json").write_bytes(encoded(bundle(taken)))
    options = ("--target", "desiccated-thyroid", "--as-of", AS_OF.isoformat(), "--json")
    return crossgrain("propose", record, *options, "--chart", clinic)


ONE_TABLET = dosage(ucum(1, "{tbl}"))


@pytest.mark.parametrize(
    ("concept", "dose", "reads"),
    [
        (coded("9990000000000103", "https://products.example/uk"), ONE_TABLET, "75"),
        (coded("T0000103", "https://products.example/de"), ONE_TABLET, "112.5"),
        (coded("00000-1003", "https://products.example/us/"), ONE_TABLET, "100"),
        (coded("T0000107", "https://products.example/de"), dosage(ucum("0.5", "mL")), "50"),
    ],
)
def test_a_record_coded_only_by_an_imported_code_is_read_without_a_question(
    tmp_path: Path, clinic: Path, concept: dict[str, Any], dose: Any, reads: str
) -> None:
    ran = proposed(tmp_path, clinic, concept, dose)
    assert ran.returncode == 0, ran.told[:2000]
    assert f"levothyroxine sodium {reads} micrograms" in ran.told


def test_the_same_record_is_asked_about_without_the_import(tmp_path: Path) -> None:
    taken = statement(LT4, ONE_TABLET)
    taken["medicationCodeableConcept"] = coded("T0000103", "https://products.example/de")
    (record := tmp_path / "record.json").write_bytes(encoded(bundle(taken)))
    ran = crossgrain(
        "propose", record, "--target", "desiccated-thyroid", "--as-of", AS_OF.isoformat()
    )
    assert ran.returncode == 3


@pytest.mark.parametrize(
    ("code", "words", "dose"),
    [
        ("9990000000000103", "levothyroxine 100 microgram tablets", ONE_TABLET),
        ("9990000000000103", "liothyronine 75 microgram tablets", ONE_TABLET),
        ("9990000000000105", "levothyroxine 50 micrograms/5ml", dosage(ucum(5, "mL"))),
    ],
)
def test_an_imported_code_that_the_name_beside_it_contradicts_is_asked_about(
    tmp_path: Path, clinic: Path, code: str, words: str, dose: Any
) -> None:
    ran = proposed(tmp_path, clinic, coded(code, "https://products.example/uk", words), dose)
    assert ran.returncode == 3
    assert "Which one is" in ran.told


@pytest.mark.parametrize(
    ("written", "place"),
    [
        (None, "product_file[1].file, own.toml"),
        ("[[product]]\ncode = 1", "product_file[1].file, own.toml: product[1].code"),
        ("[stock]\nlevothyroxine = [25]", "product_file[1].file, own.toml: stock"),
        ("[[product", "product_file[1].file, own.toml"),
    ],
)
def test_a_slip_in_a_file_of_products_is_refused_by_both_files(
    tmp_path: Path, written: str | None, place: str
) -> None:
    (clinic := tmp_path / "clinic.toml").write_text('[[product_file]]\nfile = "own.toml"\n')
    if written is not None:
        (tmp_path / "own.toml").write_text(written)
    with pytest.raises(DomainError) as wrong:
        load_catalogue(clinic)
    assert wrong.value.field == f"clinic.toml: {place}"
