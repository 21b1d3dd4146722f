"""The extension that says which series an order or a care plan is part of.

One table of its parts: the writer, the reader and the published StructureDefinition follow it.
"""

from crossgrain.names.identity import canonical
from crossgrain.names.values import frozen

SERIES_ID = "switch-series"
SERIES_URL = canonical("StructureDefinition", SERIES_ID)
CONTEXTS = ("CarePlan", "MedicationRequest")
MOST_BYTES = 2000
"""What it may take, written without spaces."""
MOST_ACTS = 4
"""How many of the last visits it tells of."""


@frozen
class ExtensionPart:
    """One part: its name, how often it stands, its FHIR type, and what it says.

    `parts` are those inside it; then it has no value of its own.
    """

    name: str
    minimum: int
    maximum: str
    type: str
    meaning: str
    parts: tuple["ExtensionPart", ...] = ()

    @property
    def value_key(self) -> str:
        """The name of its value in JSON.

        >>> ExtensionPart("step", 0, "1", "positiveInt", "").value_key
        'valuePositiveInt'
        """
        return f"value{self.type[:1].upper()}{self.type[1:]}"


_PREPARATION = ExtensionPart(
    "preparation", 1, "1", "code", "The product line, as in the code system of preparations."
)
PARTS = (
    ExtensionPart("plan", 1, "1", "id", "The plan: the value of the orders' groupIdentifier."),
    ExtensionPart(
        "step", 0, "1", "positiveInt", "On an order: the step that its first day opens, from 1."
    ),
    ExtensionPart("steps", 0, "1", "positiveInt", "On an order: how many steps there are."),
    ExtensionPart(
        "branch",
        0,
        "1",
        "code",
        "On an order of the checkpoint's options: tsh-very-high, tsh-high, tsh-high-free-t3-high,"
        " tsh-in-range, symptoms-in-range, tsh-low or tsh-very-low. The steps are then counted from"
        " the decision.",
    ),
    ExtensionPart(
        "order",
        0,
        "1",
        "",
        "On an order: what it orders. Where the order itself says otherwise it was changed, and"
        " is no longer a step of the plan.",
        (
            _PREPARATION,
            ExtensionPart("strength", 1, "1", "Quantity", "Of one tablet, as labelled."),
            ExtensionPart(
                "dose",
                1,
                "*",
                "string",
                "One for each instruction, in their order: the amount of this product a day in"
                " the unit of its strength, in how many equal doses, the first and the last day,"
                " separated by spaces.",
            ),
        ),
    ),
    ExtensionPart(
        "original",
        1,
        "*",
        "",
        "What was taken before day one: one for each preparation and cycle.",
        (
            _PREPARATION,
            ExtensionPart(
                "cycle",
                1,
                "1",
                "string",
                "The amount of each day of a repeating cycle, separated by spaces: micrograms,"
                " for desiccated thyroid milligrams. Seven begin on Monday, one is every day. A"
                " number without an exact decimal is written as 100/3.",
            ),
        ),
    ),
    ExtensionPart("target", 1, "1", "code", "The option target of $propose-switch."),
    ExtensionPart("basis", 1, "1", "code", "The option basis: the chart aimed at."),
    ExtensionPart("pace", 1, "1", "code", "The pace that was planned with."),
    ExtensionPart(
        "prior-therapy", 1, "1", "code", "The option prior-therapy that was planned with."
    ),
    ExtensionPart("ratio", 0, "1", "decimal", "T4:T3 by weight, for LT4 with LT3."),
    ExtensionPart(
        "guideline", 0, "1", "boolean", "True where LT4 with LT3 is composed by LT3 = x/20."
    ),
    ExtensionPart(
        "t3-share", 0, "1", "decimal", "The part that LT3 carries beside desiccated thyroid."
    ),
    ExtensionPart(
        "desiccated-family", 1, "1", "code", "The strength family of desiccated thyroid."
    ),
    ExtensionPart(
        "most-generous",
        0,
        "1",
        "boolean",
        "True where LT4 started at no less than the most generous sourced target, as in pregnancy.",
    ),
    ExtensionPart("day-one", 1, "1", "date", "The first day of the plan."),
    ExtensionPart("decision", 1, "1", "date", "The day on which the checkpoint's labs decide."),
    ExtensionPart(
        "checkpoint",
        1,
        "1",
        "",
        "The dose a day at which the climb waits for labs.",
        (
            ExtensionPart("levothyroxine", 0, "1", "Quantity", "Levothyroxine."),
            ExtensionPart("liothyronine", 0, "1", "Quantity", "Liothyronine."),
            ExtensionPart("grains", 0, "1", "decimal", "Labelled grains of desiccated thyroid."),
        ),
    ),
    ExtensionPart(
        "need", 1, "1", "decimal", "Need factor on the original dose; 1 where none was set."
    ),
    ExtensionPart(
        "tables", 1, "1", "string", "Digest of the charts and tablets it was computed from."
    ),
    ExtensionPart("lt3-doses", 0, "1", "positiveInt", "The option lt3-doses, where it was given."),
    ExtensionPart("weekly-pattern", 0, "1", "boolean", "True where LT4 comes in whole tablets."),
    ExtensionPart(
        "another-product", 0, "1", "boolean", "True where desiccated thyroid is of another product."
    ),
    ExtensionPart(
        "leaning",
        0,
        "2",
        "code",
        "What the taper leaned away from: too-much in heart disease, osteoporosis and older age,"
        " too-little in pregnancy.",
    ),
    ExtensionPart(
        "planned",
        0,
        "*",
        "string",
        "On a care plan: what is taken of one product line over the steps, ordered or not. The"
        " line, the first day, then for each change the day counted from it, a colon, and the"
        " amount a day in the line's unit; what is 0 is not taken, and the last number is the day"
        " after the steps.",
    ),
    ExtensionPart(
        "titration", 0, "1", "boolean", "True where the dose of what is taken is adjusted: no move."
    ),
    ExtensionPart(
        "act",
        0,
        str(MOST_ACTS),
        "string",
        "What a visit after the first ended with, the oldest first: the day, the act, for what, and"
        " of a branch which, separated by spaces.",
    ),
)
