"""Asking the client's FHIR server: whom, for what, with what, how long, and what is made of it."""

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import httpx2 as httpx
import pytest

from crossgrain.cds import gathering
from crossgrain.cds.fetching import Fetcher
from crossgrain.cds.gathering import Gatherer
from crossgrain.cds.hook import ClientServer, DraftOrder, HookCall
from crossgrain.cds.services import Gathered, PlacedResource, Template, TemplateAnswer
from crossgrain.http.requests import Turns
from crossgrain.http.settings import Settings

BASE = "https://ehr.example/fhir"
GOALS = Template("goals", "Goal", "Goal?patient={{context.patientId}}")
PLANS = Template("carePlans", "CarePlan", "CarePlan?patient={{context.patientId}}", missed=False)
PATIENT = Template("patient", "Patient", "Patient/{{context.patientId}}", required=True)
QUERY = "Goal?patient=p01"
GOAL = {"resourceType": "Goal", "id": "g"}


class Ehr:
    """A FHIR server; notes what it is asked."""

    def __init__(self) -> None:
        self.asked: list[httpx.Request] = []
        self.pages: dict[str, Any] = {}
        self.answer: Callable[[httpx.Request], httpx.Response] = self.page

    def page(self, request: httpx.Request) -> httpx.Response:
        found = self.pages.get(str(request.url).removeprefix(BASE))
        return httpx.Response(404) if found is None else httpx.Response(200, json=found)

    async def __call__(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        return self.answer(request)

    def urls(self) -> list[str]:
        return [str(request.url) for request in self.asked]


@pytest.fixture
def ehr() -> Ehr:
    return Ehr()


def fetcher(ehr: Ehr, **settings: Any) -> Fetcher:
    whole = Settings(**{"cds_fhir_servers": (BASE,), **settings})
    return Fetcher(whole, Turns(), httpx.MockTransport(ehr))


def bundle(*resources: Any, **more: Any) -> dict[str, Any]:
    entries = [{"resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "searchset", "entry": entries, **more}


def fetched(
    ehr: Ehr, template: Template = GOALS, query: str = QUERY, token: str | None = None, **more: Any
) -> Gathered:
    """What becomes of one template."""
    asking = fetcher(ehr, **more).fetch(ClientServer(BASE, token), [(template, query)])
    (got,) = asyncio.run(asking)
    return got


@pytest.mark.parametrize("token", ["lent", None])
def test_a_search_is_asked_for_with_the_token_that_was_lent_and_with_none_else(
    ehr: Ehr, token: str | None
) -> None:
    ehr.pages["/Goal?patient=p01"] = bundle(GOAL)
    got = fetched(ehr, token=token)
    assert got == Gathered(
        GOALS,
        TemplateAnswer.GIVEN,
        (PlacedResource("fhirServer.goals[0].entry[0].resource", GOAL),),
    )
    (request,) = ehr.asked
    assert request.method == "GET"
    assert request.headers["accept"] == "application/fhir+json; fhirVersion=4.0"
    assert request.headers.get("authorization") == (f"Bearer {token}" if token else None)


def test_a_query_goes_out_escaped_but_for_what_it_is_made_of(ehr: Ehr) -> None:
    fetched(ehr, query="Observation?patient=p.1-a&code=http://loinc.org|3016-3,a b")
    (url,) = [request.url.raw_path.decode() for request in ehr.asked]
    assert url.startswith("/fhir/Observation?patient=p.1-a&code=http://loinc.org")
    assert url.endswith("3016-3,a%20b")


def test_a_read_gives_the_resource_whatever_stands_in_it(ehr: Ehr) -> None:
    patient = {"resourceType": "Patient", "id": "p01", "link": [{"other": {}}]}
    ehr.pages["/Patient/p01"] = patient
    got = fetched(ehr, PATIENT, "Patient/p01")
    assert got == Gathered(
        PATIENT, TemplateAnswer.GIVEN, (PlacedResource("fhirServer.patient[0]", patient),)
    )


def linked(url: str, *resources: Any, **more: Any) -> dict[str, Any]:
    return bundle(*resources, link=[{"relation": "self"}, {"relation": "next", "url": url}], **more)


def test_every_page_is_read_and_each_part_keeps_its_page(ehr: Ehr) -> None:
    second, third = GOAL | {"id": "h"}, GOAL | {"id": "i"}
    ehr.pages = {
        "/Goal?patient=p01": linked(f"{BASE}?page=2", GOAL, total=3),
        "?page=2": linked(f"{BASE}/Goal?page=3", second),
        "/Goal?page=3": bundle(third, total=3),
    }
    got = fetched(ehr)
    assert got.standing is TemplateAnswer.GIVEN
    assert [part.place for part in got.resources] == [
        f"fhirServer.goals[{number}].entry[0].resource" for number in range(3)
    ]
    assert [part.resource["id"] for part in got.resources] == ["g", "h", "i"]


@pytest.mark.parametrize("page", [0, 1])
def test_a_total_on_any_page_that_says_more_makes_it_a_part(ehr: Ehr, page: int) -> None:
    pages = [linked(f"{BASE}/Goal?page=2", GOAL), bundle(GOAL | {"id": "h"})]
    pages[page]["total"] = 3
    ehr.pages = {"/Goal?patient=p01": pages[0], "/Goal?page=2": pages[1]}
    got = fetched(ehr)
    assert got.standing is TemplateAnswer.PARTIAL
    assert len(got.resources) == 2


@pytest.mark.parametrize(
    "url",
    [
        "https://evil.example/fhir?page=2",
        "https://ehr.example/fhir2?page=2",
        "https://ehr.example/fhirpage=2",
        "/fhir?page=2",
        "",
        None,
    ],
)
def test_a_next_page_elsewhere_is_not_asked_for_and_what_came_is_a_part(
    ehr: Ehr, url: str | None
) -> None:
    ehr.pages["/Goal?patient=p01"] = linked(url, GOAL)  # type: ignore[arg-type]
    got = fetched(ehr)
    assert (got.standing, len(got.resources)) == (TemplateAnswer.PARTIAL, 1)
    assert len(ehr.asked) == 1


@pytest.mark.parametrize(
    "links", [{}, ["x"], [{"relation": "self", "url": f"{BASE}/Goal?page=2"}], [{}]]
)
def test_what_is_no_link_to_a_next_page_leads_to_none(ehr: Ehr, links: Any) -> None:
    ehr.pages["/Goal?patient=p01"] = bundle(GOAL, link=links)
    assert fetched(ehr).standing is TemplateAnswer.GIVEN
    assert len(ehr.asked) == 1


def test_twenty_pages_are_read_and_no_more(ehr: Ehr) -> None:
    ehr.answer = lambda _: httpx.Response(200, json=linked(f"{BASE}/Goal?page=n", GOAL))
    got = fetched(ehr)
    assert (got.standing, len(ehr.asked)) == (TemplateAnswer.PARTIAL, 20)


def test_a_page_that_fails_makes_the_whole_fail(ehr: Ehr) -> None:
    ehr.pages["/Goal?patient=p01"] = linked(f"{BASE}/Goal?page=2", GOAL)
    assert fetched(ehr) == Gathered(GOALS, TemplateAnswer.FAILED)


def test_a_page_that_is_none_is_named_for_what_it_is(ehr: Ehr) -> None:
    ehr.pages = {
        "/Goal?patient=p01": linked(f"{BASE}/Goal?page=2", GOAL),
        "/Goal?page=2": {"resourceType": "OperationOutcome"},
    }
    assert fetched(ehr).standing is TemplateAnswer.FAILED
    ehr.pages["/Goal?page=2"] = GOAL
    assert fetched(ehr).standing is TemplateAnswer.UNUSABLE


def gone(_: httpx.Request) -> httpx.Response:
    raise httpx.ConnectError("gone")


@pytest.mark.parametrize(
    "answer",
    [
        gone,
        lambda _: httpx.Response(201, json=bundle(GOAL)),
        lambda _: httpx.Response(302, headers={"location": f"{BASE}/Goal"}),
        lambda _: httpx.Response(200, content=b"<html>"),
        lambda _: httpx.Response(200, content=b'{"resourceType":"Bundle","resourceType":"Bundle"}'),
    ],
)
def test_what_cannot_be_read_is_said_to_have_failed(
    ehr: Ehr, answer: Callable[[httpx.Request], httpx.Response]
) -> None:
    ehr.answer = answer
    assert fetched(ehr) == Gathered(GOALS, TemplateAnswer.FAILED)


@pytest.mark.parametrize(
    ("more", "standing"), [(0, TemplateAnswer.GIVEN), (1, TemplateAnswer.FAILED)]
)
def test_an_answer_is_no_larger_than_a_request_may_be(
    ehr: Ehr, more: int, standing: TemplateAnswer
) -> None:
    said = json.dumps(bundle(GOAL)).encode()
    ehr.answer = lambda _: httpx.Response(200, content=said.ljust(1000 + more))
    assert fetched(ehr, max_body_bytes=1000).standing is standing


def test_a_fault_of_our_own_is_not_taken_for_the_servers(ehr: Ehr) -> None:
    def fault(_: httpx.Request) -> httpx.Response:
        raise KeyError("ours")

    ehr.answer = fault
    with pytest.raises(KeyError):
        fetched(ehr)


def test_what_does_not_come_in_time_has_failed_and_the_rest_is_kept(ehr: Ehr) -> None:
    async def slow_for_plans(request: httpx.Request) -> httpx.Response:
        if "CarePlan" in str(request.url):
            await asyncio.sleep(60)
        return httpx.Response(200, json=bundle(GOAL))

    settings = Settings(cds_fhir_servers=(BASE,), cds_fetch_seconds=0.1)
    asking = Fetcher(settings, Turns(), httpx.MockTransport(slow_for_plans))
    wanted = [(PLANS, "CarePlan?patient=p01"), (GOALS, QUERY)]
    plans, goals = asyncio.run(asking.fetch(ClientServer(BASE, None), wanted))
    assert plans == Gathered(PLANS, TemplateAnswer.FAILED)
    assert goals.standing is TemplateAnswer.GIVEN


def test_nothing_wanted_is_nothing_asked(ehr: Ehr) -> None:
    assert asyncio.run(fetcher(ehr).fetch(ClientServer(BASE, None), [])) == []
    assert ehr.asked == []


@pytest.mark.parametrize(
    ("server", "may"),
    [(ClientServer(BASE, None), True), (ClientServer(f"{BASE}2", "t"), False), (None, False)],
)
def test_only_a_server_on_the_list_is_asked(
    *, ehr: Ehr, server: ClientServer | None, may: bool
) -> None:
    assert fetcher(ehr).may_ask(server) is may


def test_the_client_that_fetches_follows_no_redirect_and_takes_nothing_from_the_environment(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made: list[dict[str, Any]] = []
    real = httpx.AsyncClient
    monkeypatch.setattr(
        httpx, "AsyncClient", lambda **options: made.append(options) or real(**options)
    )
    asking = Fetcher(Settings(cds_fetch_seconds=1.5), Turns())
    (options,) = made
    assert (options["follow_redirects"], options["trust_env"]) == (False, False)
    assert options["timeout"] == 1.5
    asyncio.run(asking.close())
    assert asking._client.is_closed


CALL = HookCall("order-sign", "i", "p01", {"goals": None}, ClientServer(BASE, "t"))


def completed(ehr: Ehr, brought: list[Gathered], call: HookCall = CALL) -> list[Gathered]:
    gatherer = Gatherer((GOALS, PLANS), fetcher(ehr))
    return asyncio.run(gatherer.completed(call, brought))


def test_what_was_brought_is_sorted_by_template() -> None:
    assert Gatherer((GOALS, PLANS), None).brought(CALL) == [
        Gathered(GOALS, TemplateAnswer.NO_DATA),
        Gathered(PLANS, TemplateAnswer.DECLINED),
    ]


def test_what_is_not_whole_and_would_be_missed_is_asked_for_and_the_order_is_kept(
    ehr: Ehr,
) -> None:
    ehr.pages["/Goal?patient=p01"] = bundle(GOAL)
    given = Gathered(PATIENT, TemplateAnswer.GIVEN, (PlacedResource("prefetch.patient", {}),))
    brought = [
        given,
        Gathered(GOALS, TemplateAnswer.DECLINED),
        Gathered(PLANS, TemplateAnswer.DECLINED),
    ]
    first, goals, plans = completed(ehr, brought)
    assert (first, plans) == (given, brought[2])
    assert goals.standing is TemplateAnswer.GIVEN
    assert ehr.urls() == [f"{BASE}/Goal?patient=p01"]


def test_a_part_that_was_sent_is_kept_where_nothing_better_can_be_fetched(ehr: Ehr) -> None:
    part = Gathered(GOALS, TemplateAnswer.PARTIAL, (PlacedResource("prefetch.goals", GOAL),))
    assert completed(ehr, [part]) == [part]
    ehr.pages["/Goal?patient=p01"] = bundle()
    assert completed(ehr, [part]) == [Gathered(GOALS, TemplateAnswer.GIVEN)]


@pytest.mark.parametrize("server", [None, ClientServer("https://evil.example", "t")])
def test_where_nobody_may_be_asked_what_was_brought_is_all(
    ehr: Ehr, server: ClientServer | None
) -> None:
    brought = [Gathered(GOALS, TemplateAnswer.DECLINED)]
    call = replace(CALL, server=server)
    assert completed(ehr, brought, call) == brought
    gatherer = Gatherer((GOALS,), fetcher(ehr))
    assert asyncio.run(gatherer.with_medications(call, brought)) == brought
    nobody = Gatherer((GOALS,), None)
    assert asyncio.run(nobody.completed(CALL, brought)) == brought
    assert asyncio.run(nobody.with_medications(CALL, brought)) == brought
    assert ehr.asked == []


def refers(to: Any, kind: str = "MedicationRequest") -> dict[str, Any]:
    return {"resourceType": kind, "id": "x", "medicationReference": {"reference": to}}


def with_medications(
    ehr: Ehr, *resources: dict[str, Any], drafts: tuple[dict[str, Any], ...] = ()
) -> list[Gathered]:
    gathered = [
        Gathered(GOALS, TemplateAnswer.GIVEN, tuple(PlacedResource("p", r) for r in resources))
    ]
    call = replace(CALL, drafts=tuple(DraftOrder("r", "d", draft) for draft in drafts))
    found = asyncio.run(Gatherer((), fetcher(ehr)).with_medications(call, gathered))
    assert found[0] is gathered[0]
    return found[1:]


def test_medications_that_are_only_referred_to_are_read_once_each(ehr: Ehr) -> None:
    """Without them an order would be taken for one that names no medicine."""
    ehr.pages = {f"/Medication/{n}": {"resourceType": "Medication", "id": n} for n in "abcd"}
    found = with_medications(
        ehr,
        refers("Medication/b"),
        refers("Medication/b/_history/2", "MedicationStatement"),
        refers(f"{BASE}/Medication/c"),
        refers("Medication/d"),
        {"resourceType": "Medication", "id": "d"},
        drafts=(refers("Medication/a"),),
    )
    assert ehr.urls() == [f"{BASE}/Medication/{n}" for n in "abc"]
    assert [(got.template.key, got.template.kind, got.template.query) for got in found] == [
        (f"Medication/{n}", "Medication", f"Medication/{n}") for n in "abc"
    ]
    assert [got.resources[0].resource["id"] for got in found] == ["a", "b", "c"]


@pytest.mark.parametrize(
    "to",
    [
        "https://evil.example/fhir/Medication/a",
        "Patient/a",
        "Medication",
        "Medication/",
        "Medication/a/b",
        "Medication/../Patient",
        "#a",
        5,
        None,
    ],
)
def test_what_is_no_medication_of_that_server_is_not_asked_for(ehr: Ehr, to: Any) -> None:
    assert with_medications(ehr, refers(to), {"resourceType": "Goal"}) == []
    assert with_medications(ehr, {"resourceType": "Goal", "medicationReference": to}) == []
    assert ehr.asked == []


def test_a_medication_that_cannot_be_had_is_not_made_up(ehr: Ehr) -> None:
    assert with_medications(ehr, refers("Medication/a")) == []
    assert len(ehr.asked) == 1


def test_no_more_than_fifty_medications_are_asked_for(ehr: Ehr) -> None:
    with_medications(ehr, *(refers(f"Medication/{number}") for number in range(60)))
    assert len(ehr.asked) == gathering._MOST_MEDICATIONS == 50
