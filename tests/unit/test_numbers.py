"""Each clinical number stands once: in one data file, under one key, and nowhere in the code."""

import ast
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from fractions import Fraction
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from tests.unit.command import crossgrain

from crossgrain.catalogue import Catalogue, load_catalogue
from crossgrain.catalogue.numbers import NIGHT, ORDERS, PLANS, VIEWS, numbers_from
from crossgrain.catalogue.visits import decisions_from
from crossgrain.dosing.kinetics import T3_MOLAR_MASS, T4_MOLAR_MASS
from crossgrain.names.errors import DomainError
from crossgrain.names.numbers import OURS
from crossgrain.names.printing import SPELLED
from crossgrain.safety.judgement import Verdict
from crossgrain.safety.rule import Hit, texts, worded
from crossgrain.screening.course import FlagCode, FlagGrade
from crossgrain.screening.writing import act_words

PACKAGE = Path(str(files("crossgrain")))
CATALOGUE = load_catalogue()
CLINICAL_ROOMS = ("dosing", "safety", "screening", "reading", "core", "cds", "sheet", "writing")
TELLS_LITTLE = {
    Fraction(n) for n in ("1", "2", "3", "4", "5", "6", "7", "10", "1/10", "1/2", "100")
}
"""Values that any code holds for reasons of its own."""
DRAWN = ("sheet/chart.py", "sheet/evidence.py", "sheet/pdf.py")
"""Where numbers are lengths on paper."""
OTHERWISE = {
    ("dosing/branch_doses.py", Fraction(9)): "digits that are compared",
    ("dosing/taper_search.py", Fraction(9)): "digits that are compared",
    ("reading/codesystems.py", Fraction(9)): "of a check digit",
    ("cds/fetching.py", Fraction(20)): "pages that are fetched",
    ("cds/gathering.py", Fraction(50)): "medications that are fetched",
    ("cds/fetching.py", Fraction(200)): "an HTTP status",
    ("cds/routes.py", Fraction(200)): "an HTTP status",
    ("reading/resolve.py", Fraction(50)): "drafts in one record",
    ("reading/elements.py", Fraction(12)): "months",
    ("reading/record_words.py", Fraction(300)): "characters of the record's words in a question",
    ("reading/product.py", Fraction(1, 4)): "the grid on which a strength is read",
    ("reading/remembered.py", Fraction(300)): "the longest words that are kept, characters",
    ("reading/schedule.py", Fraction(20)): "the first of the tens in words",
    ("reading/sig.py", Fraction(28)): "days of a supply that is renewed, not of a course",
    ("reading/sig.py", Fraction(14)): "tablets that are a supply, not a dose",
    ("reading/moments.py", Fraction(12)): "an hour of the clock",
    ("reading/moments.py", Fraction(17)): "an hour of the clock",
    ("reading/moments.py", Fraction(18)): "an hour of the clock",
    ("reading/timing.py", Fraction(12)): "doses a day, every two hours",
    ("sheet/days.py", Fraction(12)): "months",
}
"""Literals of a number's value that are no clinical number."""
COUNTS = {Fraction(n) for n in ("0", "1", "2", "1/2")}
"""None, one, a half and its double: what any code counts by."""
STRUCTURAL = {
    "core/running.py": {"a place in a row": ["3"]},
    "dosing/branch_doses.py": {"digits that are compared": ["9"]},
    "dosing/climb.py": {"how wide a search is": ["8"]},
    "dosing/draws.py": {"days of a week": ["7"]},
    "dosing/evidence.py": {"of a confidence interval": ["0.975"]},
    "dosing/forecast.py": {"days to which a moment is found": ["0.01"]},
    "dosing/kept.py": {"plans that are kept": ["1024"]},
    "dosing/kinetics.py": {"molar masses": ["650.97", "776.87"]},
    "dosing/need.py": {"halvings, as many as a float has digits": ["52"]},
    "dosing/prior.py": {"how wide a search is": ["3", "4", "5", "32", "40", "64"]},
    "dosing/steps.py": {"days of a week": ["7"]},
    "dosing/tablets.py": {"days of a week": ["3", "4", "5", "6", "7"]},
    "dosing/taper.py": {"what print and rounding leave equal": ["0.0005", "1e-9"]},
    "dosing/taper_coverage.py": {"pools": ["3"], "what rounding leaves equal": ["1e-9"]},
    "dosing/taper_rationale.py": {"a number in words": ["3"]},
    "dosing/taper_search.py": {"digits that are compared": ["9"]},
    "dosing/wording.py": {"percent": ["100"]},
    "safety/assess.py": {"days of a week": ["7"]},
    "safety/labs_since.py": {"days of a week": ["7"]},
    "safety/results.py": {"days of a year": ["1461/4", "1461", "4"]},
}
"""Literals of the rooms that judge, which judge nothing."""
ALIKE = {
    (
        Fraction(14),
        "days",
    ): "the standard pace, two weeks' reserve, a plan's last supply, what a visit holds for",
    (Fraction(3), "days"): "a draw before a step at the least, a step that is on time",
    (Fraction(42), "days"): "a TSH that speaks of a dose, the window of a climb with T3",
    (
        Fraction(84),
        "days",
    ): "a regimen that was kept, a first TSH, how far an order is followed",
    (Fraction(90), "days"): "fresh labs, a fresh pulse, new palpitations",
    (Fraction(4), "hours"): "what binds in the gut, orlistat",
    (Fraction(91), "days"): "the first TSH in maintenance, the review of a combination",
    (Fraction(2), "days"): "biotin before bloods, days missed of fourteen",
    (Fraction(400), "days"): "a yearly order renewed late, a yearly test drawn late",
    (
        Fraction(7),
        "days",
    ): "a week for results, the grid of a taper, a draw before a step, an INR after",
    (Fraction(28), "days"): "the cautious pace, the window of a taper, a draw where the old ended",
    (Fraction(56), "days"): "between two draws, the window of a climb without T3",
    (Fraction(1), "part"): "a full increment at two paces",
    (Fraction(17, 20), "part"): "a pair in ratio near today's dose, another product near it",
    (Fraction(1, 20), "part"): "the steady state, the rounding to tablets, a loss of an export",
    (Fraction(1, 10), "mIU/L"): "a suppressed TSH, low in every trimester",
    (Fraction(2), "microgram/kg/day"): "levothyroxine today, a dose that a plan keeps",
    (Fraction(3, 2), "of the old regimen's"): "T3 exposure, coverage in pregnancy",
    (Fraction(1, 4), "part"): "the share of T3 beside desiccated thyroid, a raise at once",
    (Fraction(17), "ratio"): "a combination where nobody names its ratio, the guideline's rule",
    (Fraction(5), "microgram"): "LT3 that is taken at once, the rise of a single dose of it",
    (Fraction(2), "times"): "the weights of too much and of too little, tablets that share a week",
}
"""Numbers of one value and unit that decide different things."""


def parsed(name: str) -> dict[str, Any]:
    return tomllib.loads((PACKAGE / "data" / name).read_text("utf-8"))


def entries(node: dict[str, Any], place: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """The numbers of a file, read without the service."""
    for name, inner in node.items():
        if isinstance(inner, dict):
            spot = f"{place}{name}"
            yield from [(spot, inner)] if "value" in inner else entries(inner, f"{spot}.")


PREPARATIONS = parsed("preparations.toml")["preparation"]
WRITTEN = {
    key: entry
    for name in ("numbers.toml", "titration.toml")
    for key, entry in entries(parsed(name))
}


def literals(tree: ast.AST) -> Iterator[Fraction]:
    """Every number that stands in code: as such, or as the string of an exact fraction."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Fraction":
            values = [a.value for a in node.args if isinstance(a, ast.Constant)]
            if len(values) == len(node.args):
                yield Fraction(*values)
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield Fraction(str(node.value))


def in_code() -> Iterator[tuple[str, Fraction]]:
    for room in CLINICAL_ROOMS:
        for file in sorted((PACKAGE / room).rglob("*.py")):
            name = str(file.relative_to(PACKAGE))
            if name not in DRAWN:
                yield from ((name, v) for v in literals(ast.parse(file.read_text("utf-8"))))


def test_no_clinical_number_stands_in_the_code_as_well() -> None:
    values = {Fraction(entry["value"]) for entry in WRITTEN.values()} - TELLS_LITTLE
    assert {found for found in in_code() if found[1] in values} == set(OTHERWISE)


@pytest.mark.parametrize(
    "code", ["LATE = 45", "x > 0.8", 'Fraction("1.25")', "Fraction(7, 10)", "days=400"]
)
def test_a_number_written_into_the_code_would_be_found(code: str) -> None:
    source = f"f({code})" if "days" in code else code
    values = {Fraction(entry["value"]) for entry in WRITTEN.values()}
    assert values & set(literals(ast.parse(source)))


class _WithoutCaches(ast.NodeTransformer):
    """Leaves out how many entries a cache keeps."""

    def visit_Call(self, node: ast.Call) -> ast.AST:
        return ast.Pass() if getattr(node.func, "id", "") == "lru_cache" else node


def counted(file: Path) -> set[Fraction]:
    """The numbers of a file that are more than what any code counts by."""
    tree = _WithoutCaches().visit(ast.parse(file.read_text("utf-8")))
    return set(literals(tree)) - COUNTS


def unexplained(rooms: Iterable[str]) -> set[tuple[str, Fraction]]:
    return {
        (str(file.relative_to(PACKAGE)), value)
        for room in rooms
        for file in sorted((PACKAGE / room).rglob("*.py"))
        for value in counted(file)
    }


def test_a_number_in_the_rooms_that_judge_is_one_of_those_that_are_no_judgement() -> None:
    explained = {
        (file, Fraction(value))
        for file, why in STRUCTURAL.items()
        for values in why.values()
        for value in values
    }
    assert unexplained(("dosing", "safety", "screening", "core")) == explained


def test_a_molar_mass_is_the_same_in_the_model_and_in_the_tablets() -> None:
    """Salt to base goes by the masses by which conversion and results go."""
    salts = {entry["base_to_salt"][0] for entry in PREPARATIONS if "base_to_salt" in entry}
    assert {Fraction(mass) for mass in salts} == {T4_MOLAR_MASS, T3_MOLAR_MASS}


@pytest.mark.parametrize(
    "code", ["LEAST = 0.83", "if dose > 30: pass", 'Fraction("0.15")', "Fraction(3, 8)", "days=21"]
)
def test_a_new_number_of_any_value_would_be_found(code: str, tmp_path: Path) -> None:
    file = tmp_path / "rule.py"
    file.write_text(f"f({code})" if "days" in code else code)
    assert counted(file)


def test_numbers_of_one_value_are_those_that_decide_different_things() -> None:
    counted = Counter((Fraction(e["value"]), e["unit"]) for e in WRITTEN.values())
    assert {pair for pair, times in counted.items() if times > 1} == set(ALIKE)
    says = [entry["says"] for entry in WRITTEN.values()]
    assert len(says) == len(set(says))


def test_every_number_is_read_as_it_is_written() -> None:
    read = {key: (n.value, n.unit, n.says) for key, n in CATALOGUE.numbers.items()}
    assert read == {k: (Fraction(e["value"]), e["unit"], e["says"]) for k, e in WRITTEN.items()}
    assert all(number.source for number in CATALOGUE.numbers.values())


def test_every_number_reaches_a_door() -> None:
    assert set(CATALOGUE.reaches) == set(WRITTEN)


@pytest.mark.parametrize(
    ("key", "reaches"),
    [
        ("ratio.under", (ORDERS, VIEWS, NIGHT)),
        ("coverage.lowest", (PLANS, ORDERS)),
        ("tsh.high", (PLANS, VIEWS, NIGHT)),
        ("labs.wait_days", (PLANS, ORDERS, VIEWS, NIGHT)),
        ("record.order_days", (PLANS, ORDERS, VIEWS, NIGHT)),
        ("record.renewal_days", (PLANS, ORDERS, VIEWS, NIGHT)),
        ("grain.t4_ug", (PLANS, ORDERS, VIEWS, NIGHT)),
        ("export.vanished_from", (NIGHT,)),
        ("next_step.overdue_days", (PLANS, VIEWS, NIGHT)),
        ("next_step.supply_days", (PLANS, VIEWS)),
        ("next_step.parked_days", (NIGHT,)),
        ("pace.cautious.interval_days", (PLANS,)),
        ("combination.highest_ratio", (PLANS,)),
        ("combination.usual_ratio", (PLANS,)),
    ],
)
def test_a_number_reaches_every_door_that_judges_by_it(key: str, reaches: tuple[str, ...]) -> None:
    assert CATALOGUE.reaches[key] == reaches


def test_the_command_prints_every_number_with_its_source_and_what_it_reaches() -> None:
    ran = crossgrain("numbers", columns=400)
    assert ran.returncode == 0
    for key, entry in WRITTEN.items():
        value = f"{float(Fraction(entry['value'])):g}"
        _, found, after = ran.told.partition(f"{key} = {value} {entry['unit']}\n")
        assert found, key
        says, source = (line.strip() for line in after.splitlines()[:2])
        assert says == f"{entry['says']}; reaches {', '.join(CATALOGUE.reaches[key])}"
        number = CATALOGUE.numbers[key]
        may = "no" if not number.may_be_set else "yes" if not number.within else "to"
        assert may in source.partition(".")[0] or number.within
        assert source.endswith(f"Source: {number.source}")


def test_what_a_clinic_set_is_printed_as_its_own(tmp_path: Path) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text('[numbers.ratio]\nunder = "0.85"\n')
    told = crossgrain("numbers", "--chart", chart, columns=400).told
    assert "ratio.under = 0.85 ratio" in told
    assert "Source: the clinic's own (0.8 as shipped, our judgement: a fifth less" in told


def test_a_clinic_may_set_all_that_is_our_judgement_and_else_only_what_has_a_range() -> None:
    for key, number in CATALOGUE.numbers.items():
        assert number.may_be_set == (number.source.startswith(OURS) or "within" in WRITTEN[key])
        if "judgement" in number.source and not number.source.startswith(OURS):
            # a source that is only in part ours is a section's, of a number that is not
            assert key.startswith("pace."), key


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"unit": "days", "says": "x", "source": "y"}, "a number is a table"),
        ({"value": "1", "says": "x", "source": "y"}, "unit is missing"),
        ({"value": "1", "unit": "days", "source": "y"}, "says is missing"),
        ({"value": "1", "unit": "days", "says": "x", "source": ""}, "not blank"),
        ({"value": "0", "unit": "days", "says": "x", "source": "y"}, "above zero"),
        ({"value": 0.5, "unit": "days", "says": "x", "source": "y"}, "as a string"),
        ({"value": "1", "unit": "d", "says": "x", "source": "y", "whose": "z"}, "not known"),
        ({"value": "1", "unit": "d", "says": "x", "source": "y", "within": ["1"]}, "the most"),
    ],
)
def test_an_entry_that_is_not_whole_is_refused(entry: dict[str, object], says: str) -> None:
    with pytest.raises(DomainError, match=says):
        numbers_from({"some": {"number": entry}})


def test_a_key_that_stands_twice_is_refused() -> None:
    one = {"some": {"number": {"value": "1", "unit": "days", "says": "x", "source": "y"}}}
    with pytest.raises(DomainError, match="twice"):
        numbers_from(one, one)


# --- numbers in sentences -------------------------------------------------------------------

A_SPAN = re.compile(rf"\b({'|'.join(SPELLED.values())}|\d+)( or more)? (weeks?|days?|hours?)\b")
SAID_AS_THEY_ARE = {
    "a day",  # a dose
    "14 days",  # what the question asks of, see how_it_goes.toml
    "30 weeks",  # of a pregnancy
    "8 weeks",  # the label's 6 to 8
    "two days",  # without biotin, which a label gives
}
"""Spans in what rules and rows say that are no number of ours."""


def sentences() -> Iterator[str]:
    """What the rules and the rows of a visit say, as their files have it."""
    for name in ("safety_rules.toml", "next_step.toml"):
        for section in parsed(name).values():
            for entry in section if isinstance(section, list) else ():
                yield from (
                    entry.get(k, "") for k in ("statement", "action", "says", "do", "again")
                )


def test_no_sentence_has_a_number_of_ours_written_into_it() -> None:
    found = {match[0] for text in sentences() for match in A_SPAN.finditer(text)}
    assert found == SAID_AS_THEY_ARE


def test_a_span_written_into_a_sentence_would_be_found() -> None:
    said = ("draw again six weeks after", "for a week or more", "TSH 6 weeks later", "45 days")
    assert all(A_SPAN.search(text) for text in said)


def said_by(catalogue: Catalogue) -> str:
    """All that is said by a wait for labs, or by days without hormone."""
    rules = catalogue.rules
    entries = (rules.missing["regimen-start"], rules.missing["stopped-hormone"])
    flags = (FlagCode.UNDER, FlagCode.OVER, FlagCode.LEFT_RUNNING)
    return " ".join(
        (
            *(f"{row.says} {row.do}" for row in catalogue.decisions),
            *(worded(each, each.code, Hit(fills={"what": "x"})).action for each in entries),
            rules.verdicts[Verdict.FITS].action.format(
                **texts(rules.verdicts[Verdict.FITS].numbers)
            ),
            *(act_words(f, FlagGrade.CONFIRMED, frozenset(), catalogue.limits) for f in flags),
        )
    )


def test_what_is_said_follows_a_clinics_number(tmp_path: Path) -> None:
    chart = tmp_path / "clinic.toml"
    chart.write_text(
        '[numbers.labs]\nwait_days = "56"\n[numbers.labs.between]\napart_days = "56"\n'
        '[numbers.next_step]\ngap_days = "10"\n'
    )
    shipped, own = said_by(CATALOGUE), said_by(load_catalogue(chart))
    for before, after, times in (
        ("six weeks", "eight weeks", 9),
        ("6 weeks", "8 weeks", 6),
        ("a week or more in a row", "ten days or more in a row", 1),
    ):
        assert shipped.count(before) >= times
        assert (own.count(before), own.count(after)) == (0, shipped.count(before))


def test_a_text_that_names_no_number_of_days_is_refused_by_its_place() -> None:
    row = next(r for r in parsed("next_step.toml")["row"] if "{" in r["says"])
    for key in ("no.such_number", "tsh.low"):
        changed = {**parsed("next_step.toml"), "row": [{**row, "says": f"before {{{key}}}"}]}
        with pytest.raises(DomainError, match=f"no number of days is called {key}") as refused:
            decisions_from(changed, CATALOGUE.numbers)
        assert refused.value.field == "row[1].says"
