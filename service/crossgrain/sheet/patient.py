"""The patient's part: what to take, when blood is drawn, what to watch for; and as a calendar.

The sentences are short and the words plain: a test measures their reading grade.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

from crossgrain.catalogue import Catalogue
from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import Plan
from crossgrain.dosing.supply import Fate, HomeUse
from crossgrain.names.identity import SERVICE_NAME, stable_id, urn
from crossgrain.names.printing import decimal
from crossgrain.safety.rule import Severity
from crossgrain.sheet.days import BloodTest, PatientStep, Taking, blood_tests, day_words, months
from crossgrain.writing.at_home import home_words, supply_name
from crossgrain.writing.checkpoint import BEFORE_DOSE
from crossgrain.writing.checks import for_patient, title_of
from crossgrain.writing.dosage import count_each
from crossgrain.writing.elements import plain
from crossgrain.writing.letterhead import SERIES, Letterhead

if TYPE_CHECKING:
    from icalendar import Alarm, Event

GO_TO_HOSPITAL = (
    # Levothyroxine, liothyronine and desiccated thyroid labels, signs of too much hormone and
    # of an allergy, from memory; the wording and the advice to wait are common practice.
    "your chest hurts or feels tight",
    "you faint, or you are short of breath at rest",
    "your face or throat swells",
)
CALL_TODAY = (
    # Common practice, no source: the signs of a climb that is too fast.
    "your heart races, pounds or flutters",
    "you feel shaky, on edge or very hot",
    "you cannot sleep",
    "you throw up, or you are too weak to stand",  # adrenal crisis; labels, from memory
    "you are pregnant, or you may be",  # labels, from memory
)
CALL_SOON = (
    "you are much more tired than before",
    "you feel cold, slow or low",
    "you gain weight or your hands and face are puffy",
)

FATE_WORDS = {
    Fate.GOES_ON: "Go on",
    Fate.CHANGES: "Change",
    Fate.KEPT: "Keep for later",
    Fate.STOPS: "Stop",
}


@dataclass(frozen=True, slots=True)
class AtHome:
    """One supply at home: what becomes of it in a word, its name, and what to do when."""

    fate: Fate
    word: str
    name: str
    says: str


def part(
    letter: Letterhead,
    plan: Plan,
    steps: tuple[PatientStep, ...],
    at_home: Sequence[HomeUse],
    catalogue: Catalogue,
) -> dict[str, Any]:
    """What the patient's template shows; `at_home` is what becomes of the tablets at home."""
    start = letter.proposal.request.start
    draws = blood_tests(plan.labs, start, steps)
    return {
        "on_hold": on_hold(letter.proposal),
        "before_the_start": before_the_start(letter.proposal),
        "months": list(months(steps, [draw.day for draw in draws])),
        "day_words": day_words,
        "begins": start,
        "at_home": list(_at_home(letter, steps, at_home)),
        "how_to_take": list(_how_to_take(letter, plan)),
        "missed": list(missed_doses(steps)),
        "draws": draws,
        "on_the_day": BEFORE_DOSE,
        "other_checks": checks(letter),
        "biotin": _biotin(letter, catalogue),
        "spare_days": max((made.reserve_days for made in plan.prescriptions), default=0),
        "decision_day": start + timedelta(days=plan.checkpoint.decision_day),
        "go_to_hospital": GO_TO_HOSPITAL,
        "call_today": CALL_TODAY,
        "call_soon": CALL_SOON,
    }


@dataclass(frozen=True, slots=True)
class OwnCheck:
    """What a patient does or has done besides blood tests for the thyroid, and on which days."""

    name: str
    title: str
    says: str
    days: tuple[date, ...]


def checks(letter: Letterhead) -> tuple[OwnCheck, ...]:
    """The checks of the series, in a patient's words."""
    start = letter.proposal.request.start
    return tuple(
        OwnCheck(
            name=str(check.kind),
            title=title_of(check),
            says=for_patient(letter, check),
            days=tuple(start + timedelta(days=day) for day in check.days),
        )
        for check in letter.checks_in(SERIES)
    )


def on_hold(proposal: Proposal) -> bool:
    """Whether something must be done or confirmed before the plan may begin."""
    return bool(proposal.record.confirm) or any(
        finding.severity is Severity.HOLD for finding in proposal.findings
    )


def _fate_word(use: HomeUse) -> str:
    """What becomes of a supply; a stop that comes later must not be taken for one on day one."""
    waits = use.fate is Fate.STOPS and len(use.turns) > 1
    return "Stop later" if waits else FATE_WORDS[use.fate]


def before_the_start(proposal: Proposal) -> str:
    """What must have happened before the first step, and what is taken until then."""
    until = "Until then go on with your tablets as now."
    if on_hold(proposal):
        return (
            "Do not start yet. We must check some things first. We will tell you when to start."
            f" {until}"
        )
    return f"Start only when your prescriber has signed this plan. {until}"


def _at_home(
    letter: Letterhead, steps: Sequence[PatientStep], at_home: Sequence[HomeUse]
) -> Iterator[AtHome]:
    """Each supply at home, and what to do with it."""
    start = letter.proposal.request.start
    letters = {step.first: step.letter for step in steps}

    def words(number: int) -> str:
        day = start + timedelta(days=number)
        return f"{day_words(day)} (step {letters[day]})"

    for use in at_home:
        name = supply_name(use.supply)
        yield AtHome(
            fate=use.fate,
            word=_fate_word(use),
            name=name[:1].upper() + name[1:],
            says=home_words(use, words),
        )


def _how_to_take(letter: Letterhead, plan: Plan) -> Iterator[str]:
    lines = [line for step in plan.steps for line in step.lines]
    if any(line.preparation.t4_ug_per_unit for line in lines):
        # Levothyroxine label: on an empty stomach, half an hour to an hour before breakfast
        # (from memory), 4 hours apart from what binds it.
        yield "Take your tablets on an empty stomach, with water. Then wait half an hour to eat."
        yield "Take calcium, iron and antacids 4 hours before or after, not with them."
    if any(line.doses_per_day > 1 for line in lines):
        yield "Where it says bedtime, take that dose as you go to bed."
    yield from dict.fromkeys(f.instruction for f in letter.findings if f.instruction)
    pieces = ((line, piece) for line in lines if line.tablets for piece in line.tablets.pieces)
    if any(count_each(line, piece) % 1 for line, piece in pieces):
        yield "To take half a tablet, cut it with a pill cutter. Keep the other half for next time."
    yield "Do not change this plan or stop it by yourself. Call us first."


def missed_doses(steps: Sequence[PatientStep]) -> Iterator[str]:
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
            only_in = f" in {_steps(letters)}" if len(by_rule) > 1 else ""
            yield f"If you miss a dose of {medicine}{only_in}: {rule}"
    yield "Never take two doses at once to make up for one."


def _steps(letters: Sequence[str]) -> str:
    return f"step{'s' if len(letters) > 1 else ''} {', '.join(letters)}"


def _if_missed(doses_per_day: int | None, *, carries_t3: bool) -> str:
    if not carries_t3:
        return "take it later that day. On the next day, skip it."
    match doses_per_day:
        case 1:
            return "take it before the evening of that day. After that, skip it."
        case 2:
            return "take a morning dose by noon. After noon, skip it. Skip a missed bedtime dose."
        case _:
            return "skip it, and take the next one at its usual time."


def _biotin(letter: Letterhead, catalogue: Catalogue) -> str:
    """What to do about biotin before bloods, with the numbers of the safety rule."""
    if not any(finding.code == "biotin" for finding in letter.findings):
        return (
            "Tell us if you take biotin (it is in some hair and nail pills). It can spoil the test."
        )
    numbers = catalogue.rules.before["biotin"].numbers
    days, longer = (decimal(numbers[name].value) for name in ("days", "days_high"))
    return (
        f"Stop biotin {days} days before each test. If you take 10 mg or more a day, stop it"
        f" {longer} days before."
    )


REVIEW = (
    "Do you feel better with the two medicines than with one? If not, we go back to one. Go on with"
    " your tablets until we have talked."
)
_DAY = timedelta(days=1)


def calendar_file(
    plan_id: str,
    read_on: date,
    steps: Sequence[PatientStep],
    labs: Sequence[BloodTest],
    before_the_start: str,
    *,
    on_hold: bool,
    checks: Sequence[OwnCheck] = (),
    reviews: Sequence[date] = (),
) -> bytes:
    """One all-day event on the first day of every step, on every lab day, check and review.

    `before_the_start` opens the first step; each later one holds only if that began on its day.
    A title may be all that a calendar shows, so it says that tablets at home are put away, and
    of a first step on hold that it waits.

    The same plan gives the same bytes: names come from the plan's own, and the stamp is the
    day that the record was read.
    """
    from icalendar import Calendar  # noqa: PLC0415 - loaded when a calendar is first asked for

    calendar = Calendar()
    calendar.add("prodid", f"-//{SERVICE_NAME}//plan sheet//EN")
    calendar.add("version", "2.0")
    stamp = datetime.combine(read_on, time(), UTC)
    waiting = {test.before: test.day for test in labs if test.before}
    begun = f"Only if step {steps[0].letter} began on {day_words(steps[0].first)}."
    for place, step in enumerate(steps):
        opens = f"{begun}{heard_words(waiting.get(step.letter))}" if place else before_the_start
        more = f"{opens} {step_words(step)}"
        title = _title(step, waits=on_hold and not place)
        calendar.add_component(
            _event(f"{plan_id}|step|{step.letter}", stamp, step.first, title, more)
        )
    for test in labs:
        says = "Blood test, before the thyroid tablets"
        more = f"{BEFORE_DOSE}{waits_words(test)}"
        event = _event(f"{plan_id}|lab|{test.day}", stamp, test.day, says, more)
        event.add_component(_the_day_before())
        calendar.add_component(event)
    for check in checks:
        for day in check.days:
            name = f"{plan_id}|check|{check.name}|{day}"
            calendar.add_component(_event(name, stamp, day, check.title, check.says))
    for day in reviews:
        calendar.add_component(
            _event(f"{plan_id}|review|{day}", stamp, day, "Talk with us about your tablets", REVIEW)
        )
    written: bytes = calendar.to_ical()
    return written


def _title(step: PatientStep, *, waits: bool) -> str:
    if waits:
        return f"Thyroid tablets: do not begin step {step.letter} before we tell you"
    away = ", put old tablets away" if any(change.away for change in step.at_home) else ""
    return f"Thyroid tablets: step {step.letter} begins{away}"


def heard_words(drawn: date | None) -> str:
    """What a step waits for: that the result of a test is told."""
    if drawn is None:
        return ""
    return f" Call us first if you have not heard about the blood test of {day_words(drawn)}."


def waits_words(test: BloodTest) -> str:
    """What a patient must hear of a test before the step that waits for it."""
    if not test.before:
        return ""
    return (
        f" We read it before step {test.before} begins. Call us if you have not heard from us by"
        " then."
    )


def step_words(step: PatientStep) -> str:
    """What is taken each day of a step, and what changes for the tablets at home."""
    changes = (f"{change.what}: {change.name}." for change in step.at_home)
    return " ".join((*map(_words, step.takings), *changes))


def _words(taking: Taking) -> str:
    if not taking.tablets:
        return f"{taking.medicine}: go on as now."
    each = " and ".join(f"{tablet.words} of {tablet.strength}" for tablet in taking.tablets)
    return f"{taking.medicine}: {each} {taking.when}."


def _event(name: str, stamp: datetime, day: date, says: str, more: str) -> "Event":
    from icalendar import Event  # noqa: PLC0415

    event = Event()
    event.add("uid", urn(stable_id(name)))
    event.add("dtstamp", stamp)
    event.add("dtstart", day)
    event.add("dtend", day + _DAY)
    event.add("summary", says)
    event.add("description", plain(more))
    event.add("transp", "TRANSPARENT")
    return event


def _the_day_before() -> "Alarm":
    from icalendar import Alarm  # noqa: PLC0415

    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", "Blood test tomorrow")
    alarm.add("trigger", -_DAY / 2)
    return alarm
