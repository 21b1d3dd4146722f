"""What an unclear medicine may mean: each way to read it that, taken alone, is certain.

A resource that says two things is looked at with either of them left out, a range at either of its
ends, a number without a unit in each of the units in which doses are written. What the reader then
reads with certainty, and finds plausible, is a possible reading. None is more than that: a person
picks one, and nothing is read in this way otherwise.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice, product
from typing import Any

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.reading.clear import (
    DAILY,
    NotWritable,
    Resource,
    as_taken,
    cycle_of,
    dosage_list,
    dosages_for,
)
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.history import History
from crossgrain.reading.reading import Notes, Reading, Vouched
from crossgrain.reading.resolve import Budget, Entry
from crossgrain.reading.schedule import WEEK
from crossgrain.reading.today import Medicines, read_medicine

MOST_READINGS = 6
"""More are no help to who has to choose."""
_MOST_VARIANTS = 120
_WORDS_OF_DOSAGE = ("text", "patientInstruction", "additionalInstruction")
_LIMITS = ("maxDosePerPeriod", "maxDosePerAdministration", "maxDosePerLifetime")
_BESIDE = ("note", "renderedDosageInstruction", "effectiveTiming")
_AS_NEEDED = ("asNeeded", "asNeededBoolean", "asNeededCodeableConcept", "asNeededFor")
_UNITS = ("ug", "mg", "{tbl}")


def possible_doses(entry: Entry, reading: Reading, kind: Kind | None) -> list[tuple[DoseLine, ...]]:
    """The doses that a medicine may mean, each once; none where it is too unclear.

    `kind` is the hormone that it is, where that is told: a family of desiccated thyroid is tried
    only for it. A dose that no coded dosage says is left out.
    """
    found: dict[object, tuple[DoseLine, ...]] = {}
    for resource, meant in islice(_variants(entry.resource, reading, kind), _MOST_VARIANTS):
        lines = _read(resource, entry, reading, meant)
        if not lines:
            continue
        try:
            dosages_for(lines)
        except NotWritable:
            continue
        found.setdefault((lines[0].preparation.id, cycle_of(lines)), lines)
    return list(islice(found.values(), MOST_READINGS))


def _read(
    resource: Resource, entry: Entry, reading: Reading, meant: Preparation | None
) -> tuple[DoseLine, ...]:
    """What is read of it with certainty; nothing where anything is asked."""
    notes = Notes(settled=Vouched(meant={entry.path: meant} if meant else {}))
    apart = replace(reading, notes=notes, budget=Budget(), products={}, reasons={}, inside={})
    found = Medicines()
    try:
        read_medicine(
            Entry(entry.path, entry.reference, entry.kind, resource, entry.base),
            found,
            History(),
            apart,
        )
    except Unreadable:
        return ()
    taken = [*(hormone.entry for hormone in found.taken), *found.drafts]
    if notes.questions or len(taken) != 1 or len(taken[0].spans) > 1:
        return ()
    return taken[0].lines


Variant = tuple[Resource, Preparation | None]


def _variants(resource: Resource, reading: Reading, kind: Kind | None) -> Iterator[Variant]:
    taken = as_taken(resource, reading.calendar, reading.shape.version)
    taken.pop("modifierExtension", None)
    lines = reading.preparations.values()
    families = [None, *(line for line in lines if line.mg_per_grain and line.kind is kind)]
    for named, meant in product(_named(taken), families):
        for said in _said(named):
            yield said, meant


def _named(resource: Resource) -> Iterator[Resource]:
    """The medicine by all that names it, and by each name alone."""
    yield resource
    for key, concept in _concepts(resource):
        codings = concept.get("coding")
        alone: list[Resource] = []
        for coding in codings if isinstance(codings, list) else ():
            code = {name: coding[name] for name in ("system", "code") if name in coding}
            alone.append({"coding": [code]})
            if coding.get("display"):
                alone.append({"text": coding["display"]})
        if concept.get("text"):
            alone.append({"text": concept["text"]})
        for name in alone:
            yield {**resource, key: {"concept": name} if key == "medication" else name}


def _concepts(resource: Resource) -> Iterator[tuple[str, Resource]]:
    own = resource.get("medicationCodeableConcept")
    if isinstance(own, dict):
        yield "medicationCodeableConcept", own
    held = resource.get("medication")
    concept = held.get("concept") if isinstance(held, dict) else None
    if isinstance(concept, dict):
        yield "medication", concept


def _said(resource: Resource) -> Iterator[Resource]:
    """The resource with its dosages as they stand, and with each of them told in fewer words."""
    yield resource
    alone = _without(resource, _BESIDE)
    yield alone
    key = dosage_list(resource)
    dosages = resource.get(key)
    held = [each for each in dosages if isinstance(each, dict)] if isinstance(dosages, list) else []
    if not held:
        for once in _one_a_day({}):
            yield {**alone, key: [once]}
        return
    apart = list(_on_shared_weekdays(held))
    if apart:
        yield from ({**alone, key: dosages} for dosages in (*apart, *([each] for each in held)))
        return
    for number, dosage in enumerate(held):
        for other in _ways(dosage):
            yield {**alone, key: [*held[:number], other, *held[number + 1 :]]}
        if len(held) > 1:
            yield {**alone, key: [dosage]}


def _on_shared_weekdays(dosages: Sequence[Resource]) -> Iterator[list[Resource]]:
    """One for some days of the week beside one for every day: in its place there, or as well."""
    if len(dosages) != 2:
        return
    some, each_day = sorted(dosages, key=_weekdays, reverse=True)
    if not _weekdays(some) or _weekdays(each_day):
        return
    others = [day for day in WEEK if day not in _weekdays(some)]
    yield [some, _on(each_day, dayOfWeek=others)]
    yield [_on(some, when=["HS"]), _on(each_day, when=["MORN"])]  # times apart are added up


def _on(dosage: Resource, **repeat: list[str]) -> Resource:
    timing = dosage.get("timing") or DAILY
    return {**dosage, "timing": {**timing, "repeat": {**_repeat(dosage), **repeat}}}


def _weekdays(dosage: Resource) -> list[str]:
    days = _repeat(dosage).get("dayOfWeek")
    return [day for day in days if isinstance(day, str)] if isinstance(days, list) else []


def _repeat(dosage: Resource) -> Resource:
    timing = dosage.get("timing")
    repeat = timing.get("repeat") if isinstance(timing, dict) else None
    return repeat if isinstance(repeat, dict) else {}


def _ways(dosage: Resource) -> Iterator[Resource]:
    """The ways to understand one dosage: what is coded, what is in words, and either made whole."""
    amounts = list(_amounts(dosage))
    dosage = _without(dosage, ("modifierExtension", "doseQuantity", "doseRange"))
    plain = _without(dosage, (*_WORDS_OF_DOSAGE, *_LIMITS, *_AS_NEEDED))
    regular = _without(dosage, (*_LIMITS, *_AS_NEEDED, "patientInstruction"))
    yield regular
    coded = [plain, *({**plain, "doseAndRate": [each]} for each in amounts)]
    for way in coded:
        yield way
        for timing in _timings(dosage.get("timing")):
            yield {**way, "timing": timing}
    for words in (dosage.get("text"), dosage.get("patientInstruction")):
        if words:
            yield {"text": words}
            yield {"text": words, **{k: plain[k] for k in ("doseAndRate", "timing") if k in plain}}
            yield from ({"text": words, "doseAndRate": way.get("doseAndRate", [])} for way in coded)
    yield from _one_a_day(plain)


def _one_a_day(plain: Resource) -> Iterator[Resource]:
    """One tablet a day, where nothing says how much."""
    if not plain.get("doseAndRate"):
        one = {"doseQuantity": {"value": 1, "unit": "tablet"}}
        yield {**plain, "doseAndRate": [one], "timing": plain.get("timing") or DAILY}
        yield {**plain, "doseAndRate": [one], "timing": DAILY}


def _amounts(dosage: Resource) -> Iterator[Resource]:
    """Each amount that a dosage names, alone; the ends of a range, and a number in each unit."""
    held = dosage.get("doseAndRate")
    stated = [each for each in held if isinstance(each, dict)] if isinstance(held, list) else []
    if "doseQuantity" in dosage or "doseRange" in dosage:  # where STU3 has them
        stated.append({k: dosage[k] for k in ("doseQuantity", "doseRange") if k in dosage})
    for each in stated:
        amounts = [each.get("doseQuantity")]
        ends = each.get("doseRange")
        if isinstance(ends, dict):
            amounts += [ends.get("low"), ends.get("high")]
        for amount in amounts:
            if isinstance(amount, dict):
                yield {"doseQuantity": amount}
                yield from ({"doseQuantity": of} for of in _in_units(amount))


def _in_units(amount: Mapping[str, Any]) -> Iterable[Resource]:
    if "comparator" in amount or amount.get("value") is None:
        return ()
    return ({"value": amount["value"], "unit": unit, "code": unit} for unit in _UNITS)


def _timings(timing: object) -> Iterator[Resource]:
    """A timing by its repeat, by its code, at the ends of its range; and once a day."""
    if isinstance(timing, dict):
        repeat, code = timing.get("repeat"), timing.get("code")
        if isinstance(repeat, dict):
            yield {"repeat": repeat}
            for low, high in (("frequency", "frequencyMax"), ("period", "periodMax")):
                if high in repeat:
                    plain = {k: v for k, v in repeat.items() if k != high}
                    yield {"repeat": plain}
                    yield {"repeat": {**plain, low: repeat[high]}}
            rate = ("frequency", "period", "periodUnit")
            yield {"repeat": {k: repeat[k] for k in rate if k in repeat}}
        if isinstance(code, dict):
            yield {"code": code}
    yield DAILY


def _without(resource: Resource, keys: Iterable[str]) -> Resource:
    gone = frozenset(keys)
    return {key: value for key, value in resource.items() if key not in gone}
