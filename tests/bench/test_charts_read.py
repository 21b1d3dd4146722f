"""How many charts are read without a question, of those whose dose a pharmacist could tell.

The charts are our own, composed for this test: no real record is among them, and whoever wrote the
reader wrote them too, so the shares tell what is covered and not what a clinic will see. The shapes
are those of order entry, pharmacies and medication plans (common practice, no source), written
into records of the FHIR R4 examples' form. What is expected was worked out by hand, as µg of T4 and
of T3 a day. A wrong dose, or one that is passed over in silence, fails whatever the share is.
"""

from collections.abc import Iterator
from fractions import Fraction

import pytest
from tests.unit.reading.records import (
    LT4_100,
    RXNORM,
    TABLET,
    THYROID_60,
    Json,
    dosage,
    read,
    repeat,
    request,
    statement,
    ucum,
)

Dose = tuple[int | str, int | str]
"""T4 and T3 a day, µg."""
Chart = tuple[list[Json], Dose]
ONE_A_DAY: Dose = (100, 0)


def named(text: str, **more: object) -> Json:
    return {"text": text, **more}


def us(sig: str, **more: object) -> Json:
    """An order as an EHR of the United States files it: a code of RxNorm, and the sig as text."""
    medicine = {
        "coding": [{"system": RXNORM, "code": "892246",
                    "display": "levothyroxine sodium 0.1 MG Oral Tablet"}],
        "text": "levothyroxine 100 mcg tablet",
    }  # fmt: skip
    return request(medicine, {"text": sig}, **more)


US_SIGS: dict[str, Dose] = {
    "Take 1 tablet (100 mcg total) by mouth daily.": ONE_A_DAY,
    "Take 1 tablet (100 mcg total) by mouth daily. Take on an empty stomach.": ONE_A_DAY,
    "Take 1 tablet by mouth every morning before breakfast.": ONE_A_DAY,
    "Take 1 tablet by mouth 1 (one) time each day.": ONE_A_DAY,
    "Take 1.5 tablets (150 mcg) by mouth daily": (150, 0),
    "Take 0.5 tablets (50 mcg total) by mouth daily": (50, 0),
    "TAKE 1 TABLET BY MOUTH EVERY DAY": ONE_A_DAY,
    "TAKE ONE TABLET BY MOUTH ONCE DAILY ON AN EMPTY STOMACH": ONE_A_DAY,
    "1 tab(s), Oral, Daily, 90 tab(s)": ONE_A_DAY,
    "1 tab(s), Oral, Daily, # 90 tab(s), 3 Refill(s)": ONE_A_DAY,
    "100 mcg = 1 tab(s), Oral, Daily": ONE_A_DAY,
    "1 tablet in the morning on an empty stomach Orally Once a day": ONE_A_DAY,
    "1 tablet Orally Once a day, 90 days, 3 refills": ONE_A_DAY,
    "take 1 tablet by oral route every day": ONE_A_DAY,
    "Take 1 tablet by mouth daily for 90 days": ONE_A_DAY,
    "1 po qd": ONE_A_DAY,
    "1 tab po qam": ONE_A_DAY,
    "TK 1 T PO QAM": ONE_A_DAY,
    "Take 1 tablet daily except Sunday": ("600/7", 0),
    "Take 1 tablet Mon-Fri and 1.5 tablets Sat-Sun": ("800/7", 0),
    "Take 2 tablets by mouth every Sunday and 1 tablet all other days": ("800/7", 0),
    "Take 1 tablet by mouth six days a week": ("600/7", 0),
    "Take 1 tablet by mouth every other day": (50, 0),
    "Take 1 tablet by mouth nightly at bedtime": ONE_A_DAY,
    "Take one tablet by mouth daily as directed": ONE_A_DAY,
    "Take 1 tablet alternating with 2 tablets every other day": (150, 0),
    "100 mcg once a day": ONE_A_DAY,
    "Levothyroxine 100 mcg PO daily": ONE_A_DAY,
    "1 tablet by mouth daily at 6 am": ONE_A_DAY,
    "Take 1 tablet by mouth daily for hypothyroidism": ONE_A_DAY,
}
NEW = {"authoredOn": "2026-03-01", "id": "new"}
SUPPLY = {"dispenseRequest": {"expectedSupplyDuration": ucum(90, "d")}}
US: list[Chart] = [
    *(([us(sig)], dose) for sig, dose in US_SIGS.items()),
    ([request(LT4_100, TABLET)], ONE_A_DAY),
    ([us("1 tab daily", **SUPPLY, authoredOn="2025-12-01"), us("1 tab daily", **NEW)], ONE_A_DAY),
    ([us("1 tab daily", authoredOn="2025-10-01"), us("1 tab daily", **NEW)], ONE_A_DAY),
    ([us("1 tab daily"), statement(LT4_100, TABLET)], ONE_A_DAY),
    ([request(LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=1, period=1, periodUnit="d",
                                                       when=["ACM"]))),
      statement(LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=1, period=1, periodUnit="d",
                                                         when=["MORN"])))], ONE_A_DAY),
    ([request(LT4_100, dosage(ucum(1, "{tbl}"), repeat(dayOfWeek=["mon", "tue", "wed", "thu",
                                                                  "fri"])), id="a"),
      request(LT4_100, dosage(ucum(2, "{tbl}"), repeat(dayOfWeek=["sat", "sun"])), id="b")],
     ("900/7", 0)),
    ([request(LT4_100, dosage(ucum(1, "{tbl}"), repeat(frequency=1, period=1, periodUnit="d",
                                                       when=["MORN", "ACM"]), text="daily"))],
     ONE_A_DAY),
    ([request(THYROID_60, TABLET)], (38, 9)),
    ([request(named("thyroid 60 mg tablet"), {"text": "Take 1 tablet by mouth daily"})], (38, 9)),
    ([request(named("liothyronine 5 mcg tablet"), {"text": "Take 1 tablet 2 (two) times daily"})],
     (0, 10)),
    ([us("1 tab daily"),
      request(named("liothyronine 5 mcg tablet"), {"text": "1 tablet daily"}, id="t3")], (100, 5)),
    ([us("1 tab daily"), request(named("metformin"), {"text": "as directed"}, id="m",
                                 status="unknown")], ONE_A_DAY),
]  # fmt: skip
TABLET_100 = {
    "de": "Levothyroxin-Natrium 100 Mikrogramm Tabletten", "fr": "lévothyroxine 100 µg comprimé",
    "es": "levotiroxina 100 microgramos comprimido", "it": "levotiroxina 100 mcg compresse",
    "nl": "levothyroxine 100 mcg tablet", "da": "levothyroxin 100 mikrogram tablet",
    "sv": "levotyroxin 100 mikrogram tablett", "nb": "levotyroksin 100 mikrogram tablett",
    "pt": "levotiroxina 100 mcg comprimido", "cs": "levothyroxin 100 mcg tableta",
    "pl": "lewotyroksyna 100 mcg tabletka", "en": "levothyroxine 100microgram tablets",
}  # fmt: skip
SIGS_ELSEWHERE = {
    "de": ("1-0-0", "1-0-0-0", "morgens 1 Tablette nüchtern", "1x1 tgl."),
    "fr": ("1 comprimé le matin à jeun", "1 cp/j", "1 comprimé par jour"),
    "es": ("1 comprimido cada 24 horas", "1 comprimido al día en ayunas", "1 comp en ayunas"),
    "it": ("1 compressa al mattino a digiuno", "1 cp al dì"),
    "nl": ("1 dd 1", "1x per dag 1 tablet", "D1T"),
    "da": ("1 tablet daglig", "1 tablet morgen"),
    "sv": ("1 tablett 1 gång dagligen", "1x1", "1 tablett kl 8"),
    "nb": ("1 tablett daglig", "1 tablett x 1"),
    "pt": ("1 comprimido por dia", "1 comprimido de manhã em jejum"),
    "cs": ("1-0-0", "1 tbl. ráno nalačno"),
    "pl": ("1x1", "1 tabletka rano na czczo"),
    "en": ("ONE TO BE TAKEN EACH DAY", "1 nocte", "one each morning", "take 1 om"),
}
ELSEWHERE: list[Chart] = [
    ([statement(named(TABLET_100[language]), {"text": sig})], ONE_A_DAY)
    for language, sigs in SIGS_ELSEWHERE.items()
    for sig in sigs
]
ASKED: list[list[Json]] = [
    [us("Take 1 tablet (88 mcg total) by mouth daily")],
    [us("Take 1-2 tablets by mouth daily")],
    [us("Take as directed")],
    [us("Take 1 tablet daily, then 2 tablets daily")],
    [us("1 tablet daily for 7 days")],
    [us("1 tablet")],
    [us("2x1")],
    [us("1 tab daily", authoredOn="2026-01-05"), us("2 tabs daily", **NEW)],
    [statement(named("levothyroxine"), {"text": "1 tablet daily"})],
    [statement(named("levothyroxine / potassium iodide 100/150"), TABLET)],
    [statement(named("levothyroxine 100 µg"), {"text": "1 tablett x 2"})],
    [statement(named("Levothyroxin 100"), {"text": "1 Tablette morgen"})],
]
"""Charts of which a person would ask too."""


def judged(charts: list[Chart]) -> Iterator[str]:
    """What becomes of each chart: read, asked, silent or wrong."""
    for resources, (t4, t3) in charts:
        record = read(*resources)
        told = (record.regimen.t4_ug, record.regimen.t3_ug)
        if record.questions:
            yield "asked"
        elif told == (0, 0):
            yield "silent"
        else:
            yield "read" if told == (Fraction(t4), Fraction(t3)) else "wrong"


@pytest.mark.parametrize(
    ("where", "charts", "least"), [("US-shaped", US, 0.95), ("elsewhere", ELSEWHERE, 0.6)]
)
def test_charts_are_read_without_a_question(where: str, charts: list[Chart], least: float) -> None:
    found = list(judged(charts))
    share = found.count("read") / len(found)
    print(f"{where}: {found.count('read')} of {len(found)} read without a question ({share:.0%})")
    assert set(found) <= {"read", "asked"}
    assert share >= least


@pytest.mark.parametrize("resources", ASKED)
def test_a_chart_of_which_a_person_would_ask_is_asked_about(resources: list[Json]) -> None:
    assert read(*resources).questions
