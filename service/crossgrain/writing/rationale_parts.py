"""The names under which an answer's working is given: one table, published and used.

The contained Parameters of a GuidanceResponse holds exactly these parts.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PartDefinition:
    """One parameter or part: name, FHIR type (empty where it has parts), how many, meaning."""

    name: str
    type: str
    minimum: int
    maximum: str
    meaning: str
    parts: tuple["PartDefinition", ...] = ()


def _one(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    return PartDefinition(name, fhir_type, 1, "1", meaning)


def _maybe(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    return PartDefinition(name, fhir_type, 0, "1", meaning)


DOSE = (
    _maybe("lt4", "Quantity", "Levothyroxine a day, microgram"),
    _maybe("lt3", "Quantity", "Liothyronine a day, microgram"),
    _maybe("grains", "decimal", "Labelled grains of desiccated thyroid a day"),
)
RANGE = (
    _one("lowest", "decimal", "Lowest value; 1 is the old regimen at steady state"),
    _one("lowest-on", "date", "Day on which it is lowest"),
    _one("highest", "decimal", "Highest value"),
    _one("highest-on", "date", "Day on which it is highest"),
)
STATEMENT = PartDefinition(
    "statement", "", 0, "*", "One link of the rationale, in order",
    (
        _one("title", "string", "What was concluded"),
        _one("arithmetic", "string", "The arithmetic, spelled out"),
        PartDefinition("input", "string", 0, "*", "FHIRPath of an element that it rests on"),
        _one("source", "string", "On whose word"),
    ),
)  # fmt: skip
EVIDENCE = PartDefinition(
    "evidence", "", 0, "1", "How the basis fared against published comparisons at the same TSH",
    (
        _one("comparisons", "integer", "How many it was held against"),
        _maybe("typical", "decimal", "Median of what it counts over what TSH said; 1 is right"),
        _one("words", "string", "The same in words, with the ends"),
    ),
)  # fmt: skip
BASIS = PartDefinition(
    "basis", "", 0, "*", "What one basis of equivalence makes of the regimen taken now",
    (
        _one("id", "code", "The basis"),
        _one("statement", "string", "What it says"),
        _one("source", "string", "Where it comes from"),
        _one("grade", "code", "How much stands behind it"),
        _one("sets-checkpoint", "boolean", "Whether it steers the plan"),
        _one("chosen", "boolean", "Whether the target was taken from it"),
        _maybe("lt4-equivalent", "Quantity", "LT4-equivalent of the regimen taken now"),
        *DOSE,
        _maybe("refused", "string", "Why a chart gives no answer here"),
        EVIDENCE,
    ),
)  # fmt: skip
CHECKPOINT = PartDefinition(
    "checkpoint", "", 0, "1", "Where the plan waits for labs",
    (
        _one("set-by", "code", "The basis with the smallest target along the climb"),
        *DOSE,
        PartDefinition("held", "", 0, "1", "What is taken meanwhile, where that is more", DOSE),
        _one("reached-on", "date", "Day on which its dose is reached"),
        _one("labs-on", "date", "Day on which blood is drawn"),
        _one("decision-on", "date", "Day on which one branch starts"),
        PartDefinition(
            "rung", "", 0, "*", "Each basis' target in climbing order",
            (_one("basis", "code", "The basis"), *DOSE),
        ),
    ),
)  # fmt: skip
FORECAST = PartDefinition(
    "forecast", "", 0, "2", "What the model predicts under one prior therapy",
    (
        _one("prior-therapy", "code", "What happens to the old medicine: overlap or stop"),
        _one("chosen", "boolean", "Whether it is the one proposed"),
        PartDefinition(
            "coverage", "", 1, "*", "Modelled hormone over that of the old regimen, on one basis",
            (
                _one("basis", "code", "The basis"),
                *RANGE,
                _one("at-end", "decimal", "At the end of the checkpoint hold"),
                _one("secant", "boolean", "Whether a table chart was replaced by its secant"),
            ),
        ),
        PartDefinition(
            "t3-exposure", "", 1, "1", "The whole T3 pool over the old regimen's",
            (*RANGE, _one("at-end", "decimal", "At the end of the checkpoint hold")),
        ),
        PartDefinition(
            "t4-pool", "", 0, "1", "The T4 pool over the old regimen's, where that held T4", RANGE
        ),
        _one("t4-pool-end", "Quantity", "The T4 pool at the end of the hold, microgram"),
        _one("steady-on", "date", "First day that the model calls steady"),
        PartDefinition(
            "band", "", 0, "1", "The same over the whole band of the model's parameters",
            (
                _one("lowest-coverage-from", "decimal", "Lowest coverage, at worst"),
                _one("lowest-coverage-to", "decimal", "Lowest coverage, at best"),
                _one("highest-t3-exposure-from", "decimal", "Highest T3 exposure, at least"),
                _one("highest-t3-exposure-to", "decimal", "Highest T3 exposure, at most"),
            ),
        ),
    ),
)  # fmt: skip
READING = (
    _one("lt4-equivalent", "Quantity", "LT4-equivalent of what would be taken"),
    _one("ratio", "decimal", "That over the LT4-equivalent of the regimen taken now"),
    *RANGE,
)
ORDER = PartDefinition(
    "order", "", 0, "1", "The draft order, judged as written against the regimen taken now",
    (
        PartDefinition("verdict", "code", 1, "*", "What is said of it, the one to lead with first"),
        _one("decided-on", "code", "The basis that decided"),
        _one("ending", "string", "What the record says of the old medicine"),
        PartDefinition(
            "basis", "", 1, "*", "The order on one basis",
            (
                _one("id", "code", "The basis"),
                _one("sets-checkpoint", "boolean", "Whether it steers a plan"),
                _one("now", "Quantity", "LT4-equivalent of the regimen taken now"),
                _one("order", "Quantity", "LT4-equivalent of the order"),
                PartDefinition("switched", "", 1, "1", "If the old medicine stops", READING),
                PartDefinition("both", "", 1, "1", "If the old medicine is left running", READING),
            ),
        ),
        _one("t3-now", "Quantity", "Swallowed T3 a day now, microgram"),
        _one("t3-switched", "Quantity", "Swallowed T3 a day if the old medicine stops"),
        _one("t3-both", "Quantity", "Swallowed T3 a day if it is left running"),
        _one("t3-exposure-switched", "decimal", "Highest T3 exposure if the old medicine stops"),
        _one("t3-exposure-both", "decimal", "Highest T3 exposure if it is left running"),
    ),
)  # fmt: skip
RATIONALE_PARTS = (
    _one("as-of", "date", "The day that the record was read"),
    _one("start", "date", "Day one of the plan"),
    _maybe("target", "code", "What the patient is to move to"),
    _one("requested-basis", "code", "The basis that the target is taken from"),
    _one("pace", "code", "How fast the doses were asked to climb"),
    _one("prior-therapy", "code", "What was asked for the old medicine"),
    ORDER,
    _maybe("planned-pace", "code", "How fast they do: a finding may slow them"),
    _maybe("planned-prior-therapy", "code", "What is planned: a finding may rule `stop` out"),
    STATEMENT,
    BASIS,
    _maybe("spread", "decimal", "Highest target over lowest, over the bases that steer the plan"),
    PartDefinition(
        "aim", "", 0, "1", "The chosen basis' target",
        (*DOSE, PartDefinition("tablets", "string", 0, "*", "The orderable dose nearest to it")),
    ),
    CHECKPOINT,
    FORECAST,
)  # fmt: skip
