"""The cookbook by a client in Python that was generated from the OpenAPI document.

Prints one JSON object: the lines of each recipe under its heading, and the whole answer of some
further calls. ``BASE`` is the service's address, and the folder is the repository.
"""

import json
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

from crossgrain_client import AuthenticatedClient
from crossgrain_client.api.cds_hooks import (
    get_cds_services,
    post_cds_services,
    post_cds_services_feedback,
)
from crossgrain_client.api.fhir_4_0_1 import (
    fhir_r4_compare_bases,
    fhir_r4_next_step,
    fhir_r4_propose_switch,
    fhir_r_4_code_system_lookup,
)
from crossgrain_client.models import (
    Bundle,
    CardsAnswer,
    Discovery,
    FeedbackCall,
    FhirR4ProposeSwitchResponse,
    FhirR4ProposeSwitchTarget,
    OperationOutcome,
    OrderSign,
    Parameters,
    PostCdsServicesFeedbackId,
    PostCdsServicesId,
    ProposeSwitchParameters,
    Resource,
)
from crossgrain_client.types import UNSET, Unset

DESICCATED = FhirR4ProposeSwitchTarget.DESICCATED_THYROID
AS_OF = date(2025, 3, 3)
Lines = Iterator[str]


def read(file: str) -> Any:
    return json.loads(Path("fixtures", file).read_text("utf-8"))


def resources(answer: Bundle | OperationOutcome | None) -> list[Resource]:
    """What stands in a Bundle; an error is none."""
    assert isinstance(answer, Bundle), answer
    assert isinstance(answer.entry, list)
    return [entry.resource for entry in answer.entry if isinstance(entry.resource, Resource)]


class Cookbook:
    """The recipes, each by its heading on the page."""

    def __init__(self, client: AuthenticatedClient) -> None:
        self.client = client
        self.record = read("patients/01-levothyroxine-150.json")
        self.unread = read("patients/01-levothyroxine-150.json")
        for entry in self.unread["entry"]:
            if entry["resource"]["resourceType"] == "MedicationStatement":
                entry["resource"]["dosage"] = [{"text": "as directed"}]

    def propose(self, record: Any, response: FhirR4ProposeSwitchResponse | Unset = UNSET) -> Bundle:
        answer = fhir_r4_propose_switch.sync(
            client=self.client,
            body=Bundle.from_dict(record),
            target=DESICCATED,
            as_of=AS_OF,
            response=response,
        )
        assert isinstance(answer, Bundle), answer
        return answer

    def doses(self) -> Lines:
        found = resources(self.propose(self.record))
        yield found[0]["status"]
        for order in found:
            if order.resource_type == "MedicationRequest" and order["intent"] == "proposal":
                for dose in order["dosageInstruction"]:
                    days = dose["timing"]["repeat"]["boundsPeriod"]
                    yield f"{days['start']} {days['end']} {dose['text']}"

    def draws(self) -> Lines:
        for each in resources(self.propose(self.record)):
            if each.resource_type == "ServiceRequest" and each["intent"] == "proposal":
                yield f"{each['occurrenceDateTime']} {each['code']['text']}"

    def question(self) -> Lines:
        guidance = resources(self.propose(self.unread))[0]
        yield guidance["status"]
        for contained in guidance["contained"]:
            if contained["resourceType"] == "OperationOutcome":
                for issue in contained["issue"]:
                    if issue["severity"] == "error":
                        yield f"{issue['expression'][0]} - {issue['details']['text']}"

    def answering(self) -> Lines:
        asked = resources(self.propose(self.unread))
        form = next(each for each in asked if each.resource_type == "Questionnaire")
        (question,) = form["item"]
        yield question["text"]
        for choice in question["answerOption"]:
            yield f"- {choice['valueCoding']['display']}"
        call = ProposeSwitchParameters.from_dict(self._answered(form, question["linkId"]))
        told = fhir_r4_propose_switch.sync(client=self.client, body=call)
        yield resources(told)[0]["status"]

    def _answered(self, form: Resource, asked: str) -> dict[str, Any]:
        dose = {"value": 150, "unit": "ug", "system": "http://unitsofmeasure.org", "code": "ug"}
        given = {"linkId": f"{asked}.levothyroxine", "answer": [{"valueQuantity": dose}]}
        otherwise = {"valueCoding": {"code": "otherwise"}, "item": [given]}
        answers = {
            "resourceType": "QuestionnaireResponse",
            "status": "completed",
            "questionnaire": form["url"],
            "item": [{"linkId": asked, "answer": [otherwise]}],
        }
        parameters = [
            {"name": "record", "resource": self.unread},
            {"name": "target", "valueCode": DESICCATED.value},
            {"name": "as-of", "valueDate": AS_OF.isoformat()},
            {"name": "answers", "resource": answers},
        ]
        return {"resourceType": "Parameters", "parameter": parameters}

    def card(self) -> Lines:
        services = get_cds_services.sync(client=self.client)
        assert isinstance(services, Discovery)
        own_id = next(each.id for each in services.services if each.hook == "order-sign")
        call = OrderSign.from_dict(read("calls/order-sign.json"))
        answer = post_cds_services.sync(PostCdsServicesId(own_id), client=self.client, body=call)
        assert isinstance(answer, CardsAnswer)
        for card in answer.cards:
            yield f"{card.indicator.value} - {card.summary}"
            for suggestion in card.suggestions or []:
                yield f"  offers: {suggestion.label} ({len(suggestion.actions)} actions)"

    def filing(self) -> Lines:
        transaction = self.propose(self.record, FhirR4ProposeSwitchResponse.TRANSACTION)
        assert isinstance(transaction.entry, list)
        first = transaction.entry[0]["request"]
        names = {entry.full_url for entry in transaction.entry}
        yield f"{transaction.type_} {len(names) > 50}"
        yield f"{first['method']} {first['url']} {first['ifNoneExist'].partition('|')[0]}"


def answers(client: AuthenticatedClient) -> dict[str, Any]:
    """Further calls, each with its whole answer as the client read it."""
    book = Cookbook(client)
    record, visit = Bundle.from_dict(book.record), Bundle.from_dict(read("visits/on-time.json"))
    compared = fhir_r4_compare_bases.sync(client=client, body=record, as_of=AS_OF)
    step = fhir_r4_next_step.sync(client=client, body=visit, as_of=date(2025, 4, 17))
    refused = fhir_r4_propose_switch.sync_detailed(
        client=client, body=record, target=DESICCATED, ratio="15", as_of=AS_OF
    )
    unread = fhir_r4_propose_switch.sync(
        client=client, body=Bundle.from_dict(broken(book.record)), validate=True, as_of=AS_OF
    )
    services = get_cds_services.sync(client=client)
    cards = post_cds_services.sync(
        PostCdsServicesId.THYROID_ORDER,
        client=client,
        body=OrderSign.from_dict(read("calls/order-sign.json")),
    )
    counted = post_cds_services_feedback.sync_detailed(
        PostCdsServicesFeedbackId.THYROID_ORDER,
        client=client,
        body=FeedbackCall.from_dict(read("calls/feedback.json")),
    )
    meaning = fhir_r_4_code_system_lookup.sync(
        client=client, system="http://crossgrain.example/fhir/CodeSystem/finding", code="warfarin"
    )
    assert isinstance(compared, Parameters)
    assert isinstance(step, Bundle)
    assert isinstance(refused.parsed, OperationOutcome)
    assert isinstance(unread, OperationOutcome)
    assert isinstance(services, Discovery)
    assert isinstance(cards, CardsAnswer)
    assert isinstance(meaning, Parameters)
    return {
        "propose": book.propose(book.record).to_dict(),
        "compare": compared.to_dict(),
        "next-step": step.to_dict(),
        "refused": [refused.status_code.value, refused.parsed.to_dict()],
        "not-valid": unread.to_dict(),
        "services": services.to_dict(),
        "cards": cards.to_dict(),
        "feedback": counted.status_code.value,
        "lookup": meaning.to_dict(),
    }


def broken(record: Any) -> Any:
    """The record with a gender that FHIR does not know."""
    made = json.loads(json.dumps(record))
    made["entry"][0]["resource"]["gender"] = 7
    return made


def main() -> None:
    client = AuthenticatedClient(base_url=os.environ["BASE"], token="none is asked for")
    book = Cookbook(client)
    recipes = {
        "The doses of a plan, by date": [*book.doses()],
        "The draws of a plan": [*book.draws()],
        "A question instead of a dose": [*book.question()],
        "Answering a question": [*book.answering()],
        "A card at order entry": [*book.card()],
        "Filing a plan": [*book.filing()],
    }
    print(json.dumps({"recipes": recipes, "answers": answers(client)}))


if __name__ == "__main__":
    main()
