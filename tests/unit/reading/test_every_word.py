"""Every question, refusal and remark that the records of these tests give, as it was approved.

A prescriber reads these words, and answers by them. They stand in `words.txt`, each once; a change
of a word is a change of that file, to be read as a prescriber would:

    python -m tests.unit.reading.test_every_word
"""

from collections.abc import Iterable, Iterator
from pathlib import Path

from tests.unit.reading import (
    test_bounds,
    test_chains,
    test_currency,
    test_dispenses,
    test_fulfilment,
    test_history,
    test_how_often,
    test_identity,
    test_json,
    test_labs,
    test_medicines,
    test_order_period,
    test_products,
    test_refusals,
    test_said_again,
    test_sayings,
    test_shapes,
    test_unknown_medicines,
)
from tests.unit.reading.records import (
    AS_OF,
    CODES,
    DAILY,
    LT3,
    LT4,
    LT4_100,
    PATIENT,
    PREPARATIONS,
    SNOMED,
    TABLET,
    Json,
    bundle,
    condition,
    dosage,
    encoded,
    observation,
    read_bundle,
    request,
    statement,
    ucum,
)

from crossgrain.names.identity import FhirVersion
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.json import parse
from crossgrain.reading.reader import read_course
from crossgrain.screening.course import Undecided

APPROVED = Path(__file__).with_name("words.txt")
MODULES = (
    test_chains, test_currency, test_dispenses, test_fulfilment, test_history, test_how_often,
    test_identity, test_labs, test_medicines, test_order_period, test_products, test_refusals,
    test_said_again, test_sayings, test_shapes, test_unknown_medicines,
)  # fmt: skip


GROUP: Json = {"groupIdentifier": {"system": "https://ehr.example/groups", "value": "7"}}
IN_ALL = "Take 1 tablet by mouth daily (150 micrograms in all, with the other tablets)."
PREGNANCY = {"coding": [{"system": SNOMED, "code": "77386006"}]}
RANGE = {"low": ucum("0.4", "m[IU]/L"), "high": ucum(4, "m[IU]/L")}
SEEN_BUT_NOT_READ = (
    "MedicationDispense", "MedicationAdministration", "Procedure", "DiagnosticReport",
    "QuestionnaireResponse", "Flag", "List", "DetectedIssue", "CarePlan", "DeviceUsage",
    "ReferralRequest", "MedicationOrder", "Bundle", "Parameters", "MedicationStatment",
)  # fmt: skip
GATHERED: Json = {"resourceType": "OperationOutcome", "issue": [{"severity": "error"}]}
FIFTY = ucum(50, "ug")
ALONE: list[Json] = [
    *({"resourceType": kind, "id": "x"} for kind in SEEN_BUT_NOT_READ),
    GATHERED,
    {**GATHERED, "issue": [{"severity": "information"}]},
    observation("3016-3", ucum(2, "m[IU]/L"), effectiveDateTime="2025"),
    observation("3016-3", ucum(2, "m[IU]/L"), effectiveDateTime=None),
    observation("3016-3", ucum(2, "m[IU]/L"), referenceRange=[RANGE, RANGE]),
    observation("3016-3", ucum(2, "m[IU]/L"), referenceRange=[{"low": {"value": 1}}]),
    observation("3016-3", ucum(2, "m[IU]/L"), status="done"),
    observation("82810-3", valueCodeableConcept={"text": "maybe"}),
    observation("82810-3", valueCodeableConcept=PREGNANCY, effectiveDateTime="2024-01-01"),
    condition("38341003"),
    condition("49436004", modifierExtension=[{"url": "https://x.example"}]),
    statement({"text": "thyroid"}, TABLET, status="stopped"),
    statement(LT4, {"text": "Take 2 tablets (100 mcg) daily"}),
    statement(LT4, dosage(ucum("72.9", "ug"))),
    statement(LT4, dosage(FIFTY), note=[{"text": "seen today"}]),
    statement({"text": "levothyroxine 50 mcg - take half every other day"}, TABLET),
    statement({"text": "levothyroxine 50 mcg tablet, daily at zay zoy"}, TABLET),
    statement(LT4, dosage(FIFTY, text="seen today " * 200)),
    statement(LT4, dosage(FIFTY, maxDosePerAdministration=ucum(25, "ug"))),
    statement(LT4, dosage(FIFTY, maxDosePerLifetime=ucum(25, "ug"))),
    statement(LT4, dosage(FIFTY, {"repeat": {**DAILY["repeat"], "count": 30}})),
    statement({"text": "levothyroxine 75 mcg tablet", "coding": LT4_100["coding"]}, TABLET),
    request(LT4, dosage(FIFTY), status="unknown"),
    request(LT4_100, {"timing": DAILY, "text": "1 tablet daily"}),
    {**test_how_often.when_taken(DAILY), "adherence": {"code": {"coding": [{"code": "stopped"}]}}},
    test_how_often.when_taken(DAILY, dosage(ucum(1, "{tbl}"), None)),
]
"""What the tables of the other tests have nothing of, each alone."""
TOGETHER: list[list[Json]] = [
    [request(LT4, dosage(FIFTY), **GROUP), request(LT4, dosage(FIFTY), id="r2", **GROUP)],
    [
        request(LT4_100, {**TABLET, "text": IN_ALL}, **GROUP),
        request(LT4, dosage(ucum(25, "ug")), id="r2", **GROUP),
    ],
    [
        request(LT4, dosage(FIFTY)),
        request(LT4, dosage(FIFTY), id="r2",
                priorPrescription={"reference": "MedicationRequest/r1"}),
    ],
    [
        request(LT4, dosage(FIFTY)),
        statement(LT4, dosage(ucum(75, "ug")),
                  derivedFrom=[{"reference": "MedicationRequest/r1"}]),
    ],
    [
        request(LT4, dosage(FIFTY), status="completed"),
        statement(LT3, TABLET, status="not-taken"),
    ],
    [
        statement({"reference": {}}, TABLET),
        {"resourceType": "Medication", "id": "m1", "status": "inactive"},
    ],
    [request(LT4, dosage(FIFTY)), statement(LT4, dosage(FIFTY), status="not-taken")],
]  # fmt: skip
PATIENTS: list[Json] = [
    {**PATIENT, "birthDate": "1970"},
    {**PATIENT, "birthDate": 1970},
    {**PATIENT, "active": False},
    {**PATIENT, "deceasedBoolean": True},
    {**PATIENT, "link": [{"type": "replaced-by"}, {"type": "seealso"}]},
]
PAGES: list[Json] = [{"link": [{"relation": "next"}]}, {"total": 40}]


def contents() -> Iterator[Json]:
    """The bundles of every table of these tests, single resources put into one."""
    for module in MODULES:
        for name, table in vars(module).items():
            if name.isupper() and isinstance(table, dict | list):
                yield from _bundles(table.values() if isinstance(table, dict) else table)
    yield from map(bundle, ALONE)
    yield from (bundle(*resources) for resources in (*TOGETHER, *test_bounds.OVER_BUDGET.values()))
    for product, _ in test_products.ASKED.values():
        yield bundle(test_products.by_reference("Medication/m1"), product)
    for words in test_unknown_medicines.BEHIND.values():
        yield bundle(*test_unknown_medicines.by_reference(*words), statement(LT3, TABLET, id="s2"))
    yield from (bundle(statement(LT4, TABLET), patient=patient) for patient in PATIENTS)
    yield from (bundle(statement(LT4, TABLET), **page) for page in PAGES)
    for limit in (
        {"numerator": most, "denominator": span} for most, span, _ in test_sayings.LIMITS
    ):
        yield bundle(statement(LT4, dosage(FIFTY, maxDosePerPeriod=limit)))
    for place in test_sayings.PLACES.values():
        for words in (*test_sayings.CONTRADICTIONS, *test_sayings.HARMLESS, *test_sayings.UNKNOWN):
            yield bundle(statement(test_sayings.LT4, place(words)))


def _bundles(values: Iterable[object]) -> Iterator[Json]:
    for value in values:
        parts = list(value) if isinstance(value, tuple) else [value]
        parts += [each for part in parts if isinstance(part, tuple) for each in part]
        resources = [p for p in parts if isinstance(p, dict) and "resourceType" in p]
        yield from (r for r in resources if r["resourceType"] == "Bundle")
        single = [r for r in resources if r["resourceType"] != "Bundle"]
        if single:
            yield bundle(*single)
            yield bundle(statement(LT3, TABLET, id="beside"), *single)
            yield bundle(test_currency.ordered(id="before"), *single)


def said(content: Json) -> Iterator[str]:
    """What both readers say of a bundle in both versions."""
    for version in FhirVersion:
        try:
            record = read_bundle(content, version)
        except Unreadable as refused:
            yield f"refused, {refused.category}: {refused.message}"
        else:
            yield from (f"asked: {each.question}" for each in record.questions)
            yield from (f"to confirm: {each.question}" for each in record.confirm)
            yield from (f"not read: {each.why}" for each in record.unread)
        try:
            course = read_course(
                parse(encoded(content)),
                version=version,
                as_of=AS_OF,
                codes=CODES,
                preparations=PREPARATIONS,
            )
        except Undecided as undecided:
            yield f"undecided: {undecided.reason}"
        except Unreadable:
            continue
        else:
            yield from (f"in doubt: {each.doubt}" for each in course.intakes if each.doubt)


def refused(body: bytes) -> str:
    """What is said of a body that is no JSON."""
    try:
        parse(body)
    except Unreadable as fault:
        return f"refused, {fault.category}: {fault.message}"
    return ""


def every_word() -> str:
    """Each line once, in order."""
    lines = {line for content in contents() for line in said(content)}
    lines |= {
        refused(body) for body, _ in (*test_json.REFUSED.values(), *test_json.DOUBLED.values())
    }
    return "".join(f"{line}\n" for line in sorted(lines))


def test_every_word_is_as_it_was_approved() -> None:
    assert every_word() == APPROVED.read_text("utf-8")


if __name__ == "__main__":
    APPROVED.write_text(every_word(), "utf-8")
