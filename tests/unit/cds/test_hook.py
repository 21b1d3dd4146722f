"""The call of a hook: each field read as it stands, each fault named by its place and in words."""

import copy
import dataclasses
from typing import Any

import pytest
from tests.api.calls import LT4
from tests.api.hooks import INSTANCE, call, grains

from crossgrain.cds.hook import ClientServer, DraftOrder, HookCall, read_call
from crossgrain.operations.faults import Complaint, Fault, RequestRefused

from .conftest import Cards

ORDER, REVIEW = "thyroid-order", "thyroid-switch-review"
RX = grains(60, "p01")
DRAFT = DraftOrder("MedicationRequest/rx-1", "context.draftOrders.entry[0].resource", RX)
UUID_ASKED = Complaint(Fault.INPUT_SHAPE, "hookInstance", "a UUID is required")
TOKEN_ASKED = "a token of visible ASCII is required"
SELECTIONS = "references such as MedicationRequest/1"


def body(hook: str = "order-sign", **context: Any) -> dict[str, Any]:
    """A call with one draft order; ``None`` leaves a field of the context out."""
    orders = {"resourceType": "Bundle", "entry": [{"resource": RX}]}
    whole = {"userId": "Practitioner/a", "patientId": "p01", "draftOrders": orders, **context}
    kept = {name: value for name, value in whole.items() if value is not None}
    return copy.deepcopy({"hook": hook, "hookInstance": INSTANCE, "context": kept})


def selecting(*selections: Any, entries: Any = None) -> dict[str, Any]:
    """A call while orders are selected."""
    orders = {"resourceType": "Bundle", "entry": entries or [{"resource": RX}]}
    return body("order-select", selections=list(selections), draftOrders=orders)


def refused(sent: dict[str, Any], service: str = ORDER) -> list[tuple[str | None, str]]:
    """Place and words of every complaint."""
    with pytest.raises(RequestRefused) as raised:
        read_call(sent, service)
    assert {complaint.category for complaint in raised.value.complaints} == {Fault.INPUT_SHAPE}
    return [(complaint.expression, complaint.message) for complaint in raised.value.complaints]


def test_a_call_is_read_as_it_stands() -> None:
    lent = {"access_token": "t", "token_type": "Bearer"}
    sent = body() | {
        "prefetch": {"patient": None},
        "fhirServer": "https://ehr.example/fhir/",
        "fhirAuthorization": lent,
    }
    assert read_call(sent, ORDER) == HookCall(
        hook="order-sign",
        instance=INSTANCE,
        patient_id="p01",
        prefetch={"patient": None},
        server=ClientServer("https://ehr.example/fhir", "t"),
        drafts=(DRAFT,),
        selected=(DRAFT,),
        prescriber="Practitioner/a",
    )


@pytest.mark.parametrize(
    ("user", "prescriber"),
    [
        ("Practitioner/a", "Practitioner/a"),
        ("PractitionerRole/clinic", "PractitionerRole/clinic"),
        ("Patient/p01", ""),
        ("RelatedPerson/mother", ""),
    ],
)
def test_only_a_practitioner_asks_for_orders(user: str, prescriber: str) -> None:
    sent = body()
    sent["context"]["userId"] = user
    assert read_call(sent, ORDER).prescriber == prescriber


def test_a_call_may_bring_nothing_and_name_no_server() -> None:
    read = read_call(body(), ORDER)
    assert (read.prefetch, read.server) == ({}, None)


def test_a_server_may_lend_no_token() -> None:
    read = read_call(body() | {"fhirServer": "https://ehr.example/fhir"}, ORDER)
    assert read.server == ClientServer("https://ehr.example/fhir", None)


LENT = {"access_token": "t", "token_type": "Bearer"}


@pytest.mark.parametrize("optional", ["prefetch", "fhirServer", "fhirAuthorization", "extension"])
def test_null_is_the_same_as_left_out(optional: str) -> None:
    """CDS Hooks 2.0, "HTTP request": these fields are OPTIONAL."""
    assert read_call(body() | {optional: None}, ORDER) == read_call(body(), ORDER)


@pytest.mark.parametrize("optional", ["encounterId", "selections", "extension"])
def test_null_in_the_context_is_the_same_as_left_out(optional: str) -> None:
    sent = body()
    sent["context"][optional] = None
    assert read_call(sent, ORDER) == read_call(body(), ORDER)


def test_what_is_not_known_is_passed_over_wherever_it_stands() -> None:
    more = {"theirs": {"a": [1, None]}}
    sent = body() | more | {"fhirServer": "https://ehr.example/fhir"}
    sent["context"] |= more
    sent["context"]["draftOrders"] |= {"type": "collection", "link": []} | more
    sent["context"]["draftOrders"]["entry"][0] |= {"fullUrl": "urn:x", "search": None} | more
    sent["fhirAuthorization"] = LENT | {"expires_in": "300", "patient": None} | more
    server = ClientServer("https://ehr.example/fhir", "t")
    assert read_call(sent, ORDER) == dataclasses.replace(read_call(body(), ORDER), server=server)


@pytest.mark.parametrize("unfilled", [None, []])
def test_null_and_an_empty_list_in_an_order_are_nothing(unfilled: Any) -> None:
    sent = body()
    order = sent["context"]["draftOrders"]["entry"][0]["resource"]
    order |= {"contained": unfilled, "note": unfilled}
    order["dosageInstruction"][0]["timing"]["repeat"]["when"] = unfilled
    assert read_call(sent, ORDER).drafts == (DRAFT,)


def test_a_chart_that_is_viewed_has_no_orders() -> None:
    read = read_call(body("patient-view"), REVIEW)
    assert (read.drafts, read.selected) == ((), ())


def test_cards_are_about_the_selected_order_alone_and_once() -> None:
    second = grains(30, "p01", own_id="rx-2")
    entries = [{"resource": RX}, {"resource": second}]
    sent = selecting("MedicationRequest/rx-2", "MedicationRequest/rx-2", "Task/1", entries=entries)
    read = read_call(sent, ORDER)
    assert [draft.reference for draft in read.drafts] == [
        "MedicationRequest/rx-1",
        "MedicationRequest/rx-2",
    ]
    (selected,) = read.selected
    assert selected == DraftOrder(
        "MedicationRequest/rx-2", "context.draftOrders.entry[1].resource", second
    )


def test_nothing_selected_is_nothing_to_speak_of() -> None:
    assert read_call(selecting(), ORDER).selected == ()


def test_orders_for_other_things_are_passed_over_and_the_places_stay_true() -> None:
    task = {"resource": {"resourceType": "Task"}}
    read = read_call(selecting(entries=[task, {"resource": RX}]), ORDER)
    assert [draft.place for draft in read.drafts] == ["context.draftOrders.entry[1].resource"]


def test_a_session_without_orders_is_one() -> None:
    read = read_call(body(draftOrders={"resourceType": "Bundle"}), ORDER)
    assert read.drafts == ()


@pytest.mark.parametrize(
    ("change", "place", "words"),
    [
        ({"hook": "patient-view"}, "hook", "this service is for: order-select, order-sign"),
        ({"hook": []}, "hook", "this service is for: order-select, order-sign"),
        ({"hook": None}, "hook", "this service is for: order-select, order-sign"),
        ({"hookInstance": None}, "hookInstance", "a UUID is required"),
        ({"hookInstance": f"{INSTANCE}0"}, "hookInstance", "a UUID is required"),
        ({"hookInstance": 5}, "hookInstance", "a UUID is required"),
        ({"prefetch": []}, "prefetch", "an object is expected"),
        ({"context": None}, "context", "an object is required"),
        ({"context": []}, "context", "an object is required"),
        ({"fhirServer": 5}, "fhirServer", "a URL is expected"),
        ({"fhirAuthorization": "t"}, "fhirAuthorization", "an object is expected"),
    ],
)
def test_what_a_call_says_amiss_is_named(change: dict[str, Any], place: str, words: str) -> None:
    assert refused(body() | change) == [(place, words)]


@pytest.mark.parametrize(
    ("context", "place", "words"),
    [
        ({"patientId": None}, "patientId", "the FHIR id of the patient is required"),
        ({"patientId": "Patient/1"}, "patientId", "the FHIR id of the patient is required"),
        ({"patientId": "x" * 65}, "patientId", "the FHIR id of the patient is required"),
        ({"userId": None}, "userId", "Practitioner/id, or the like, is required"),
        ({"userId": "Device/1"}, "userId", "Practitioner/id, or the like, is required"),
        ({"encounterId": ""}, "encounterId", "the FHIR id of the encounter is expected"),
        ({"encounterId": 5}, "encounterId", "the FHIR id of the encounter is expected"),
        ({"draftOrders": None}, "draftOrders", "a Bundle is required"),
        ({"draftOrders": []}, "draftOrders", "a Bundle is required"),
        ({"draftOrders": {"resourceType": "List"}}, "draftOrders", "a Bundle is required"),
        (
            {"draftOrders": {"resourceType": "Bundle", "entry": {}}},
            "draftOrders.entry",
            "an array is expected",
        ),
    ],
)
def test_what_the_context_says_amiss_is_named(
    context: dict[str, Any], place: str, words: str
) -> None:
    assert refused(body(**context)) == [(f"context.{place}", words)]


@pytest.mark.parametrize("context", [{"patientId": "x" * 64}, {"encounterId": "e.1-A"}])
def test_an_id_is_what_fhir_calls_one(context: dict[str, Any]) -> None:
    """FHIR R4, datatypes, id: 1 to 64 letters, digits, hyphens and dots."""
    read_call(body(**context), ORDER)


@pytest.mark.parametrize(
    "user", ["Practitioner/a", "PractitionerRole/a", "Patient/a", "RelatedPerson/a"]
)
def test_a_user_is_one_of_four_kinds(user: str) -> None:
    """CDS Hooks 2.0, order-sign, context.userId."""
    read_call(body(userId=user), ORDER)


@pytest.mark.parametrize(
    ("entry", "place", "words"),
    [
        ({}, "", "a resource is required"),
        (5, "", "a resource is required"),
        ({"resource": []}, "", "a resource is required"),
        ({"resource": RX | {"id": None}}, ".id", "an order in draft has a FHIR id"),
        ({"resource": RX | {"id": "a/b"}}, ".id", "an order in draft has a FHIR id"),
        (
            {"resource": RX | {"status": "active"}},
            ".id",
            "two orders in draft share one id",
        ),
    ],
)
def test_an_order_that_cannot_be_told_apart_is_refused(entry: Any, place: str, words: str) -> None:
    sent = body(draftOrders={"resourceType": "Bundle", "entry": [{"resource": RX}, entry]})
    assert refused(sent) == [(f"context.draftOrders.entry[1].resource{place}", words)]


def test_an_order_that_is_listed_twice_is_one(cards: Cards) -> None:
    """No suggestion both deletes and updates it."""
    once, twice = (call(LT4, [grains(60, "p01")]) for _ in range(2))
    drafts = twice["context"]["draftOrders"]["entry"]
    drafts.append(drafts[0])
    assert cards(twice) == cards(once)
    assert [draft.place for draft in read_call(twice, ORDER).drafts] == [
        "context.draftOrders.entry[0].resource"
    ]


@pytest.mark.parametrize(
    ("selections", "place", "words"),
    [
        (None, "", SELECTIONS),
        ("MedicationRequest/rx-1", "", SELECTIONS),
        (["rx-1"], "", SELECTIONS),
        (["MedicationRequest/rx-1", 5], "", SELECTIONS),
        (
            ["MedicationRequest/rx-1", "MedicationRequest/rx-9"],
            "[1]",
            "what is selected must be among the draft orders",
        ),
    ],
)
def test_a_selection_that_leads_nowhere_is_refused(selections: Any, place: str, words: str) -> None:
    sent = body("order-select", selections=selections)
    assert refused(sent) == [(f"context.selections{place}", words)]


@pytest.mark.parametrize(
    ("lent", "server", "complaints"),
    [
        (
            {"access_token": "t", "token_type": "Bearer"},
            "",
            [("fhirServer", "it is required beside fhirAuthorization")],
        ),
        (
            {"access_token": "a b", "token_type": "Bearer"},
            "https://ehr.example",
            [("fhirAuthorization.access_token", TOKEN_ASKED)],
        ),
        (
            {"access_token": "", "token_type": "bearer"},
            "https://ehr.example",
            [
                ("fhirAuthorization.access_token", TOKEN_ASKED),
                ("fhirAuthorization.token_type", "it is always Bearer"),
            ],
        ),
    ],
)
def test_a_token_that_cannot_be_sent_on_is_refused(
    lent: dict[str, str], server: str, complaints: list[tuple[str, str]]
) -> None:
    assert refused(body() | {"fhirServer": server, "fhirAuthorization": lent}) == complaints


def test_everything_amiss_is_named_at_once() -> None:
    sent = body(patientId=None, userId=None) | {"hookInstance": "1", "prefetch": 5}
    places = [place for place, _ in refused(sent)]
    assert places == ["hookInstance", "prefetch", "context.patientId", "context.userId"]
    assert refused(body("order-sign"), REVIEW) == [("hook", "this service is for: patient-view")]
