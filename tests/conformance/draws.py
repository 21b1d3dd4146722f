"""One draw as an EHR would send it: a Bundle of its results and of the answers to how it goes."""

LOINC = {"tsh": "3016-3", "freeT3": "14928-6", "freeT4": "14920-3", "pulse": "8867-4"}
"""https://loinc.org: of each test one code."""
UNITS = {"tsh": "m[IU]/L", "freeT3": "pmol/L", "freeT4": "pmol/L", "pulse": "/min"}
HOW_IT_GOES = "http://crossgrain.example/fhir/Questionnaire/how-it-goes|0.1.0"
DRAWN_ON, DECIDED_ON = "2025-06-02", "2025-06-10"


def several(value):
    """What is known, as a list: nothing, one value, or more."""
    return value if isinstance(value, list) else [value]


def measured(test, value):
    return {"value": value, "system": "http://unitsofmeasure.org", "code": UNITS[test]}


def ranged(test, low, high, **more):
    ends = {"low": low, "high": high}
    given = {end: measured(test, limit) for end, limit in ends.items() if several(limit)}
    return [{**given, **more}] if given else []


def result(test, value, ranges=()):
    body = {
        "resourceType": "Observation", "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": LOINC[test]}]},
        "effectiveDateTime": f"{DRAWN_ON}T07:40:00+02:00", "valueQuantity": measured(test, value),
    }  # fmt: skip
    return {**body, "referenceRange": list(ranges)} if ranges else body


def answered(own_id, value):
    return [{"linkId": own_id, "answer": [{"valueBoolean": one}]} for one in several(value)[:1]]


def answers_of(known, palpitations):
    items = [
        *answered("palpitations", palpitations), *answered("jitters", known["tooFast"]),
        *answered("sleeplessness", False), *answered("chest-pain", known.get("chestPain", False)),
        {"linkId": "missed-days", "answer": [{"valueInteger": 0}]},
    ]  # fmt: skip
    return {
        "resourceType": "QuestionnaireResponse", "status": "completed", "authored": "2025-06-09",
        "questionnaire": HOW_IT_GOES, "item": items,
    }  # fmt: skip


def bundle_of(known):
    """The Bundle for what is known, by the short names of tests, their limits and symptoms."""
    get = known.get
    of_tsh = ranged("tsh", get("tshLow", []), get("tshHigh", []))
    if "goalLow" in known:
        coded = {"system": "http://terminology.hl7.org/CodeSystem/referencerange-meaning"}
        goal = {"type": {"coding": [{**coded, "code": "therapeutic"}]}}
        of_tsh += ranged("tsh", known["goalLow"], known["goalHigh"], **goal)
    ranges = {
        "tsh": of_tsh,
        "freeT3": ranged("freeT3", get("freeT3Low", []), get("freeT3High", [])),
        "freeT4": ranged("freeT4", get("freeT4Low", []), get("freeT4High", [])),
        "pulse": [],
    }
    found = [result(t, v, of) for t, of in ranges.items() for v in several(get(t, []))]
    found += [answers_of(known, one) for one in several(known["fastPulse"]) or [[]]]
    return {
        "resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in found]
    }  # fmt: skip
