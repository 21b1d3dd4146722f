"""Why a prescriber may set a card aside; published as a code system."""

from crossgrain.names.identity import canonical

OVERRIDE_REASON_SYSTEM = canonical("CodeSystem", "override-reason")
OVERRIDE_REASONS = {
    "dose-agreed": "The dose was agreed with the patient or a specialist",
    "labs-support": "Labs at hand support the dose as written",
    "old-medicine-ends": "The old medicine is ended elsewhere",
    "added-on-purpose": "The order is added to what is taken, on purpose",
    "first-step": "It is one step of a plan that is written elsewhere",
    "record-incomplete": "The record does not show what is taken",
}
