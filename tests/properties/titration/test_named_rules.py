"""Rules that are named one by one: each is found through the operation, and not without its cause.

Sources beside each. The severities are FHIR's: ``moderate`` waits for a named act, ``low`` is said.
"""

from dataclasses import replace

import pytest
from tests.properties.titration.grid import AS_OF, Case, Taken
from tests.properties.titration.reading import Answer
from tests.properties.titration.run import answer_to

PLAIN = Case(taken=(Taken("lt4", 125),), target="desiccated-thyroid")
# Medicine, code of the finding, severity, words that must be in it.
MEDICINES = [
    # common practice, no source: beside replacement it is block-and-replace or an error
    ("carbimazole 5 mg tablet", "antithyroid", "moderate", ""),
    ("thiamazole 10 mg tablet", "antithyroid", "moderate", ""),
    ("methimazole 10 mg tablet", "antithyroid", "moderate", ""),
    ("propylthiouracil 50 mg tablet", "antithyroid", "moderate", ""),
    # orlistat label, change of February 2009: at least 4 hours apart
    ("orlistat 120 mg capsule", "orlistat", "low", "4 hours"),
    # levothyroxine label (from memory): phenobarbital raises clearance
    ("phenobarbital 60 mg tablet", "need-may-rise", "low", ""),
    # imatinib label: hypothyroidism after thyroidectomy
    ("imatinib 400 mg tablet", "tyrosine-kinase-inhibitor", "moderate", "TSH"),
    # Pharmacotherapy 2006;26:881: 12 hours apart
    ("raloxifene 60 mg tablet", "raloxifene", "low", "12 hours"),
    # Medsafe Prescriber Update 2022;43(2):20: 6 hours apart
    ("ciprofloxacin 500 mg tablet", "ciprofloxacin", "low", "6 hours"),
    # levothyroxine label: bile acid sequestrants, 4 hours apart, as a class
    ("colestyramine 4 g powder", "binders", "low", "4 hours"),
    ("cholestyramine 4 g powder", "binders", "low", "4 hours"),
    ("colestipol 1 g tablet", "binders", "low", "4 hours"),
    ("colesevelam 625 mg tablet", "binders", "low", "4 hours"),
]


def planned(made: Case) -> Answer:
    answer = answer_to(made)
    assert answer
    assert answer.ends == "plan"
    return answer


def whole(answer: Answer, code: str) -> str:
    """Everything that a finding says, its act included."""
    (issue,) = [
        issue for issue in answer.of("DetectedIssue") if issue["code"]["coding"][0]["code"] == code
    ]
    return str(issue)


@pytest.mark.parametrize("version", ["r4", "r5"])
@pytest.mark.parametrize(("medicine", "code", "severity", "says"), MEDICINES)
def test_a_medicine_that_is_taken_is_found(
    medicine: str, code: str, severity: str, says: str, version: str
) -> None:
    answer = planned(replace(PLAIN, others=(medicine,), version=version))
    assert answer.findings[code][0] == severity
    assert says in whole(answer, code)


@pytest.mark.parametrize("code", sorted({code for _, code, _, _ in MEDICINES}))
def test_without_it_nothing_is_found(code: str) -> None:
    assert code not in planned(PLAIN).findings
    assert code not in planned(replace(PLAIN, others=("lisinopril 10 mg tablet",))).findings


def test_liothyronine_alone_waits_for_a_specialist() -> None:
    # a health board's guideline on T3 (secondary): not recommended but by a specialist
    answer = planned(replace(PLAIN, target="liothyronine"))
    assert answer.findings["lt3-alone"][0] == "moderate"
    assert "specialist" in whole(answer, "lt3-alone")


def test_a_combination_is_reviewed_three_months_after_its_dose_is_reached_on_a_day() -> None:
    # ETA 2012, Eur Thyroid J 1:55, abstract: discontinued if no benefit within 3 months
    answer = planned(Case(taken=(Taken("lt4", 150),), target="levothyroxine-liothyronine"))
    reviews = [t for t in answer.of("Task") if "benefit" in t.get("description", "")]
    assert [t["intent"] for t in reviews] == ["proposal"]
    day = reviews[0]["restriction"]["period"]["end"]
    reached = answer.series.steps[-1]
    assert (_days(day) - reached) in range(84, 99)


def _days(iso: str) -> int:
    return (type(AS_OF).fromisoformat(iso) - AS_OF).days


@pytest.mark.parametrize("made", [replace(PLAIN, prior="stop"), PLAIN])
def test_overt_hypothyroidism_is_said_in_words_where_the_old_dose_stops(made: Case) -> None:
    # own model, SciPy agrees: 150 µg stopped leaves a sixth of the T4 pool in week 4
    found = planned(made).findings
    assert ("overt-hypothyroidism" in found) == (made.prior == "stop")
    if made.prior == "stop":
        assert "overt hypothyroidism" in found["overt-hypothyroidism"][1]


# What is written, what is found where it is affirmed, and ways to deny it.
TOLD = [
    ("unstable angina", "unstable-angina", ["no unstable angina", "denies unstable angina"]),
    ("angina", "coronary-disease", ["no angina", "denies angina or chest pain",
                                    "no history of angina"]),
    ("atrial fibrillation", "atrial-fibrillation", ["no atrial fibrillation",
                                                    "negative for atrial fibrillation"]),
    ("heart failure", "heart-failure", ["without heart failure", "no evidence of heart failure"]),
    ("palpitations", "new-palpitations", ["denies palpitations", "no palpitations"]),
    ("osteoporosis", "osteoporosis", ["no osteoporosis", "osteoporosis: ruled out"]),
    ("adrenal insufficiency", "adrenal-insufficiency", ["no adrenal insufficiency"]),
]  # fmt: skip


@pytest.mark.parametrize(("told", "code"), [(told, code) for told, code, _ in TOLD])
@pytest.mark.parametrize("version", ["r4", "r5"])
def test_what_is_affirmed_in_text_is_found(told: str, code: str, version: str) -> None:
    answer = answer_to(replace(PLAIN, told=told, version=version))
    assert answer
    assert code in answer.findings


@pytest.mark.parametrize(
    ("denied", "code"), [(denied, code) for _, code, all_of in TOLD for denied in all_of]
)
def test_what_is_denied_in_text_is_not_found(denied: str, code: str) -> None:
    assert code not in planned(replace(PLAIN, told=denied)).findings
