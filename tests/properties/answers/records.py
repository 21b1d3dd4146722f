"""Records with one thing unclear, and the same written clearly in the first place.

A case is a question of one kind: what makes the record unclear, which of the choices is picked,
and the record that says the same clearly. The kinds are those of the reader's own `Asks`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from crossgrain.names.identity import HOW_IT_GOES, FhirVersion
from crossgrain.reading.elements import Asks

Resource = dict[str, Any]
UCUM = "http://unitsofmeasure.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
AS_OF = "2025-03-03"
PATIENT: Resource = {
    "resourceType": "Patient", "id": "p", "gender": "female", "birthDate": "1974-05-06",
}  # fmt: skip
DAILY: Resource = {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}


def mass(value: Any, unit: str = "ug") -> Resource:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def a_day(value: Any, unit: str = "ug") -> Resource:
    return {"timing": DAILY, "doseAndRate": [{"doseQuantity": mass(value, unit)}]}


def named(version: FhirVersion, concept: Resource | None) -> Resource:
    if concept is None:
        return {}
    if version is FhirVersion.R4:
        return {"medicationCodeableConcept": concept}
    return {"medication": {"concept": concept}}


LT4: Resource = {"coding": [{"system": RXNORM, "code": "10582", "display": "levothyroxine"}]}


@dataclass(frozen=True)
class Chart:
    """How the resources of one record are written."""

    version: FhirVersion
    dose: int
    """Micrograms of levothyroxine a day."""
    with_ids: bool = True

    def order(
        self,
        dosages: Sequence[Resource],
        concept: Resource | None = LT4,
        own: str = "r1",
        **more: Any,
    ) -> Resource:
        body = {
            "resourceType": "MedicationRequest", "id": own, "status": "active", "intent": "order",
            "subject": {"reference": "Patient/p"}, "authoredOn": "2024-11-04",
            **named(self.version, concept), "dosageInstruction": list(dosages), **more,
        }  # fmt: skip
        return self._bare(body)

    def statement(
        self,
        dosages: Sequence[Resource],
        concept: Resource | None = LT4,
        own: str = "s1",
        **more: Any,
    ) -> Resource:
        body = {
            "resourceType": "MedicationStatement", "id": own,
            "status": "active" if self.version is FhirVersion.R4 else "recorded",
            "subject": {"reference": "Patient/p"}, "effectivePeriod": {"start": "2024-11-04"},
            "dateAsserted": AS_OF, **named(self.version, concept), "dosage": list(dosages), **more,
        }  # fmt: skip
        if self.version is FhirVersion.R5 and "adherence" not in body:
            body["adherence"] = {"code": {"coding": [{"code": "taking"}]}}
        return self._bare(body)

    def _bare(self, body: Resource) -> Resource:
        """Without its id, where records have none."""
        return body if self.with_ids else {k: v for k, v in body.items() if k != "id"}


Made = list[Resource] | Resource
Maker = Callable[[Chart], Made]


def bundle(made: Made) -> Resource:
    """The record of these resources, or the one made."""
    if isinstance(made, dict):
        return made
    entries = [{"resource": each} for each in (PATIENT, *made)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


@dataclass(frozen=True)
class Case:
    """A question of one kind.

    `pick` is the code of the choice for a dose, or the doses a day given instead: line → Quantity.
    """

    name: str
    asks: Asks
    unclear: Maker
    clear: Maker
    pick: Callable[[Chart], str | dict[str, Resource] | int]
    versions: Sequence[FhirVersion] = tuple(FhirVersion)
    needs_ids: bool = False
    options: dict[str, str] = field(default_factory=dict)
    clear_options: dict[str, str] = field(default_factory=dict)
    """Of the clear record: what an answer gave as an option."""
    same_tablets: bool = True
    """False where only the clear record can name the tablets at home, of which a taper is made."""


def the_dose(chart: Chart) -> str:
    """The reading of the dose that is meant."""
    return f"levothyroxine_{chart.dose}"


def given_dose(chart: Chart) -> dict[str, Resource]:
    """The dose that is meant, given in the place of a reading."""
    return {"levothyroxine": mass(chart.dose)}


def _order(*dosages: Callable[[Chart], Resource], **more: Any) -> Maker:
    return lambda chart: [chart.order([of(chart) for of in dosages], **more)]


def _clear(chart: Chart) -> Made:
    return [chart.order([a_day(chart.dose)])]


def _dosage(**parts: Any) -> Callable[[Chart], Resource]:
    return lambda chart: {
        key: value(chart) if callable(value) else value for key, value in parts.items()
    }


def _amount(chart: Chart) -> list[Resource]:
    return [{"doseQuantity": mass(chart.dose)}]


NOT_SUNDAY = ["mon", "tue", "wed", "thu", "fri", "sat"]


def _each_day(chart: Chart) -> Resource:
    return a_day(chart.dose)


def _on_days(days: list[str], dose: Callable[[Chart], int]) -> Callable[[Chart], Resource]:
    return lambda chart: {
        "timing": {"repeat": {"dayOfWeek": days}},
        "doseAndRate": [{"doseQuantity": mass(dose(chart))}],
    }


_MODIFIER = [{"url": "http://clinic.example/unknown", "valueBoolean": True}]
ONE_TABLET: Resource = {"value": 1, "unit": "tablet"}
HALF_A_TABLET: Resource = {"value": Decimal("0.5"), "unit": "tablet"}
TABLET = "levothyroxine sodium {} microgram tablet"
DOSE_CASES = [
    Case(
        "words that are not read", Asks.DOSE, _order(_dosage(text="as directed")), _clear,
        given_dose,
    ),
    Case(
        "coded dose and words differ", Asks.DOSE,
        _order(_dosage(
            text=lambda c: f"take {2 * c.dose} mcg daily", timing=DAILY, doseAndRate=_amount
        )),
        _clear, the_dose,
    ),
    Case(
        "a range", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=lambda c: [
            {"doseRange": {"low": mass(c.dose), "high": mass(c.dose + 25)}}
        ])),
        _clear, the_dose,
    ),
    Case(
        "as needed", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=_amount, asNeededBoolean=True)),
        _clear, the_dose, versions=(FhirVersion.R4,),
    ),
    Case(
        "as needed in R5", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=_amount, asNeeded=True)),
        _clear, the_dose, versions=(FhirVersion.R5,),
    ),
    Case(
        "no unit", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=lambda c: [{"doseQuantity": {"value": c.dose}}])),
        _clear, the_dose,
    ),
    Case(
        "an older FHIR's place for the dose", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseQuantity=lambda c: mass(c.dose))),
        _clear, the_dose,
    ),
    Case(
        "how often is a range", Asks.DOSE,
        _order(_dosage(
            timing={"repeat": {**DAILY["repeat"], "frequencyMax": 2}}, doseAndRate=_amount
        )),
        _clear, the_dose,
    ),
    Case(
        "a list of moments", Asks.DOSE,
        _order(_dosage(timing={"event": [AS_OF]}, doseAndRate=_amount)), _clear, the_dose,
    ),
    Case(
        "how often is not said", Asks.DOSE, _order(_dosage(doseAndRate=_amount)), _clear, the_dose,
    ),
    Case(
        "a code of a timing that is not read", Asks.DOSE,
        _order(_dosage(timing={"code": {"text": "per protocol"}}, doseAndRate=_amount)),
        _clear, the_dose,
    ),
    Case(
        "one for Sundays in the place of every day's", Asks.DOSE,
        _order(_on_days(["sun"], lambda c: c.dose + 25), _each_day),
        _order(_on_days(["sun"], lambda c: c.dose + 25), _on_days(NOT_SUNDAY, lambda c: c.dose)),
        lambda c: f"levothyroxine_{'_'.join([str(c.dose)] * 6)}_{c.dose + 25}",
    ),
    Case(
        "one for Sundays beside every day's", Asks.DOSE,
        _order(_on_days(["sun"], lambda c: c.dose + 25), _each_day),
        _order(
            _on_days(["sun"], lambda c: 2 * c.dose + 25), _on_days(NOT_SUNDAY, lambda c: c.dose)
        ),
        lambda c: f"levothyroxine_{'_'.join([str(c.dose)] * 6)}_{2 * c.dose + 25}",
    ),
    Case("no dosage", Asks.DOSE, _order(), _clear, given_dose),
    Case(
        "another route", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=_amount, route={"text": "intravenous"})),
        _clear, given_dose,
    ),
    Case(
        "a modifier of the dosage", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=_amount, modifierExtension=_MODIFIER)),
        _clear, the_dose,
    ),
    Case(
        "a modifier of the medicine", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=_amount), modifierExtension=_MODIFIER),
        _clear, the_dose,
    ),
    Case(
        "two dosages say the same", Asks.DOSE,
        _order(*[_dosage(timing=DAILY, doseAndRate=_amount)] * 2), _clear, the_dose,
    ),
    Case(
        "dosages that follow without dates", Asks.DOSE,
        _order(
            _dosage(sequence=1, timing=DAILY, doseAndRate=_amount),
            _dosage(sequence=2, timing=DAILY, doseAndRate=[{"doseQuantity": mass(25)}]),
        ),
        _clear, the_dose,
    ),
    Case(
        "a dosage that is over", Asks.DOSE,
        _order(_dosage(
            timing={"repeat": {**DAILY["repeat"], "boundsPeriod": {
                "start": "2024-11-04", "end": "2024-12-31",
            }}},
            doseAndRate=_amount,
        ), _dosage(
            timing={"repeat": {**DAILY["repeat"], "boundsPeriod": {"start": "2025-04-01"}}},
            doseAndRate=_amount,
        )),
        _clear, given_dose,
    ),
    Case(
        "a dose that is not plausible", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=lambda c: [{"doseQuantity": mass(c.dose, "mg")}])),
        _clear, given_dose,
    ),
    Case(
        "tablets of a strength that is not said", Asks.DOSE,
        _order(_dosage(timing=DAILY, doseAndRate=[{"doseQuantity": ONE_TABLET}])),
        _clear, given_dose,
    ),
    Case(
        "an upper limit below the dose", Asks.DOSE,
        _order(_dosage(
            timing=DAILY, doseAndRate=_amount, maxDosePerAdministration=mass(5)
        )),
        _clear, the_dose,
    ),
    Case(
        "taken otherwise than directed", Asks.DOSE,
        lambda c: [c.statement([a_day(c.dose + 50)], adherence={
            "code": {"coding": [{"code": "taking-not-as-directed"}]}
        })],
        lambda c: [c.statement([a_day(c.dose)])], given_dose, versions=(FhirVersion.R5,),
    ),
    Case(
        "a note that speaks of the dose", Asks.DOSE,
        lambda c: [c.order([a_day(c.dose)], note=[{"text": f"take {2 * c.dose} mcg daily"}])],
        _clear, the_dose,
    ),
]  # fmt: skip


_TO_LT4 = {"target": "levothyroxine"}


def _referring(version: FhirVersion) -> Resource:
    reference = {"reference": "Medication/m"}
    if version is FhirVersion.R4:
        return {"medicationReference": reference}
    return {"medication": {"reference": reference}}


MEDICINE_CASES = [
    Case(
        "a name that only looks like one", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)], {"text": "thyroid medication"})], _clear, given_dose,
    ),
    Case(
        "a code alone", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)], {"coding": [
            {"system": "http://clinic.example/drugs", "code": "4711"}
        ]})],
        _clear, given_dose,
    ),
    Case(
        "a code alone that is no hormone", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)]), c.order([a_day(1)], {"coding": [
            {"system": "http://clinic.example/drugs", "code": "4711"}
        ]}, own="r2")],
        _clear, lambda c: "no-thyroid-hormone",
    ),
    Case(
        "a class of medicines", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)], {"coding": [
            {"system": "http://www.whocc.no/atc", "code": "H03AA"}
        ]})],
        _clear, given_dose,
    ),
    Case(
        "two hormones named", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)], {**LT4, "text": "liothyronine sodium"})],
        _clear, the_dose,
    ),
    Case(
        "code and words of two strengths", Asks.MEDICINE,
        lambda c: [c.order(
            [{"timing": DAILY, "doseAndRate": [{"doseQuantity": ONE_TABLET}]}],
            {"coding": [{"system": RXNORM, "code": "966280"}], "text": TABLET.format(c.dose)},
        )],
        _clear, the_dose,
    ),
    Case(
        "a compounded product", Asks.MEDICINE,
        lambda c: [c.order([a_day(c.dose)], {"text": "compounded levothyroxine slow release"})],
        _clear, given_dose,
    ),
    Case(
        "a Medication that is unclear", Asks.MEDICINE,
        lambda c: [
            {"resourceType": "Medication", "id": "m", "code": {"text": "thyroid medication"}},
            c.order([a_day(c.dose)], None, **_referring(c.version)),
        ],
        _clear, given_dose,
    ),
    Case(
        "a family of desiccated thyroid", Asks.DOSE,
        lambda c: [c.order([a_day(195, "mg")], {"text": "desiccated thyroid"})],
        lambda c: [c.order([a_day(195, "mg")], {"text": "desiccated thyroid 65 mg tablet"})],
        lambda c: "desiccated-thyroid-65_195", options=_TO_LT4, same_tablets=False,
    ),
]  # fmt: skip


def _unknown(chart: Chart) -> Made:
    return [chart.order([a_day(chart.dose)], status="unknown")]


TAKEN_CASES = [
    Case("a status that is not known", Asks.TAKEN, _unknown, _clear, the_dose),
    Case(
        "a status that is not known, of a dose that is not read", Asks.TAKEN,
        lambda c: [c.order([{"text": "as directed"}], status="unknown")], _clear, given_dose,
    ),
    Case(
        "a status that is not known, of what is not taken", Asks.TAKEN,
        lambda c: [c.order([a_day(c.dose)]), c.order([a_day(25)], own="r2", status="unknown")],
        _clear, lambda c: "not-taken",
    ),
    Case(
        "a statement of which it is not known", Asks.TAKEN,
        lambda c: [c.statement([a_day(c.dose)], status="unknown")],
        lambda c: [c.statement([a_day(c.dose)])], the_dose, versions=(FhirVersion.R4,),
    ),
    Case(
        "a single administration", Asks.TAKEN,
        lambda c: [c.order([a_day(c.dose)], intent="instance-order")], _clear, the_dose,
    ),
    Case(
        "what something said since speaks against", Asks.TAKEN,
        lambda c: [c.order([a_day(c.dose)]), c.statement([], status="not-taken", own="s1")],
        _clear, lambda c: "taken", versions=(FhirVersion.R4,),
    ),
    Case(
        "what something said since speaks against, rightly", Asks.TAKEN,
        lambda c: [
            c.order([a_day(25)], {"text": "liothyronine sodium"}, own="r2"),
            c.statement([], {"text": "liothyronine sodium"}, status="not-taken", own="s1"),
            c.order([a_day(c.dose)]),
        ],
        lambda c: [
            c.statement([], {"text": "liothyronine sodium"}, status="not-taken", own="s1"),
            c.order([a_day(c.dose)]),
        ],
        lambda c: "not-taken", versions=(FhirVersion.R4,),
    ),
]  # fmt: skip


def _two(chart: Chart) -> Made:
    return [chart.order([a_day(chart.dose)]), chart.order([a_day(25)], own="r2")]


def _both(chart: Chart) -> Made:
    group = {"groupIdentifier": {"system": "http://clinic.example/groups", "value": "1"}}
    return [chart.order([a_day(chart.dose)], **group), chart.order([a_day(25)], own="r2", **group)]


def _made_from(chart: Chart) -> Made:
    return [
        chart.order([a_day(chart.dose + 25)]),
        chart.statement([a_day(chart.dose)], derivedFrom=[{"reference": "MedicationRequest/r1"}]),
    ]


TWO_CASES = [
    Case("two orders that are both taken", Asks.WHICH_OF_TWO, _two, _both, lambda c: "both"),
    Case(
        "two orders of which the first is taken", Asks.WHICH_OF_TWO, _two, _clear,
        lambda c: "other",
    ),
    Case(
        "two orders of which the second is taken", Asks.WHICH_OF_TWO,
        lambda c: [c.order([a_day(25)]), c.order([a_day(c.dose)], own="r2")],
        lambda c: [c.order([a_day(c.dose)], own="r2")], lambda c: "this",
    ),
    Case(
        "two statements that are both taken", Asks.WHICH_OF_TWO,
        lambda c: [c.statement([a_day(c.dose)]), c.statement([a_day(25)], own="s2")],
        lambda c: [c.statement([a_day(c.dose + 25)])], lambda c: "both",
    ),
    Case(
        "a statement made from an order of another dose", Asks.WHICH_OF_TWO, _made_from,
        lambda c: [c.statement([a_day(c.dose)])], lambda c: "this", needs_ids=True,
    ),
    Case(
        "an order that replaces a newer one", Asks.WHICH_OF_TWO,
        lambda c: [
            c.order([a_day(25)], own="r2"),
            c.order([a_day(c.dose)], authoredOn="2024-01-08",
                    priorPrescription={"reference": "MedicationRequest/r2"}),
        ],
        lambda c: [c.order([a_day(c.dose)], authoredOn="2024-01-08")],
        lambda c: "this", needs_ids=True,
    ),
    Case(
        "two orders of one group that say the same", Asks.WHICH_OF_TWO,
        lambda c: [
            c.order([a_day(50)], groupIdentifier={"system": "g", "value": "1"}),
            c.order([a_day(50)], own="r2", groupIdentifier={"system": "g", "value": "1"}),
        ],
        lambda c: [c.order([a_day(100)])], lambda c: "both",
    ),
]  # fmt: skip


def _other_page(chart: Chart) -> Made:
    link = [{"relation": "next", "url": "https://ehr.example/page2"}]
    return {**bundle(_clear(chart)), "type": "searchset", "link": link}


def _fewer(chart: Chart) -> Made:
    return {**bundle(_clear(chart)), "type": "searchset", "total": 7}


def _of_nobody(chart: Chart) -> Made:
    order = chart.order([a_day(chart.dose)], own="r1")
    stray = {k: v for k, v in chart.order([a_day(25)], own="r2").items() if k != "subject"}
    return [order, stray]


def _given_up(chart: Chart) -> Made:
    patient = {**PATIENT, "active": False}
    made = bundle(_clear(chart))
    return {**made, "entry": [{"resource": patient}, *made["entry"][1:]]}


def _visit(answer: list[Resource]) -> Maker:
    return lambda c: [c.order([a_day(c.dose)]), {
        "resourceType": "QuestionnaireResponse", "id": "q", "status": "completed",
        "questionnaire": HOW_IT_GOES, "subject": {"reference": "Patient/p"}, "authored": AS_OF,
        "item": [{"linkId": "palpitations", "answer": answer}],
    }]  # fmt: skip


def _drafted(kind: str, **draft: Any) -> Maker:
    return lambda c: [
        c.order([a_day(c.dose)]),
        c.order([a_day(10)], {"text": f"{kind} sodium"}, own="d1", status="draft", **draft),
    ]


def _handed(strength: Callable[[Chart], int], **more: Any) -> Maker:
    """Ninety tablets for ninety days, handed out three weeks ago."""
    concept = more.pop("concept", None)

    def made(chart: Chart) -> Made:
        told = {
            "resourceType": "MedicationDispense", "id": "h", "status": "completed",
            "subject": {"reference": "Patient/p"}, "whenHandedOver": "2025-02-10",
            **named(chart.version, concept or {"text": TABLET.format(strength(chart))}),
            "quantity": ONE_TABLET | {"value": 90}, "daysSupply": mass(90, "d"), **more,
        }  # fmt: skip
        return [{key: value for key, value in told.items() if value is not None}]

    return made


def _stated(chart: Chart) -> Made:
    return [chart.statement([a_day(chart.dose)], effectivePeriod=None)]


RECORD_CASES = [
    Case("one page of several", Asks.WHOLE, _other_page, _clear, lambda c: "yes"),
    Case("fewer than were found", Asks.WHOLE, _fewer, _clear, lambda c: "yes"),
    Case(
        "something went wrong while gathering", Asks.WHOLE,
        lambda c: [c.order([a_day(c.dose)]), {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "error", "code": "timeout"}],
        }],
        _clear, lambda c: "yes",
    ),
    Case(
        "an order of nobody, which is not this patient's", Asks.WHOSE, _of_nobody, _clear,
        lambda c: "no",
    ),
    Case("a record that is not in use", Asks.RIGHT_RECORD, _given_up, _clear, lambda c: "yes"),
    Case(
        "an answer that is neither yes nor no", Asks.HOW_IT_GOES,
        _visit([{"valueBoolean": True}, {"valueBoolean": False}]), _visit([{"valueBoolean": True}]),
        lambda c: "yes",
    ),
    Case(
        "no hormone in the record", Asks.NOW, lambda c: [],
        lambda c: [c.statement([a_day(c.dose)], effectivePeriod=None)], given_dose,
    ),
    Case(
        "tablets that were handed out, taken in another dose", Asks.DOSE,
        _handed(lambda c: 2 * c.dose), _stated, given_dose,
    ),
    Case(
        "tablets that were handed out, taken as their number and days tell", Asks.DOSE,
        _handed(lambda c: c.dose), _stated, the_dose,
    ),
    Case(
        "tablets that were handed out, taken as their dosage tells", Asks.DOSE,
        _handed(lambda c: 2 * c.dose, daysSupply=None, dosageInstruction=[
            {"timing": DAILY, "doseAndRate": [{"doseQuantity": HALF_A_TABLET}]}
        ]),
        _stated, the_dose,
    ),
    Case(
        "tablets that were handed out, taken every other day", Asks.DOSE,
        _handed(lambda c: 2 * c.dose, daysSupply=None, dosageInstruction=[{
            "timing": {"repeat": {"frequency": 1, "period": 2, "periodUnit": "d"}},
            "doseAndRate": [{"doseQuantity": ONE_TABLET}],
        }]),
        lambda c: [c.statement([{
            "timing": {"repeat": {"frequency": 1, "period": 2, "periodUnit": "d"}},
            "doseAndRate": [{"doseQuantity": mass(2 * c.dose)}],
        }], effectivePeriod=None)],
        lambda c: f"levothyroxine_{2 * c.dose}_0",
    ),
    Case(
        "tablets that were handed out, and are not taken beside what is", Asks.DOSE,
        lambda c: [c.order([a_day(c.dose)]), *_handed(
            lambda c: 20, concept={"text": "liothyronine sodium 20 microgram tablet"}
        )(c)],
        _clear, lambda c: "not-taken",
    ),
    Case(
        "an order that replaces or is added", Asks.TARGET, _drafted("liothyronine"),
        _drafted("liothyronine"), lambda c: "liothyronine",
        options={"target": ""}, clear_options={"target": "liothyronine"},
    ),
    Case(
        "two drafts of which one is to be judged", Asks.ORDER,
        lambda c: [*_drafted("liothyronine")(c), c.order(
            [a_day(60, "mg")], {"text": "desiccated thyroid"}, own="d2", status="draft",
        )],
        lambda c: [*_drafted("liothyronine")(c), c.order(
            [a_day(60, "mg")], {"text": "desiccated thyroid"}, own="d2", status="draft",
        )],
        lambda c: "judge", options={"target": ""}, needs_ids=True,
        clear_options={"order": "MedicationRequest/d2"},
    ),
]  # fmt: skip
CASES = [*DOSE_CASES, *MEDICINE_CASES, *TAKEN_CASES, *TWO_CASES, *RECORD_CASES]
