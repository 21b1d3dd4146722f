"""Several resources for one medicine: counted once where they say so, asked where not."""

from itertools import combinations

from crossgrain.fhir.read.errors import Asked
from crossgrain.fhir.read.medication_entries import Taken
from crossgrain.fhir.read.notes import Notes
from crossgrain.fhir.read.record import MedicineEntry
from crossgrain.fhir.read.resolve import local


def counted_once(taken: list[Taken], notes: Notes) -> tuple[MedicineEntry, ...]:
    """The medicines taken, without orders that a newer order or a statement stands for.

    Two of one hormone that are not tied together may be one medicine written twice: asked,
    unless one group identifier says that they were ordered together.
    """
    kept = _without_replaced(taken, notes)
    kept = _without_restated(kept, notes)
    for first, second in combinations(kept, 2):
        if first.kind is second.kind and not (first.group and first.group == second.group):
            notes.ask(
                Asked(
                    second.entry.path,
                    f"Two {first.kind} medicines are active ({first.entry.path} and"
                    f" {second.entry.path}). Are both taken, or is one of them the other? If"
                    " both, give the orders one groupIdentifier.",
                )
            )
    return tuple(t.entry for t in kept)


def _without_replaced(taken: list[Taken], notes: Notes) -> list[Taken]:
    replaced = {local(t.replaces) for t in taken if t.replaces}
    kept = []
    for each in taken:
        if local(each.entry.reference) in replaced:
            notes.unread(each.entry.path, "not counted as taken: a newer order replaces it")
        else:
            kept.append(each)
    return kept


def _without_restated(taken: list[Taken], notes: Notes) -> list[Taken]:
    """Drop an order that a statement was made from; ask where their doses differ."""
    by_reference = {local(t.entry.reference): t for t in taken}
    dropped: set[str] = set()
    for statement in taken:
        for source in map(local, statement.stems_from):
            order = by_reference.get(source)
            if order is None or order is statement:
                continue
            if _daily(order) != _daily(statement):
                notes.ask(
                    Asked(
                        statement.entry.path,
                        "The statement was made from an order of another dose. Which is taken?",
                    )
                )
                continue
            dropped.add(source)
            notes.unread(
                order.entry.path, "counted once: a statement made from it is in the record"
            )
    return [t for t in taken if local(t.entry.reference) not in dropped]


def _daily(taken: Taken) -> tuple[tuple[str, object], ...]:
    return tuple((line.preparation.id, line.daily) for line in taken.entry.lines)
