"""What of the record findings and orders go back to, by the input's own references."""

from collections.abc import Iterable, Iterator
from typing import Any

from crossgrain.core.proposal import Proposal
from crossgrain.reading.elements import CodeableConcept
from crossgrain.reading.medication_resources import HYPOTHYROID_REASONS
from crossgrain.reading.record import Record
from crossgrain.writing.at_home import judged_orders
from crossgrain.writing.elements import plain


class Origins:
    """Where findings come from, by the input's own references."""

    def __init__(self, record: Record) -> None:
        self._patient = record.patient_reference
        self._known = frozenset(record.references)
        self._at = {entry.path: entry.reference for entry in (*record.drafts, *record.current)}
        self._at |= dict(zip(record.paths, record.references, strict=False))

    def reference_to(self, origin: str) -> dict[str, Any]:
        """A finding's origin as a Reference.

        An origin that leads to no resource we can name is shown as it is, not turned into a
        reference that might point elsewhere.
        """
        if origin == "Patient":
            return {"reference": self._patient}
        if origin in self._known:
            return {"reference": origin}
        path = origin
        while path:
            if path in self._at:
                return {"reference": self._at[path]}
            path = path.rpartition(".")[0]
        return {"display": plain(origin)}


MOST_REASONS = 3
"""That an order names."""


def reasons_for(proposal: Proposal) -> dict[str, Any]:
    """Why the hormone is ordered, as far as the record itself says: the elements of an order.

    Every hypothyroidism on the list of conditions that is not over, by reference. Where there is
    none, the reason that the order under judgement gives, else the medicines taken now.
    """
    record = proposal.record
    origins = Origins(record)
    listed = [
        origins.reference_to(known.origin)
        for known in record.facts.conditions or ()
        if known.active and known.key in HYPOTHYROID_REASONS
    ]
    named = _first_of(reference for reference in listed if "reference" in reference)
    if named:
        return {"reasonReference": named}
    said = _first_of(map(_written, _reasons_said(proposal)))
    return {"reasonCode": said} if said else {}


def _reasons_said(proposal: Proposal) -> Iterator[CodeableConcept]:
    for entries in (judged_orders(proposal), proposal.record.current):
        said = [reason for entry in entries for reason in entry.reasons]
        if said:
            yield from said
            return


def _first_of(found: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each once, and no more than a reader takes in: every order repeats them."""
    kept: list[dict[str, Any]] = []
    for each in found:
        if each not in kept:
            kept.append(each)
        if len(kept) == MOST_REASONS:
            break
    return kept


def _written(reason: CodeableConcept) -> dict[str, Any]:
    """A reason as the record has it."""
    codings = [
        {
            key: plain(value)
            for key, value in (
                ("system", coding.system), ("code", coding.code), ("display", coding.display),
            )
            if value
        }
        for coding in reason.coding
    ]  # fmt: skip
    words = {"text": plain(reason.text)} if reason.text else {}
    return {**({"coding": codings} if codings else {}), **words}


def handed_on(reasons: dict[str, Any]) -> dict[str, Any]:
    """The elements for one more order: no two places of an answer hold the same object."""
    return {
        name: [
            {
                key: [{**coding} for coding in value] if isinstance(value, list) else value
                for key, value in each.items()
            }
            for each in found
        ]
        for name, found in reasons.items()
    }
