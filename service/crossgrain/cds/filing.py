"""The proposal as a card files it: each resource once, short, and pointing only at what is there.

Left out are the page for reading, which repeats the coded content; the options at the checkpoint
and their rules, since which of them is taken is asked again once the labs are there; and the
findings, which the card itself tells.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from crossgrain.names.identity import stable_id, urn

Resource = dict[str, Any]
_FILED = ("CarePlan", "MedicationRequest", "ServiceRequest", "Task")
_LEFT_OUT = ("text", "detectedIssue")
LABORATORY = "108252007"
"""SNOMED CT: laboratory procedure."""


class Series:
    """The resources of one proposal, as they are filed."""

    def __init__(self, answer: Resource, in_words: Callable[[str], str]) -> None:
        """`in_words` writes the client's own references into any text."""
        every = [entry["resource"] for entry in answer["entry"]]
        proposed = [
            {key: value for key, value in each.items() if key not in _LEFT_OUT}
            for each in every
            if each["resourceType"] in _FILED
            and each.get("intent") != "option"
            and each["status"] == "draft"  # what else there is the client has already
        ]
        self._own = {urn(each["id"]) for each in every}
        self._in_words = in_words
        self._resources: list[Resource] = []
        self._named: dict[str, str] = {}
        mornings: dict[str, list[Resource]] = {}
        for each in proposed:
            mornings.setdefault(_blood_of(each) or each["id"], []).append(each)
        for together in mornings.values():
            filed = _one_draw(together)
            name = f"{filed['resourceType']}/{filed['id']}"
            self._named |= {urn(each["id"]): name for each in together}
            self._resources.append(filed)

    def resources(self) -> list[Resource]:
        """Everything, each pointing at the rest by ``Type/id``; the care plan first."""
        plan, *others = [self._pointing(each, self._named) for each in self._resources]
        return [plan, *said_once(plan, others, but_from=min(map(first_day, self.orders())))]

    def orders(self) -> list[Resource]:
        """The orders, pointing at nothing but the patient's record, by their first day."""
        return sorted(self._alone("MedicationRequest"), key=first_day)

    def course(self, beside: Iterable[Resource]) -> Resource:
        """The care plan, pointing at what is filed beside it and at the patient's record."""
        ids = {each["id"] for each in beside}
        named = {own: name for own, name in self._named.items() if name.partition("/")[2] in ids}
        (plan,) = (each for each in self._resources if each["resourceType"] == "CarePlan")
        return dict(self._pointing(plan, named))

    def ends(self) -> list[Resource]:
        """What ends the old medicine."""
        return [task for task in self._alone("Task") if "focus" in task]

    def first_draw(self) -> list[Resource]:
        """The first blood test, then what is measured besides on its day."""
        asked = sorted(self._alone("ServiceRequest"), key=day_asked)
        first = next((day_asked(each) for each in asked if _blood_of(each)), "")
        return self.draw_on(first)

    def draw_on(self, day: str) -> list[Resource]:
        """The blood test of a day, then what is measured besides on it."""
        of_that_day = [each for each in self._alone("ServiceRequest") if day_asked(each) == day]
        return sorted(of_that_day, key=lambda each: not _blood_of(each))

    def first_of(self, preparations: frozenset[str]) -> Resource:
        """The first order for one of these; where there is none, the first for what is new."""
        orders = self.orders()
        for_it = [each for each in orders if preparation_of(each) in preparations]
        new = [each for each in orders if preparation_of(each) not in _taken_before(each)]
        return [*for_it, *new, *orders][0]

    def beside(self, first: Resource) -> list[Resource]:
        """The orders that begin while the first one lasts, but for its own later strengths."""
        return [
            each
            for each in self.orders()
            if each["id"] != first["id"]
            and first_day(each) <= last_day(first)
            and (
                preparation_of(each) != preparation_of(first) or first_day(each) == first_day(first)
            )
        ]

    def _alone(self, kind: str) -> Iterator[Resource]:
        found = (each for each in self._resources if each["resourceType"] == kind)
        return (self._pointing(each, {}) for each in found)

    def _pointing(self, node: Any, named: Mapping[str, str]) -> Any:
        """The node with our own resources by name; what points at others of ours is left out."""
        if isinstance(node, str):
            return named.get(node) or self._in_words(node)
        if isinstance(node, dict):
            target = node.get("reference")
            if isinstance(target, str) and target in self._own and target not in named:
                return None
            pairs = ((key, self._pointing(value, named)) for key, value in node.items())
            return {key: value for key, value in pairs if value not in (None, [], {})}
        if isinstance(node, list):
            items = [self._pointing(item, named) for item in node]
            return [item for n, item in enumerate(items) if item and item not in items[:n]]
        return node


def _blood_of(resource: Resource) -> str:
    """The day or days on which the blood for a test is drawn; empty where it is none."""
    in_laboratory = any(
        coding["code"] == LABORATORY
        for category in resource.get("category", ())
        for coding in category["coding"]
    )
    return " ".join(_days_asked(resource)) if in_laboratory else ""


def _days_asked(request: Resource) -> list[str]:
    repeated: list[str] = request.get("occurrenceTiming", {}).get("event", [])
    return [request["occurrenceDateTime"]] if "occurrenceDateTime" in request else repeated


def day_asked(request: Resource) -> str:
    """The first day on which something is measured."""
    return min(_days_asked(request))


def _one_draw(asked: list[Resource]) -> Resource:
    """The tests of one morning as one request, each of them coded in its detail."""
    first, *more = asked
    if not more:
        return first
    own_id = stable_id("|".join(each["id"] for each in asked))
    codes = [each["code"] for each in asked]
    return {
        **first,
        "id": own_id,
        "identifier": [{**first["identifier"][0], "value": own_id}],
        "code": {"text": ", ".join(code["text"] for code in codes)},
        "orderDetail": codes,
    }


def said_once(lead: Resource, others: Iterable[Resource], but_from: str = "") -> list[Resource]:
    """The others without the notes of the first, but on what begins on a day given."""
    said = lead.get("note", [])
    found = []
    for each in others:
        kept = [note for note in each.get("note", ()) if note not in said]
        begins = each["resourceType"] == "MedicationRequest" and first_day(each) == but_from
        bare = {key: value for key, value in each.items() if key != "note"}
        found.append(each if begins else bare | ({"note": kept} if kept else {}))
    return found


def preparation_of(order: Resource) -> str:
    """The product line that an order of the series is for."""
    return str(_in_extension(_in_mark(order, "order")[0], "preparation")[0]["valueCode"])


def _taken_before(order: Resource) -> set[str]:
    """The product lines of what was taken before day one."""
    original = _in_mark(order, "original")
    return {str(_in_extension(each, "preparation")[0]["valueCode"]) for each in original}


def _in_mark(order: Resource, name: str) -> list[Resource]:
    return _in_extension(order["extension"][0], name)


def _in_extension(extension: Resource, name: str) -> list[Resource]:
    return [part for part in extension["extension"] if part["url"] == name]


def first_day(order: Resource) -> str:
    """The first day of the first dose."""
    return _bounds(order, 0)["start"]


def last_day(order: Resource) -> str:
    """The last day of the last dose."""
    return _bounds(order, -1)["end"]


def _bounds(order: Resource, number: int) -> dict[str, str]:
    bounds: dict[str, str] = order["dosageInstruction"][number]["timing"]["repeat"]["boundsPeriod"]
    return bounds
