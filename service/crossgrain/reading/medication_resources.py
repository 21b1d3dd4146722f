"""MedicationStatement and MedicationRequest seen alike: product, dosages, standing, ties."""

import re
from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from crossgrain.dosing.targets import Combining
from crossgrain.names.identity import PLAN_SYSTEM
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.currency import Currency, request_standing, statement_standing
from crossgrain.reading.elements import Asked, Asks, CodeableConcept, Dosage, Reference
from crossgrain.reading.hormone_names import is_for_thyroid
from crossgrain.reading.medications import (
    medication_of,
    name_of,
    named_in,
    product_in,
    referred,
)
from crossgrain.reading.medicines import is_known_other, is_told, product_of
from crossgrain.reading.person import say_whose
from crossgrain.reading.product import Product
from crossgrain.reading.reading import Named, Reading
from crossgrain.reading.remembered import Remembered
from crossgrain.reading.resolve import Entry
from crossgrain.reading.sayings import (
    Saying,
    characters_of_notes,
    words_of_names,
    words_of_notes,
)
from crossgrain.reading.series_mark import mark_in
from crossgrain.reading.timing import says_how_often
from crossgrain.reading.views import MedicationRequest, MedicationStatement, Medicine, view

Seen = MedicationStatement | MedicationRequest


def seen_in(entry: Entry, reading: Reading) -> Seen:
    """The resource as far as it is read.

    Raises
    ------
    Unreadable
        where it is not FHIR.
    """
    seen: Seen = (
        view(entry.resource, MedicationStatement, entry.path)
        if entry.kind == "MedicationStatement"
        else view(entry.resource, MedicationRequest, entry.path)
    )
    say_whose(seen.subject, f"{entry.path}.subject", reading.notes)
    return seen


def standing_of(seen: Seen, entry: Entry, reading: Reading) -> Currency:
    """Whether it is taken on the day of reading, and since when."""
    if isinstance(seen, MedicationStatement):
        return statement_standing(seen, reading, entry.path)
    return request_standing(seen, reading, entry.path)


def product_named(
    seen: Medicine, entry: Entry, reading: Reading
) -> tuple[Product | None, CodeableConcept | None]:
    """The thyroid product, if it is one, and the concept by which the medicine is named.

    Raises
    ------
    Asked
        where the product cannot be told, or what is not known may be thyroid hormone.
    """
    product, concept = _named(seen, entry, reading)
    if product is None:
        _refuse_what_may_be_hormone(seen, concept, entry, reading)
    return product, concept


def _named(
    seen: Medicine, entry: Entry, reading: Reading
) -> tuple[Product | None, CodeableConcept | None]:
    concept, reference = named_in(seen)
    codes, preparations = reading.codes, reading.preparations
    shown = CodeableConcept(text=reference.display) if reference else None
    if reference is not None and concept is None:
        known = _looked_into(reference, seen, entry, reading)
        if known is not None:
            product, concept = known
            if product is None and shown is not None:
                _refuse_another_name(shown, entry, reading)
                concept = concept if is_told(concept, codes) else shown
            return product, concept
        concept = shown
    if concept is None:
        return None, None
    reading.budget.spend_on(concept, f"{entry.path}.medication")
    return product_of(concept, codes, preparations, f"{entry.path}.medication"), concept


def _looked_into(
    reference: Reference, seen: Medicine, entry: Entry, reading: Reading
) -> Named | None:
    """What a Medication is, worked out once however many refer to it; ``None`` if not there."""
    own = reading.index.find(reference, entry)
    if own is None:
        return _inside(reference, seen, entry, reading)
    if own.path not in reading.products:
        try:
            reading.products[own.path] = _inside(reference, seen, entry, reading)
        except Asked as asked:
            reading.products[own.path] = asked
    known = reading.products[own.path]
    if isinstance(known, Asked):
        raise Asked(known.expression, known.question, known.asks)
    return known


def _inside(reference: Reference, seen: Medicine, entry: Entry, reading: Reading) -> Named | None:
    medication, path = medication_of(reference, seen, reading, entry)
    if medication is None:
        return None
    concept = name_of(medication, reading.codes)
    for name in (concept, *(part.substance for part in medication.ingredient)):
        reading.budget.spend_on(name, path)
    return product_in(medication, reading.codes, reading.preparations, path), concept


def _refuse_another_name(shown: CodeableConcept, entry: Entry, reading: Reading) -> None:
    """A reference that is called a hormone, and leads to what is none."""
    place = f"{entry.path}.medication"
    if product_of(shown, reading.codes, reading.preparations, place) is not None:
        raise Asked(
            place,
            "The reference is called a thyroid hormone, and the Medication that it leads to is"
            " none. Which one is taken?",
        )


def _refuse_what_may_be_hormone(
    seen: Medicine, concept: CodeableConcept | None, entry: Entry, reading: Reading
) -> None:
    """A medicine that nothing names, or that is not known and is taken for the thyroid."""
    place, codes = f"{entry.path}.medication", reading.codes
    if concept is None or not is_told(concept, codes):
        raise Asked(place, _CODE_ALONE if concept and concept.coding else _NAMELESS)
    if _is_for_thyroid(seen, entry, reading) and not is_known_other(concept, codes):
        raise Asked(place, _FOR_THYROID)


_NAMELESS = "What this medicine is could not be told: it may be thyroid hormone. What is it?"
_CODE_ALONE = (
    "This medicine is known only by a code that is not in the tables. Is it thyroid hormone?"
)
_FOR_THYROID = (
    "This medicine is taken for the thyroid, and it is none that is known. Is it thyroid hormone,"
    " and how much T4 and T3 does it hold?"
)
THYROID_REASONS = frozenset(
    {
        "hypothyroidism", "central-hypothyroidism", "hypothyroidism-in-pregnancy",
        "thyroidectomy", "thyroid-cancer", "tsh-suppression-goal", "myxoedema-coma",
    }
)  # fmt: skip
"""Our keys of the conditions for which hormone is taken."""
HYPOTHYROID_REASONS = frozenset(
    {"hypothyroidism", "central-hypothyroidism", "hypothyroidism-in-pregnancy"}
)
"""Those of them that an order of ours may give as its reason: a shortage of hormone."""
LONGEST_REASON = 255
"""Characters of a reason's words that are handed on: every order repeats them."""


def hypothyroidism_said(seen: Medicine, reading: Reading) -> tuple[CodeableConcept, ...]:
    """The reasons of a medicine that name hypothyroidism, each without what says something else.

    What would be longer than a diagnosis is not handed on.
    """
    concepts = (*seen.reason_code, *(reason.concept for reason in seen.reason if reason.concept))
    found = (_hypothyroidism_in(concept, reading) for concept in concepts)
    return tuple(dict.fromkeys(each for each in found if each is not None))


def _hypothyroidism_in(concept: CodeableConcept, reading: Reading) -> CodeableConcept | None:
    table = reading.codes.concerns.conditions
    if HYPOTHYROID_REASONS.isdisjoint(table.keys_of(concept)):
        return None
    codings = tuple(
        coding
        for coding in concept.coding
        if table.key_of_code(coding.system or "", coding.code or "") in HYPOTHYROID_REASONS
        and coding.characters <= LONGEST_REASON
    )
    text = concept.text if concept.text and len(concept.text) <= LONGEST_REASON else None
    return CodeableConcept(codings, text) if codings or text else None


def reasons_of(seen: Medicine, entry: Entry, reading: Reading) -> tuple[str, ...] | None:
    """Our keys of why a medicine is taken, as far as its own resource says or refers to it.

    ``None`` where it says nothing.
    """
    found = list(_reasons(seen, entry, reading))
    return tuple(dict.fromkeys(key for keys in found for key in keys)) if found else None


def _reasons(seen: Medicine, entry: Entry, reading: Reading) -> Iterator[tuple[str, ...]]:
    """The keys of each reason."""
    keys_of = reading.codes.concerns.conditions.keys_of
    concepts = (*seen.reason_code, *(reason.concept for reason in seen.reason if reason.concept))
    yield from map(keys_of, concepts)
    for reference in (*seen.reason_reference, *(r.reference for r in seen.reason if r.reference)):
        keys = _of_condition(reference, seen, entry, reading)
        if keys is not None:
            yield keys
        if reference.display:
            yield keys_of(CodeableConcept(text=reference.display))


def _of_condition(
    reference: Reference, seen: Medicine, entry: Entry, reading: Reading
) -> tuple[str, ...] | None:
    """The keys of the Condition that a reference leads to, looked into once however many do."""
    found, path = referred(reference, seen.contained, entry.path, entry, reading)
    if found is None or found.get("resourceType") != "Condition":
        return None
    if path not in reading.reasons:
        concept = view(found.get("code") or {}, CodeableConcept, f"{path}.code")
        reading.reasons[path] = reading.codes.concerns.conditions.keys_of(concept)
    return reading.reasons[path]


def _is_for_thyroid(seen: Medicine, entry: Entry, reading: Reading) -> bool:
    if not THYROID_REASONS.isdisjoint(reasons_of(seen, entry, reading) or ()):
        return True
    return any(_FOR[words] for words in instructions_in(seen))


def is_thyroid_reason(reason: CodeableConcept, codes: CodeTables) -> bool:
    """Whether a reason is one for which thyroid hormone is taken."""
    return not THYROID_REASONS.isdisjoint(codes.concerns.conditions.keys_of(reason))


_FOR = Remembered(is_for_thyroid, len)


def instructions_in(seen: Medicine) -> Iterator[str]:
    """What a medicine's dosages say in words."""
    dosages = seen.dosage if isinstance(seen, MedicationStatement) else ()
    dosages = seen.dosage_instruction if isinstance(seen, MedicationRequest) else dosages
    for dosage in dosages:
        yield from (words for words in (dosage.text, dosage.patient_instruction) if words)


def dosages_of(seen: Seen, entry: Entry) -> tuple[tuple[Dosage, ...], str]:
    """Its dosages, and the FHIRPath of their list.

    The whole instruction as R5 renders it is the words of a single dosage that has none.
    """
    stated = isinstance(seen, MedicationStatement)
    dosages = seen.dosage if isinstance(seen, MedicationStatement) else seen.dosages
    if seen.rendered_dosage_instruction and len(dosages) == 1 and not dosages[0].text:
        dosages = (replace(dosages[0], text=seen.rendered_dosage_instruction),)
    return dosages, f"{entry.path}.{'dosage' if stated else 'dosageInstruction'}"


def sayings_beside(
    seen: Seen, names: Sequence[str], entry: Entry, reading: Reading
) -> list[Saying]:
    """What a medicine says of its taking outside its dosages.

    It is as rendered, in notes, when taken, and in its `names`, unless the caller has said what
    it is. What was rendered from the texts of the dosages says nothing more than these.

    Raises
    ------
    Unreadable
        ``too-costly``, where there is too much to look through.
    """
    dosages, _ = dosages_of(seen, entry)
    written = characters_of_notes(seen.note)
    if seen.rendered_dosage_instruction:
        texts = sum(len(dosage.text or "") for dosage in dosages)
        written += len(seen.rendered_dosage_instruction) + texts
    reading.budget.spend_on_words(written, entry.path)
    said = list(words_of_notes(seen.note, f"{entry.path}.note", reading.codes.phrases))
    rendered = seen.rendered_dosage_instruction
    if rendered and _words(rendered) != _words(" ".join(d.text or "" for d in dosages)):
        said.insert(0, Saying(f"{entry.path}.renderedDosageInstruction", rendered))
    timing = seen.effective_timing if isinstance(seen, MedicationStatement) else None
    if timing is not None and says_how_often(timing):
        said.append(Saying(f"{entry.path}.effective", "", timing))
    if entry.path not in reading.notes.settled.meant:
        said += words_of_names(names, f"{entry.path}.medication", reading.codes.phrases)
    return said


def names_of(seen: Seen, concept: CodeableConcept | None) -> tuple[str, ...]:
    """What a medicine is called: by the concept that was read, and as it is referred to."""
    _, reference = named_in(seen)
    called = [reference.display] if reference else []
    if concept is not None:
        called += [concept.text, *(coding.display for coding in concept.coding)]
    return tuple(name for name in called if name)


def _words(text: str) -> str:
    return " ".join(re.findall(r"\w+", text))


def group_of(seen: Seen, combining: Combining) -> tuple[str, str] | None:
    """System and value of the identifier that ties orders together.

    Where a system keeps none, the orders of a series of ours are tied by the plan that they name.
    """
    if not isinstance(seen, MedicationRequest):
        return None
    group = seen.group_identifier
    if group and group.value:
        return group.system or "", group.value
    mark = mark_in(seen.extension, combining)
    return (PLAN_SYSTEM, mark.facts.plan_id) if mark else None


def names_source(seen: Seen) -> bool:
    """Whether a statement says what it was made from."""
    return isinstance(seen, MedicationStatement) and bool(seen.derived_from or seen.based_on)


def sources_of(seen: Seen, entry: Entry, reading: Reading) -> tuple[Entry, ...]:
    """The resources of the record that a statement was made from.

    Raises
    ------
    Asked
        where it cannot be told whether one is in the record.
    """
    if isinstance(seen, MedicationRequest):
        return ()
    named = {
        **{f"derivedFrom[{number}]": each for number, each in enumerate(seen.derived_from)},
        **{f"basedOn[{number}]": each for number, each in enumerate(seen.based_on)},
    }
    found = [_meant(each, element, entry, reading) for element, each in named.items()]
    return tuple(source for source in found if source is not None)


def replaced_by(seen: Seen, entry: Entry, reading: Reading) -> str | None:
    """The order of the record that this one takes the place of, by its own reference.

    Raises
    ------
    Asked
        where it cannot be told whether it is in the record.
    """
    if not isinstance(seen, MedicationRequest):
        return None
    found = _meant(seen.prior_prescription, "priorPrescription", entry, reading)
    return found.reference if found else None


def is_marked(seen: Seen, combining: Combining) -> bool:
    """Whether it is an order that says of what series of ours it is."""
    return isinstance(seen, MedicationRequest) and mark_in(seen.extension, combining) is not None


def statements_changed(seen: Seen, entry: Entry, reading: Reading) -> frozenset[str]:
    """The statements of the record whose medicine an order of a series of ours changes.

    An order can name no statement as its prior prescription: the series names it as supporting
    information. Of any other order that says nothing of what it replaces.
    """
    if not isinstance(seen, MedicationRequest) or not seen.supporting_information:
        return frozenset()
    if not is_marked(seen, reading.codes.combining):
        return frozenset()
    named = seen.supporting_information
    found = (
        reading.index.find(Reference(reference=each["reference"]), entry)
        for each in (named if isinstance(named, list) else ())
        if isinstance(each, dict) and isinstance(each.get("reference"), str)
    )
    return frozenset(e.reference for e in found if e and e.kind == "MedicationStatement")


def _meant(
    reference: Reference | None, element: str, entry: Entry, reading: Reading
) -> Entry | None:
    if reading.index.may_find(reference, entry):
        raise Asked(
            f"{entry.path}.{element}",
            "This may name a resource of the record or another one on another server. Which one?"
            " Give each entry its fullUrl.",
            Asks.OTHER,
        )
    return reading.index.find(reference, entry)
