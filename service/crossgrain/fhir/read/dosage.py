"""One FHIR ``Dosage`` to the amounts of a cycle of days, or a question.

Everything that could change the dose is either read, compared or asked about. Free text is
read by the grammar in `sig`; a dose that stands only there is to be confirmed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.medicines import Product, line_of_dose
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.quantities import Amount, amount_of, plain
from crossgrain.fhir.read.schedule import Schedule
from crossgrain.fhir.read.sig import Part, Sig, read_sig
from crossgrain.fhir.read.timing import schedule_of
from crossgrain.fhir.read.units import Dimension
from crossgrain.fhir.read.views import Dosage, DoseAndRate


@dataclass(frozen=True, slots=True)
class ReadDose:
    """What one dosage says.

    Attributes
    ----------
    preparation : the product line, now certain
    cycle : amount of each day, in its unit
    from_text : the dose or its timing stands only in words
    assumed : what was settled on the way and is to be confirmed, or empty
    """

    preparation: Preparation
    cycle: tuple[Fraction, ...]
    from_text: bool = False
    assumed: str = ""


def read_dosage(
    dosage: Dosage,
    product: Product,
    preparations: Mapping[str, Preparation],
    path: str,
    notes: Notes,
) -> ReadDose:
    """The dose of one dosage.

    Raises
    ------
    Asked
        for whatever leaves the dose uncertain.
    """
    _refuse_modifiers(dosage, path)
    amounts = _amounts(dosage.dose_and_rate, path)
    structured = schedule_of(dosage.timing, f"{path}.timing") if dosage.timing else None
    sig = read_sig(dosage.text) if dosage.text else None
    _say_what_was_passed_over(dosage, path, sig, notes)
    if not amounts or structured is None:
        return _partly_from_text(dosage, amounts, structured, sig, product, preparations, path)
    doses = [_scaled(amount, structured, product, preparations, place) for place, amount in amounts]
    dose = _agreeing(doses, path)
    if sig:
        _compare(dose, sig, product, preparations, path)
    return dose


def _refuse_modifiers(dosage: Dosage, path: str) -> None:
    if dosage.modifier:
        raise Asked(
            f"{path}.modifierExtension",
            "The dosage carries a modifier that is not known. What dose is taken?",
        )
    if dosage.dose_quantity is not None or dosage.dose_range is not None:
        raise Asked(
            path,
            "The dosage is in the shape of STU3: its dose stands outside doseAndRate. What"
            " dose is taken, in the shape of R4?",
        )
    as_needed = dosage.as_needed_boolean or dosage.as_needed
    if as_needed or dosage.as_needed_codeable_concept or dosage.as_needed_for:
        raise Asked(
            f"{path}.asNeeded",
            "The dose is taken as needed. How much is taken on a usual day?",
        )


def _amounts(doses: Sequence[DoseAndRate], path: str) -> list[tuple[str, Amount]]:
    found: list[tuple[str, Amount]] = []
    for number, dose in enumerate(doses):
        place = f"{path}.doseAndRate[{number}]"
        if dose.rate_quantity or dose.rate_range or dose.rate_ratio:
            raise Asked(f"{place}.rate", "The dose is a rate. How much is taken at a time?")
        if dose.dose_range:
            found.append((f"{place}.dose", _range(dose, f"{place}.dose")))
        elif dose.dose_quantity:
            found.append((f"{place}.dose", amount_of(dose.dose_quantity, f"{place}.dose")))
    return found


def _range(dose: DoseAndRate, path: str) -> Amount:
    low = dose.dose_range and dose.dose_range.low
    high = dose.dose_range and dose.dose_range.high
    if low and high:
        ends = amount_of(low, f"{path}.low"), amount_of(high, f"{path}.high")
        if ends[0] == ends[1]:
            return ends[0]
    raise Asked(path, "The dose is a range. Which dose is taken as a rule?")


def _say_what_was_passed_over(dosage: Dosage, path: str, sig: Sig | None, notes: Notes) -> None:
    if dosage.text and sig is None and dosage.dose_and_rate:
        notes.unread(f"{path}.text", "the words were not compared with the coded dose")
    if dosage.patient_instruction:
        notes.unread(f"{path}.patientInstruction", "free text is not read here")
    if dosage.additional_instruction:
        notes.unread(f"{path}.additionalInstruction", "additional instructions are not read")
    if dosage.max_dose_per_period:
        notes.unread(f"{path}.maxDosePerPeriod", "an upper limit is not a dose taken")
    if dosage.timing and dosage.timing.repeat and dosage.timing.repeat.count is not None:
        notes.unread(f"{path}.timing.repeat.count", "the number of doses was not counted down")


def _partly_from_text(
    dosage: Dosage,
    amounts: list[tuple[str, Amount]],
    structured: Schedule | None,
    sig: Sig | None,
    product: Product,
    preparations: Mapping[str, Preparation],
    path: str,
) -> ReadDose:
    """A dose whose amount, timing or both stand only in words."""
    if sig is None:
        raise _missing(dosage, bool(amounts), structured is not None, path)
    if amounts and len(sig.parts) > 1:
        raise Asked(path, "The coded dose and the words differ. Which one is taken?")
    doses: list[ReadDose] = []
    for part in sig.parts:
        if structured and not structured.same_as(part.schedule):
            raise Asked(path, "The coded timing and the words differ. Which one is right?")
        stated = [*amounts, *((f"{path}.text", amount) for amount in _said(part))]
        doses.append(
            _agreeing(
                [
                    _scaled(amount, structured or part.schedule, product, preparations, place)
                    for place, amount in _usable(stated, product)
                ],
                path,
            )
        )
    return _summed(doses)


def _said(part: Part) -> list[Amount]:
    return [part.amount] if part.mass is None else [part.mass, part.amount]


def _usable(stated: list[tuple[str, Amount]], product: Product) -> list[tuple[str, Amount]]:
    """Leave out tablets of unknown strength where a mass stands beside them."""
    known = product.strength is not None or product.strength_grains is not None
    masses = [s for s in stated if s[1].dimension is not Dimension.PIECE]
    return masses if masses and not known else stated


def _missing(dosage: Dosage, has_dose: bool, has_timing: bool, path: str) -> Asked:
    where = f"{path}.text" if dosage.text else path
    words = " The words could not be read with certainty." if dosage.text else ""
    if has_dose:
        return Asked(where, f"How often is the dose taken?{words}")
    if has_timing:
        return Asked(where, f"How much is taken at a time?{words}")
    return Asked(where, f"How much is taken, and how often?{words}")


def _scaled(
    amount: Amount,
    schedule: Schedule,
    product: Product,
    preparations: Mapping[str, Preparation],
    path: str,
) -> ReadDose:
    """One amount, taken as scheduled, in the unit of the product line."""
    line, each, assumed = _in_labelled_unit(amount, product, preparations, path)
    return ReadDose(line, tuple(each * doses for doses in schedule.doses), assumed=assumed)


def _in_labelled_unit(
    amount: Amount, product: Product, preparations: Mapping[str, Preparation], path: str
) -> tuple[Preparation, Fraction, str]:
    if amount.dimension is Dimension.PIECE:
        return _pieces(amount.value, product, preparations, path)
    if amount.dimension is Dimension.GRAIN:
        return _grains(amount.value, product, preparations, path)
    micrograms = amount.value
    if amount.dimension is Dimension.VOLUME:
        if product.per_ml is None:
            raise Asked(path, f"The dose is {plain(amount.value)} mL. How much is in one mL?")
        micrograms *= product.per_ml
    if product.kind is not Kind.DESICCATED_THYROID:
        return _certain(product, path), micrograms, ""
    mg = micrograms / 1000
    line = product.preparation or line_of_dose(product.kind, mg, preparations)
    if line is None:
        raise Asked(
            path,
            f"{plain(mg)} mg of desiccated thyroid: is it labelled with 60 or with 65 mg per"
            " grain?",
        )
    return line, mg, ""


def _certain(product: Product, path: str) -> Preparation:
    if product.preparation is None:
        raise Asked(path, f"Which {product.kind} preparation is taken?")
    return product.preparation


def _pieces(
    count: Fraction, product: Product, preparations: Mapping[str, Preparation], path: str
) -> tuple[Preparation, Fraction, str]:
    if product.strength is not None:
        return _certain(product, path), count * product.strength, ""
    if product.strength_grains is not None:
        return _grains(count * product.strength_grains, product, preparations, path)
    raise Asked(path, f"The dose is {plain(count)} tablet. What is the strength of one tablet?")


def _grains(
    grains: Fraction, product: Product, preparations: Mapping[str, Preparation], path: str
) -> tuple[Preparation, Fraction, str]:
    """A labelled grain holds the same hormone in either family, so the dose is certain."""
    if product.kind is not Kind.DESICCATED_THYROID:
        raise Asked(path, f"{plain(grains)} grain of {product.kind}: what is it in µg?")
    line = product.preparation
    assumed = ""
    if line is None:
        line = next(p for p in preparations.values() if p.mg_per_grain == 60)
        assumed = (
            f"{plain(grains)} grain was read as {plain(grains * 60)} mg labelled with 60 mg per"
            " grain; the hormone is the same per labelled grain. Which tablets are taken?"
        )
    return line, grains * (line.mg_per_grain or 0), assumed


def _agreeing(doses: list[ReadDose], path: str) -> ReadDose:
    """Several ways to state one dose (ordered in tablets, calculated in µg) must agree."""
    if len({(dose.preparation.id, dose.cycle) for dose in doses}) > 1:
        amounts = " and ".join(
            f"{plain(max(dose.cycle))} {dose.preparation.unit}" for dose in doses
        )
        raise Asked(f"{path}.doseAndRate", f"The dose is given as {amounts}. Which one is taken?")
    return doses[0]


def _summed(doses: list[ReadDose]) -> ReadDose:
    """The parts of one text, day by day (``100 on weekdays, 50 at the weekend``)."""
    first = doses[0]
    if len(doses) == 1:
        return ReadDose(first.preparation, first.cycle, True, first.assumed)
    days = tuple(sum(day, Fraction(0)) for day in zip(*(d.cycle for d in doses), strict=True))
    return ReadDose(first.preparation, days, True, first.assumed)


def _compare(
    dose: ReadDose,
    sig: Sig,
    product: Product,
    preparations: Mapping[str, Preparation],
    path: str,
) -> None:
    """The words beside a coded dose must say the same mean amount a day."""
    try:
        words = [
            _agreeing(
                [
                    _scaled(amount, part.schedule, product, preparations, path)
                    for _, amount in _usable([(path, a) for a in _said(part)], product)
                ],
                path,
            )
            for part in sig.parts
        ]
    except Asked:
        return  # the words alone would not give a dose; the coded one stands
    said = sum((sum(d.cycle, Fraction(0)) / len(d.cycle) for d in words), Fraction(0))
    coded = sum(dose.cycle, Fraction(0)) / len(dose.cycle)
    if said != coded:
        unit = "µg" if dose.preparation.unit == "ug" else "mg"
        raise Asked(
            path,
            f"The coded dose comes to {plain(coded)} {unit} a day and the words to"
            f" {plain(said)}. Which one is taken?",
        )
