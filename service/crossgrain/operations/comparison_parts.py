"""The names under which ``$compare-bases`` answers: one table, published in its definition."""

from crossgrain.writing.rationale_parts import EVIDENCE, PartDefinition


def _one(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    return PartDefinition(name, fhir_type, 1, "1", meaning)


def _maybe(name: str, fhir_type: str, meaning: str) -> PartDefinition:
    return PartDefinition(name, fhir_type, 0, "1", meaning)


def _many(name: str, meaning: str, *parts: PartDefinition) -> PartDefinition:
    return PartDefinition(name, "", 0, "*", meaning, parts)


EXPRESSION = _one("expression", "string", "FHIRPath of the element")
QUESTION = _one("question", "string", "What is asked")
COMPARISON_PARTS = (
    _one("outcome", "code", "compared, or data-required where questions stand in the way"),
    _one("as-of", "date", "The day that the record was read"),
    _one("target", "code", "What is compared"),
    _many("question", "What must be answered first", EXPRESSION, QUESTION),
    _many("to-confirm", "What was read from text", EXPRESSION, QUESTION),
    _many(
        "not-read",
        "What was passed over and could matter",
        EXPRESSION,
        _one("why", "string", "Why it was passed over"),
    ),
    _maybe(
        "plan-running",
        "string",
        "A plan is under way, so that these are doses in its midst, or those of its last supply",
    ),
    PartDefinition(
        "daily-hormone",
        "",
        0,
        "1",
        "What is taken now; in the midst of a plan, what its last supply was until yesterday",
        (
            _one("t4", "Quantity", "T4 a day, microgram"),
            _one("t3", "Quantity", "T3 a day, microgram"),
        ),
    ),
    _many(
        "basis",
        "What one basis makes of it",
        _one("id", "code", "The basis"),
        _one("statement", "string", "What it says"),
        _one("source", "string", "Where it comes from"),
        _one("grade", "code", "How much stands behind it"),
        _one("sets-checkpoint", "boolean", "Whether it steers a plan"),
        _maybe("refused", "string", "Why a chart gives no answer here"),
        _maybe("lt4-equivalent", "Quantity", "LT4-equivalent of what is taken now"),
        _maybe("target-lt4", "Quantity", "Levothyroxine a day, microgram"),
        _maybe("target-lt3", "Quantity", "Liothyronine a day, microgram"),
        _maybe("target-desiccated-thyroid", "Quantity", "Labelled grains a day"),
        EVIDENCE,
    ),
    _one("caution", "string", "Who decides"),
)
