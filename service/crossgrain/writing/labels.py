"""Short forms for where there is little room: the plan sheet, the terminal, tables."""

from crossgrain.core.proposal import Outcome
from crossgrain.dosing.plan import SwitchPart
from crossgrain.dosing.preparations import Kind

TITLES = {
    Outcome.PLAN: "A proposed switch",
    Outcome.STOP: "No switch is proposed: this must be settled first",
    Outcome.DATA_REQUIRED: "No switch is proposed yet: these questions come first",
}
PARTS = {SwitchPart.OLD: "old", SwitchPart.NEW: "new", SwitchPart.SHARED: "kept"}
"""Which side of the switch a medicine is on."""
NAMES = {
    Kind.LEVOTHYROXINE: "LT4",
    Kind.DESICCATED_THYROID: "desiccated",
    Kind.LIOTHYRONINE: "LT3",
    Kind.FIXED_RATIO: "fixed ratio, T4",
    Kind.COMPOUNDED: "compounded",
}
"""In the order in which a combination is written."""
