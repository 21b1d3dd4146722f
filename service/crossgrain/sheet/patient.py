"""The patient's page: what to take, what to fetch and put away, when blood is drawn, whom to call.

The sentences stand in the locale's file, short and plain: a test measures their reading grade.
"""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Any

from markupsafe import Markup

from crossgrain.catalogue import Catalogue
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.supply import Fate, HomeUse
from crossgrain.names.printing import decimal
from crossgrain.names.values import frozen
from crossgrain.reading.record import Record
from crossgrain.sheet.days import BloodTest, PatientStep, blood_tests, months
from crossgrain.sheet.locale import Locale
from crossgrain.writing.at_home import SENTENCES, home_words
from crossgrain.writing.checks import for_patient, title_of
from crossgrain.writing.dosage import count_each
from crossgrain.writing.lab_requests import BEFORE_DOSE
from crossgrain.writing.letterhead import SERIES, Letterhead

# When to get help (`help` in the locale's file). Ambulance: signs of too much hormone and of an
# allergy by the labels of levothyroxine, liothyronine and desiccated thyroid, from memory; the
# wording and the advice to wait are common practice. The same day: signs of a climb that is too
# fast, common practice, no source; adrenal crisis and pregnancy by the labels, from memory.

_SHOWN_AT_ONCE = 8
"""Steps beside each other in one table of questions; more do not fit on paper."""


@frozen
class AtHome:
    """One supply at home: what becomes of it in a word, its name, and what to do when."""

    fate: Fate
    word: str
    name: str
    says: str


@frozen
class Fetched:
    """One thing to fetch: by which day, its number from day 1 on, what, and how many."""

    by: str
    number: int
    what: str
    count: int


def part(
    letter: Letterhead,
    plan: Plan,
    steps: tuple[PatientStep, ...],
    at_home: Sequence[HomeUse],
    catalogue: Catalogue,
    locale: Locale,
) -> dict[str, Any]:
    """What the patient's template shows; `at_home` is what becomes of the tablets at home."""
    start = letter.proposal.request.start
    draws = blood_tests(plan.labs, start, steps)
    return {
        "say": locale.say,
        "words_of": locale.words,
        "locale": locale,
        "on_hold": on_hold(letter),
        "before_the_start": before_the_start(letter, locale),
        "now_taken": now_taken(letter.proposal.record, locale),
        "moves_to": locale.listed(
            list(
                dict.fromkeys(
                    locale.medicine(line.preparation)
                    for line in plan.aim_tablets or plan.steps[-1].lines
                )
            )
        ),
        "act": letter.going_on.act.act if letter.going_on and letter.going_on.act else "",
        "months": list(months(steps, [draw.day for draw in draws], locale)),
        "weekdays": [(locale.first_weekday + day) % 7 for day in range(7)],
        "begins": start,
        "at_home": list(_at_home(letter, steps, at_home, locale)),
        "fetch": list(_fetched(letter, plan, locale)),
        "how_to_take": list(_how_to_take(letter, plan, locale)),
        "missed": list(missed_doses(steps, locale)),
        "draws": [(draw, draw_words(draw, locale)) for draw in draws],
        "waited_for": any(draw.before for draw in draws),
        "on_the_day": locale.of_english(BEFORE_DOSE),
        "other_checks": [_check_words(check, locale) for check in checks(letter, locale)],
        "biotin": _biotin(letter, catalogue, locale),
        "spare_days": max((made.reserve_days for made in plan.prescriptions), default=0),
        "decision_day": start + timedelta(days=plan.checkpoint.decision_day),
        "questions": [locale.of_english(item.text) for item in catalogue.codes.how_it_goes.item],
        "step_groups": [
            steps[first : first + _SHOWN_AT_ONCE] for first in range(0, len(steps), _SHOWN_AT_ONCE)
        ],
    }


def now_taken(record: Record, locale: Locale) -> str:
    """What is taken now, a dose of a mean day for each medicine."""
    daily: dict[str, tuple[Any, Any]] = {}
    for line in record.regimen:
        _, before = daily.get(line.preparation.id, (line.preparation, 0))
        daily[line.preparation.id] = line.preparation, before + line.daily
    return locale.listed(
        [
            f"{locale.medicine(preparation)} {locale.amount(preparation, amount)}"
            for preparation, amount in daily.values()
        ]
        or ["–"]
    )


@frozen
class OwnCheck:
    """What a patient does or has done besides blood tests for the thyroid, and on which days."""

    name: str
    title: str
    says: str
    days: tuple[date, ...]


def checks(letter: Letterhead, locale: Locale) -> tuple[OwnCheck, ...]:
    """The checks of the series, in a patient's words."""
    start = letter.proposal.request.start
    return tuple(
        OwnCheck(
            name=str(check.kind),
            title=locale.of_english(title_of(check)),
            says=locale.of_english(for_patient(letter, check)),
            days=tuple(start + timedelta(days=day) for day in check.days),
        )
        for check in letter.checks_in(SERIES)
    )


def _check_words(check: OwnCheck, locale: Locale) -> Markup:
    days = ", ".join(map(locale.day, check.days))
    return locale.say("tests.check", says=check.says, days=days)


def on_hold(letter: Letterhead) -> bool:
    """Whether something must be done or confirmed before the plan may begin."""
    return _is_open(letter) and letter.waits(SERIES, 0)


def _is_open(letter: Letterhead) -> bool:
    return bool(letter.holds or letter.proposal.record.confirm)


def before_the_start(letter: Letterhead, locale: Locale) -> str:
    """What must have happened before the first step, and what is taken until then."""
    if on_hold(letter):
        return locale.plain("head.wait", until=locale.words["head.until"])
    start = locale.plain("head.start", until=locale.words["head.until"])
    return f"{start} {locale.words['head.rise']}" if _rises_on_hold(letter) else start


def _rises_on_hold(letter: Letterhead) -> bool:
    """Whether a later step waits for what is on hold; what was ordered before does not."""
    going_on = letter.going_on
    rises = going_on is not None and not going_on.result and SERIES.name in going_on.rises
    return rises and _is_open(letter)


def _at_home(
    letter: Letterhead, steps: Sequence[PatientStep], at_home: Sequence[HomeUse], locale: Locale
) -> Iterator[AtHome]:
    """Each supply at home, and what to do with it."""
    start = letter.proposal.request.start
    letters = {step.first: step.letter for step in steps}

    def words(number: int) -> str:
        day = start + timedelta(days=number)
        return locale.plain("home.in-step", day=locale.day(day), letter=letters[day])

    for use in at_home:
        name = locale.box(use.supply.preparation, use.supply.strength)
        yield AtHome(
            fate=use.fate,
            word=locale.words[f"home.{_fate_key(use)}"],
            name=name[:1].upper() + name[1:],
            says=home_words(use, words, lambda key: locale.of_english(SENTENCES[key])),
        )


def _fate_key(use: HomeUse) -> str:
    """What becomes of a supply; a stop that comes later must not be taken for one on day one."""
    waits = use.fate is Fate.STOPS and len(use.turns) > 1
    return "stops-later" if waits else str(use.fate)


def _fetched(letter: Letterhead, plan: Plan, locale: Locale) -> Iterator[Fetched]:
    """The pharmacy list."""
    start = letter.proposal.request.start
    for made in plan.prescriptions:
        yield Fetched(
            by=locale.dated(start + timedelta(days=made.first_day)),
            number=made.first_day + 1,
            what=locale.box(made.preparation, made.strength),
            count=made.tablets,
        )


def _how_to_take(letter: Letterhead, plan: Plan, locale: Locale) -> Iterator[str]:
    lines = [line for step in plan.steps for line in step.lines]
    if any(line.preparation.t4_ug_per_unit for line in lines):
        # Levothyroxine label: on an empty stomach, half an hour to an hour before breakfast
        # (from memory), 4 hours apart from what binds it.
        yield locale.words["how.empty-stomach"]
        yield locale.words["how.binders"]
    if any(line.doses_per_day > 1 for line in lines):
        yield locale.words["how.bedtime"]
    yield from dict.fromkeys(
        locale.of_english(f.instruction) for f in letter.findings if f.instruction
    )
    pieces = ((line, piece) for line in lines if line.tablets for piece in line.tablets.pieces)
    if any(count_each(line, piece) % 1 for line, piece in pieces):
        yield locale.words["how.half"]
    yield locale.words["how.no-change"]


def missed_doses(steps: Sequence[PatientStep], locale: Locale) -> Iterator[str]:
    """What to do about a missed dose: per medicine, by how often it is taken.

    Public leaflets of all three medicines say: when it is remembered, unless the next is near,
    and never two at once. How near is too near is our judgement: T3 peaks within hours, so two
    doses of it must not meet, while a late dose of T4 alone does no harm on its own day.
    """
    rules: dict[str, dict[str, list[str]]] = {}
    for step in steps:
        for taking in step.takings:
            rule = _if_missed(taking.doses_per_day, carries_t3=taking.carries_t3)
            letters = rules.setdefault(taking.medicine, {}).setdefault(rule, [])
            if step.letter not in letters:  # the morning's and the bedtime's dose are one medicine
                letters.append(step.letter)
    for medicine, by_rule in rules.items():
        for rule, letters in by_rule.items():
            says = locale.words[f"missed.{rule}"]
            if len(by_rule) == 1:
                yield locale.say("missed.line", medicine=medicine, rule=says)
                continue
            key = "missed.steps" if len(letters) > 1 else "missed.step"
            named = locale.plain(key, letters=", ".join(letters))
            yield locale.say("missed.line-in", medicine=medicine, steps=named, rule=says)
    yield locale.words["missed.never-two"]


def _if_missed(doses_per_day: int | None, *, carries_t3: bool) -> str:
    """The rule by its key."""
    if not carries_t3:
        return "later"
    match doses_per_day:
        case 1:
            return "before-evening"
        case 2:
            return "by-noon"
        case _:
            return "skip"


def draw_words(draw: BloodTest, locale: Locale) -> Markup:
    """A blood test in the patient's list."""
    if draw.number is None:
        return locale.say("tests.before-start", day=locale.day(draw.day))
    day = locale.plain("tests.numbered", day=locale.day(draw.day), number=draw.number)
    if draw.before:
        return locale.say("tests.before-step", day=day, letter=draw.before)
    return locale.say("tests.on", day=day)


def _biotin(letter: Letterhead, catalogue: Catalogue, locale: Locale) -> str:
    """What to do about biotin before bloods, with the numbers of the safety rule."""
    if not any(finding.code == "biotin" for finding in letter.findings):
        return locale.words["tests.biotin"]
    numbers = catalogue.rules.before["biotin"].numbers
    days, longer = (decimal(numbers[name].value) for name in ("days", "days_high"))
    return locale.plain("tests.biotin-stop", days=days, longer=longer)
