"""The figures that the answers are held to, written down from their sources a second time.

Nothing here is read from the service. A figure without a publisher is marked: common practice, or
a judgement of this project, which a prescriber may dispute.
"""

from typing import Final

# --- what a product holds ---------------------------------------------------------------------
# Label of desiccated thyroid (US): one grain holds 38 µg T4 and 9 µg T3, in the family of 60 mg
# and in that of 65 mg a grain. The others hold what they are labelled with.
GRAIN_T4_UG, GRAIN_T3_UG = 38.0, 9.0
GRAIN_MG: Final = {"d60": 60.0, "d65": 65.0}
# Labels, how supplied; the 65-mg family: value set 2.16.840.1.113883.3.464.1003.196.12.1354
STRENGTHS_MG: Final = {
    "d60": {15, 30, 60, 90, 120, 180, 240, 300},
    "d65": {16.25, 32.5, 48.75, 65, 81.25, 97.5, 113.75, 130, 146.25, 162.5, 195, 260, 325},
}

SMALLEST: Final = {"lt4": 12.5, "lt3": 5.0, "d60": 15.0, "d65": 16.25}
"""The least that can be ordered: half of 25 µg LT4, which is scored, else the weakest tablet
(labels, how supplied)."""

# --- the charts -------------------------------------------------------------------------------
PER_LT3: Final = {
    "practice": 2.0,  # common practice, no source
    "label": 4.0,  # label of desiccated thyroid: T3 "about four times as potent"
    "trial": 115.2 / 40.3,  # Celi et al., Clin Endocrinol 2010;72:709, abstract
    "content": 3.3,  # common practice: 3.3-3.4 on TSH
}
"""µg LT4 that one µg of LT3 stands for."""
PER_GRAIN: Final = {
    "practice": 50.0,  # common practice, no source
    "label": 100.0,  # 60 mg = LT4 100 µg, a monograph as quoted
    "trial": 88.0,  # Hoang et al., J Clin Endocrinol Metab 2013;98:1982, as quoted
    "content": GRAIN_T4_UG + 3.3 * GRAIN_T3_UG,  # arithmetic on the label's content
}
"""µg LT4 that one labelled grain stands for."""
CHARTS: Final = tuple(PER_LT3)

# --- draws ------------------------------------------------------------------------------------
MOST_BETWEEN_DRAWS = 56
"""Levothyroxine label: TSH every 6-8 weeks until normal, and 6-8 weeks after any change."""
MOST_BETWEEN_DRAWS_PREGNANT = 28
"""ATA 2017, quick reference: every four weeks in pregnancy."""
READ_BEFORE_A_STEP = (3, 7)
"""Days from a draw to the step that it is read before: our judgement."""
WEEK_FOUR = (21, 28)
"""Desiccated thyroid label: readjust within the first four weeks; under a stop, our judgement."""
WEEK = 7
SETTLED_DAYS = 42
"""TSH six weeks after a dose that is kept (ATA 2014, 4-8 weeks, from memory)."""
RECENT_DAYS = 14
"""Results so old are recent by anybody's rule: our judgement."""
RESERVE_DAYS = 14
"""Tablets past the decision day: our judgement."""

# --- how much -------------------------------------------------------------------------------
RAISE, RAISE_ABOVE_10 = 1.08, 1.12
STEP_BACK, STEP_BACK_SUPPRESSED = 0.90, 0.80
MOST_COVERED = 1.25
"""Our judgement, all five."""
MOST_UG_PER_KG, MOST_UG_PER_KG_PREGNANT = 2.0, 2.4
"""Our judgement, above the 1.6 µg/kg of full replacement (ATA 2014, secondary)."""
MOST_COVERED_PREGNANT = 1.5
"""Our judgement."""
SETTLED = 0.95
"""Of a dose, six weeks on: four half-lives of T4 and more (label, 6-7 days, from memory)."""
LT3_ONCE_UG = 5.0
"""ETA 2012, abstract: LT3 in two doses a day; one tablet of 5 µg cannot be parted."""
LT3_STEP_UG = 5.0
"""Liothyronine label: steps of 5 µg in the older or cardiac; for a single dose our judgement."""
LT3_SINGLE_UG = 25.0
"""Our judgement: above it in one dose a named act comes first."""
RATIO: Final = (13.0, 20.0)
"""ETA 2012, Eur Thyroid J 1:55, abstract: T4 to T3 by weight."""
TABLETS_OFF = 0.05
"""By which tablets may miss it: half the pharmacopoeial tolerance on content, our judgement."""
# --- the patient's own TSH ---------------------------------------------------------------------
TSH_USUAL: Final = (0.4, 4.0)
"""Where the laboratory gives no range (secondary)."""
TSH_HIGH_FROM_70 = 6.0
"""ATA 2014, as summarised: 4-6 acceptable at 70-80 years."""
TSH_HIGH_PREGNANT = 2.5
"""ATA 2017, quick reference."""
HEART_AGE = 65
"""ATA 2014; Am Fam Physician 2017;95:710: from this age heart and bone are at risk."""
SUPPRESSED = 0.1
"""Am Fam Physician 2017;95:710: below it over-replaced."""
EXACT = 1e-6
"""To compare sums of floats."""
