"""What must not change an answer: relations between two calls, over whole answers.

No expected dose stands here. Each test sends one record twice, written in two ways that mean the
same, and holds the two answers against each other resource by resource. Identifiers are left out
of it: they follow from the places that were read, and those are what is changed.
"""

import copy
import json
import random
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

import orjson
import pytest
from tests.properties.million.people import person
from tests.properties.million.service import Refused, proposed, written
from tests.properties.million.truth import Person

SEED = 20
NUMBERS = range(60)
Json = dict[str, Any]

UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}")
PLACE = re.compile(r"entry\[(\d+)\]")
MONTHS = "January|February|March|April|May|June|July|August|September|October|November|December"
DAY = re.compile(
    rf"\b((?:[0-3]?[0-9] (?:{MONTHS}) )?)((?:19|20)[0-9]{{2}})(?=(-[01][0-9]-[0-3][0-9])?)"
)
"""A year in a full date, in digits or in words."""


def answered(made: Person, record: Json) -> Json:
    """The answer as a tree, or by which declared error the call is refused."""
    try:
        tree: Json = json.loads(
            written(made, proposed(made, orjson.dumps(record))), parse_float=Decimal
        )
    except Refused as refused:
        return {"refused": str(refused)}
    return tree


def content(answer: Json, rename: Callable[[str], str] = str) -> list[str]:
    """Each resource in one line, without identifiers, in no order.

    What was read (entities, their names in the narrative, `Provenance.target`) is listed in the
    order of the record, and so is compared as a set.
    """
    lines = (json.dumps(entry, default=str) for entry in answer.get("entry", [answer]))
    return sorted(json.dumps(_plain(json.loads(UUID.sub("", rename(line))))) for line in lines)


def _plain(entry: Json) -> Json:
    resource = copy.deepcopy(entry.get("resource", entry))
    if resource.get("resourceType") == "Provenance":
        resource.pop("text")
        resource["entity"] = sorted(map(json.dumps, resource["entity"]))
    return {key: _unordered(value) for key, value in sorted(resource.items())}


def _unordered(value: Any) -> Any:
    """The same tree, its lists sorted: which of two medicines stands first means nothing."""
    match value:
        case dict():
            return {key: _unordered(part) for key, part in sorted(value.items())}
        case list():
            return sorted(
                (_unordered(part) for part in value), key=lambda p: json.dumps(p, default=str)
            )
        case _:
            return value


def records(fate: str | None = None, version: str | None = None) -> Iterator[Person]:
    """Generated people, those that are wanted."""
    for number in NUMBERS:
        made = person(SEED, number)
        if fate in (None, made.fate) and version in (None, made.version):
            yield made


def every(tree: Any) -> Iterator[Json]:
    """Every object of a tree."""
    if isinstance(tree, dict):
        yield tree
    for part in tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ():
        yield from every(part)


def shuffled(made: Person, *, medicines: bool) -> tuple[Json, Callable[[str], str]]:
    """The record in another order, and how its places are called in the first."""
    entries = made.bundle["entry"]
    places = list(range(len(entries)))
    random.Random(made.number).shuffle(places)
    if not medicines:
        kept = [p for p in places if entries[p]["resource"]["resourceType"].startswith("Medic")]
        order = iter(sorted(kept))
        places = [next(order) if place in kept else place for place in places]

    def original(line: str) -> str:
        return PLACE.sub(lambda found: f"entry[{places[int(found[1])]}]", line)

    return made.bundle | {"entry": [entries[place] for place in places]}, original


def test_the_order_of_the_entries_means_nothing() -> None:
    for made in records():
        record, original = shuffled(made, medicines=False)
        assert content(answered(made, record), original) == content(answered(made, made.bundle)), (
            made.number
        )


def test_which_medicine_stands_first_changes_no_order() -> None:
    for made in records():
        record, _ = shuffled(made, medicines=True)
        assert doses(answered(made, record)) == doses(answered(made, made.bundle)), made.number


def test_what_is_no_part_of_the_record_changes_nothing() -> None:
    for made in records():
        noted = copy.deepcopy(made.bundle)
        noted |= {"meta": {"lastUpdated": "2020-02-02T02:02:02Z"}, "language": "en"}
        for entry in noted["entry"]:
            entry["resource"]["meta"] = {"versionId": "7", "tag": [{"code": "seen"}]}
            entry["search"] = {"mode": "match"}
        assert content(answered(made, noted)) == content(answered(made, made.bundle)), made.number


def moved(text: str, years: int) -> str:
    """Every full date of a text, so many years later."""
    return DAY.sub(lambda found: _year(found, years), text)


def _year(found: re.Match[str], years: int) -> str:
    if not found[1] and not found[3]:
        return found[0]  # a year alone is a source's, or a number
    return f"{found[1]}{int(found[2]) + years}"


def test_four_years_later_everything_is_four_years_later() -> None:
    for made in records():
        later = copy.copy(made)
        later.bundle = json.loads(moved(json.dumps(made.bundle), 4))
        later.as_of = made.as_of.replace(year=made.as_of.year + 4)
        later.start = made.start.replace(year=made.start.year + 4)

        def earlier(line: str) -> str:
            return moved(line, -4)

        assert content(answered(later, later.bundle), earlier) == content(
            answered(made, made.bundle)
        ), made.number


# By the definitions of the UCUM: one is the other's value times the factor
SAME_UNIT = {"ug": ("mg", Decimal("0.001")), "m[IU]/L": ("u[IU]/mL", Decimal(1))}


def test_a_dose_or_a_result_in_another_unit_is_the_same() -> None:
    changed = 0
    for made in records("read"):
        other = json.loads(json.dumps(made.bundle), parse_float=Decimal)
        for part in every(other):
            if "value" in part and part.get("code") in SAME_UNIT:
                unit, factor = SAME_UNIT[part["code"]]
                part |= {"value": float(part["value"] * factor), "code": unit, "unit": unit}
                changed += 1
        assert figures(answered(made, json.loads(json.dumps(other, default=float)))) == figures(
            answered(made, made.bundle)
        ), made.number
    assert changed > 20


def figures(answer: Json) -> list[str]:
    """The orders and what they are about, without the words that quote the record."""
    wanted = {"MedicationRequest", "ServiceRequest", "Task", "RequestGroup", "CarePlan"}
    kept = [e for e in answer.get("entry", []) if e["resource"]["resourceType"] in wanted]
    return content({"entry": kept} if "entry" in answer else answer)


R5_ONLY = {"medicationCodeableConcept": "concept", "medicationReference": "reference"}


def as_r5(record: Json) -> Json:
    """A generated record of R4 as one of R5 (HL7, R5: "R4 Diff" of each page)."""
    changed = copy.deepcopy(record)
    for resource in [part for part in every(changed) if "resourceType" in part]:
        for old, new in R5_ONLY.items():
            if old in resource:
                resource["medication"] = {new: resource.pop(old)}
        if resource["resourceType"] == "MedicationStatement":
            resource["status"] = "recorded"
            resource["adherence"] = {"code": {"coding": [{"code": "taking"}]}}
        for ingredient in resource.get("ingredient", []):
            ingredient["item"] = {"concept": ingredient.pop("itemCodeableConcept")}
            ingredient["strengthRatio"] = ingredient.pop("strength")
    return changed


def doses(answer: Json) -> list[str]:
    """Every order's product, dosage and supply, which both versions write alike."""
    found = []
    for entry in answer.get("entry", []):
        order = entry["resource"]
        if order["resourceType"] == "MedicationRequest":
            product = order.get("medicationCodeableConcept") or order["medication"]["concept"]
            parts = (order["intent"], product, order["dosageInstruction"], order["dispenseRequest"])
            found.append(UUID.sub("", json.dumps(parts, default=str, sort_keys=True)))
    return sorted(found)


def test_the_same_record_in_the_other_version_gives_the_same_orders() -> None:
    planned = 0
    for made in records("read", "r4"):
        other = copy.copy(made)
        other.version = "r5"
        mine, theirs = answered(made, made.bundle), answered(other, as_r5(made.bundle))
        assert doses(mine) == doses(theirs), made.number
        planned += bool(doses(mine))
    assert planned > 10


def test_what_was_proposed_and_not_yet_signed_changes_nothing_when_it_comes_back() -> None:
    planned = 0
    for made in records("read"):
        first = answered(made, made.bundle)
        if not doses(first):
            continue
        back = copy.deepcopy(made.bundle)
        back["entry"] += json.loads(json.dumps(first["entry"], default=float))
        again = answered(made, back)
        if doses(again) != doses(first):
            # Of more than is read without asking, our own option after the labs is asked about.
            own = range(len(made.bundle["entry"]), len(back["entry"]))
            options = [n for n in own if back["entry"][n]["resource"].get("intent") == "option"]
            questions = list(asked(again))
            assert questions, made.number
            assert all("which is not plausible" in words for words, _ in questions), made.number
            assert {number for _, number in questions} <= set(options), made.number
            continue
        planned += 1
    assert planned > 20


def asked(answer: Json) -> Iterator[tuple[str, int]]:
    """The words of every question, and the entry of the record that it is about."""
    for outcome in every(answer):
        if outcome.get("resourceType") == "OperationOutcome":
            for issue in outcome["issue"]:
                if issue["code"] == "required":
                    yield issue["details"]["text"], int(PLACE.search(issue["expression"][0])[1])


@pytest.mark.parametrize("copies", [2, 5])
def test_a_record_that_holds_the_same_resource_again_is_refused_or_reads_it_once(
    copies: int,
) -> None:
    for made in records("read"):
        again = copy.deepcopy(made.bundle)
        again["entry"] += copy.deepcopy(made.bundle["entry"]) * (copies - 1)
        second = answered(made, again)
        assert not doses(second) or doses(second) == doses(answered(made, made.bundle)), made.number
