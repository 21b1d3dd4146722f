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


def one(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    """A part that always stands once."""
    return PartDefinition(name, fhir_type, 1, "1", meaning)


def maybe(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    """A part that stands once or not at all."""
    return PartDefinition(name, fhir_type, 0, "1", meaning)


def many(name: str, meaning: str, *parts: PartDefinition) -> PartDefinition:
    """A part made of others, however often it stands."""
    return PartDefinition(name, "", 0, "*", meaning, parts)


DOSE = (
    maybe("lt4", "Quantity", "Levothyroxine a day, microgram"),
    maybe("lt3", "Quantity", "Liothyronine a day, microgram"),
    maybe("grains", "decimal", "Labelled grains of desiccated thyroid a day"),
)
RANGE = (
    one("lowest", "decimal", "Lowest value; 1 is the old regimen at steady state"),
    one("lowest-on", "date", "Day on which it is lowest"),
    one("highest", "decimal", "Highest value"),
    one("highest-on", "date", "Day on which it is highest"),
)
STATEMENT = PartDefinition(
    "statement", "", 0, "*", "One link of the rationale, in order",
    (
        one("title", "string", "What was concluded"),
        one("arithmetic", "string", "The arithmetic, spelled out"),
        PartDefinition("input", "string", 0, "*", "FHIRPath of an element that it rests on"),
        one("source", "string", "On whose word"),
    ),
)  # fmt: skip
EVIDENCE = PartDefinition(
    "evidence", "", 0, "1", "How the basis fared against published comparisons at the same TSH",
    (
        one("comparisons", "integer", "How many it was held against"),
        maybe("typical", "decimal", "Median of what it counts over what TSH said; 1 is right"),
        one("words", "string", "The same in words, with the ends"),
    ),
)  # fmt: skip
BASIS_HEAD = (
    one("id", "code", "The basis"),
    one("statement", "string", "What it says"),
    one("source", "string", "Where it comes from"),
    one("grade", "code", "How much stands behind it"),
    one("sets-checkpoint", "boolean", "Whether it steers the plan"),
)
"""What every answer says of a basis before its numbers."""
BASIS = PartDefinition(
    "basis", "", 0, "*", "What one basis of equivalence makes of the regimen taken now",
    (
        *BASIS_HEAD,
        one("chosen", "boolean", "Whether the target was taken from it"),
        maybe("lt4-equivalent", "Quantity", "LT4-equivalent of the regimen taken now"),
        *DOSE,
        maybe("refused", "string", "Why a chart gives no answer here"),
        EVIDENCE,
    ),
)  # fmt: skip
CHECKPOINT = PartDefinition(
    "checkpoint", "", 0, "1", "Where the plan waits for labs",
    (
        one("set-by", "code", "The basis with the smallest target along the climb"),
        *DOSE,
        PartDefinition("held", "", 0, "1", "What is taken meanwhile, where that is more", DOSE),
        one("reached-on", "date", "Day on which its dose is reached"),
        one("labs-on", "date", "Day on which blood is drawn"),
        one("decision-on", "date", "Day on which one branch starts"),
        PartDefinition(
            "rung", "", 0, "*", "Each basis' target in climbing order",
            (one("basis", "code", "The basis"), *DOSE),
        ),
    ),
)  # fmt: skip
COVERAGE = (
    one("basis", "code", "The basis"),
    *RANGE,
    one("at-end", "decimal", "At the end of the checkpoint hold"),
    one("secant", "boolean", "Whether a table chart was replaced by its secant"),
)
FORECAST = PartDefinition(
    "forecast", "", 0, "2", "What the model predicts under one prior therapy",
    (
        one("prior-therapy", "code", "What happens to the old medicine: overlap or stop"),
        one("chosen", "boolean", "Whether it is the one proposed"),
        PartDefinition(
            "coverage", "", 1, "*", "Modelled hormone over that of the old regimen, on one basis",
            COVERAGE,
        ),
        PartDefinition(
            "coverage-of-need", "", 0, "*",
            "The same over that of need times the old regimen, taken from day one on; 1 is what is"
            " needed",
            COVERAGE,
        ),
        PartDefinition(
            "t3-exposure", "", 1, "1", "The whole T3 pool over the old regimen's",
            (*RANGE, one("at-end", "decimal", "At the end of the checkpoint hold")),
        ),
        PartDefinition(
            "t4-pool", "", 0, "1", "The T4 pool over the old regimen's, where that held T4", RANGE
        ),
        one("t4-pool-end", "Quantity", "The T4 pool at the end of the hold, microgram"),
        one("steady-on", "date", "First day that the model calls steady"),
        PartDefinition(
            "band", "", 0, "1", "The same over the whole band of the model's parameters",
            (
                one("lowest-coverage-from", "decimal", "Lowest coverage, at worst"),
                one("lowest-coverage-to", "decimal", "Lowest coverage, at best"),
                one("highest-t3-exposure-from", "decimal", "Highest T3 exposure, at least"),
                one("highest-t3-exposure-to", "decimal", "Highest T3 exposure, at most"),
            ),
        ),
    ),
)  # fmt: skip
READING = (
    one("lt4-equivalent", "Quantity", "LT4-equivalent of what would be taken"),
    one("ratio", "decimal", "That over the LT4-equivalent of the regimen taken now"),
    *RANGE,
)
ORDER = PartDefinition(
    "order", "", 0, "1", "The draft order, judged as written against the regimen taken now",
    (
        PartDefinition("verdict", "code", 1, "*", "What is said of it, the one to lead with first"),
        one("decided-on", "code", "The basis that decided"),
        one("ending", "string", "What the record says of the old medicine"),
        PartDefinition(
            "basis", "", 1, "*", "The order on one basis",
            (
                one("id", "code", "The basis"),
                one("sets-checkpoint", "boolean", "Whether it steers a plan"),
                one("now", "Quantity", "LT4-equivalent of the regimen taken now"),
                one("order", "Quantity", "LT4-equivalent of the order"),
                PartDefinition("switched", "", 1, "1", "If the old medicine stops", READING),
                PartDefinition("both", "", 1, "1", "If the old medicine is left running", READING),
            ),
        ),
        one("t3-now", "Quantity", "Swallowed T3 a day now, microgram"),
        one("t3-switched", "Quantity", "Swallowed T3 a day if the old medicine stops"),
        one("t3-both", "Quantity", "Swallowed T3 a day if it is left running"),
        one("t3-exposure-switched", "decimal", "Highest T3 exposure if the old medicine stops"),
        one("t3-exposure-both", "decimal", "Highest T3 exposure if it is left running"),
    ),
)  # fmt: skip
RATIONALE_PARTS = (
    one("as-of", "date", "The day that the record was read"),
    one("start", "date", "Day one of the plan"),
    maybe("target", "code", "What the patient is to move to"),
    one("requested-basis", "code", "The basis that the target is taken from"),
    one("pace", "code", "How fast the doses were asked to climb"),
    one("prior-therapy", "code", "What was asked for the old medicine"),
    ORDER,
    maybe("planned-pace", "code", "How fast they do: a finding may slow them"),
    maybe("planned-prior-therapy", "code", "What is planned: a finding may rule `stop` out"),
    maybe("need", "decimal", "What is needed by today's TSH, as a part of what is taken now"),
    STATEMENT,
    BASIS,
    maybe("spread", "decimal", "Highest target over lowest, over the bases that steer the plan"),
    PartDefinition(
        "aim", "", 0, "1", "The chosen basis' target",
        (*DOSE, PartDefinition("tablets", "string", 0, "*", "The orderable dose nearest to it")),
    ),
    CHECKPOINT,
    FORECAST,
)  # fmt: skip
