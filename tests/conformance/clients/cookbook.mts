// The cookbook by a client in TypeScript that was generated from the OpenAPI document: the same
// recipes and calls as in cookbook.py, printed in the same form.
import { readFileSync } from "node:fs";
import createClient from "openapi-fetch";
import type { components, paths } from "./api.js";

type Schemas = components["schemas"];
type Resource = Schemas["Resource"];
type Bundle = Schemas["Bundle"];
// What the elements of a resource hold says its StructureDefinition, not the OpenAPI document.
type Element = any;

const client = createClient<paths>({ baseUrl: process.env.BASE });
const read = (file: string) => JSON.parse(readFileSync(`fixtures/${file}`, "utf-8"));
const query = { target: "desiccated-thyroid", "as-of": "2025-03-03" } as const;
const record: Bundle = read("patients/01-levothyroxine-150.json");
const unread: Bundle = read("patients/01-levothyroxine-150.json");
for (const { resource } of unread.entry ?? []) {
  if (resource?.resourceType === "MedicationStatement") resource.dosage = [{ text: "as directed" }];
}

function given<T>(answer: { data?: T; error?: unknown }): T {
  if (answer.data === undefined) throw new Error(JSON.stringify(answer.error));
  return answer.data;
}

const resources = (bundle: Bundle): Resource[] =>
  (bundle.entry ?? []).flatMap((entry) => (entry.resource ? [entry.resource] : []));

async function propose(body: Bundle, response?: "transaction"): Promise<Bundle> {
  const params = { query: { ...query, response } };
  return given(await client.POST("/fhir/r4/$propose-switch", { params, body }));
}

async function doses(): Promise<string[]> {
  const found = resources(await propose(record));
  const orders = found.filter(
    (each) => each.resourceType === "MedicationRequest" && each.intent === "proposal",
  );
  const lines = orders.flatMap((order) =>
    (order.dosageInstruction as Element[]).map((dose) => {
      const days = dose.timing.repeat.boundsPeriod;
      return `${days.start} ${days.end} ${dose.text}`;
    }),
  );
  return [String(found[0]?.status), ...lines];
}

async function draws(): Promise<string[]> {
  return resources(await propose(record))
    .filter((each) => each.resourceType === "ServiceRequest" && each.intent === "proposal")
    .map((draw) => `${draw.occurrenceDateTime} ${(draw.code as Element).text}`);
}

async function question(): Promise<string[]> {
  const [guidance] = resources(await propose(unread));
  const issues = (guidance?.contained as Element[])
    .filter((each) => each.resourceType === "OperationOutcome")
    .flatMap((outcome) => outcome.issue)
    .filter((issue) => issue.severity === "error");
  const asked = issues.map((issue) => `${issue.expression[0]} - ${issue.details.text}`);
  return [String(guidance?.status), ...asked];
}

async function answering(): Promise<string[]> {
  const form: Element = resources(await propose(unread)).find(
    (each) => each.resourceType === "Questionnaire",
  );
  const [item] = form.item;
  const dose = { value: 150, unit: "ug", system: "http://unitsofmeasure.org", code: "ug" };
  const own = { linkId: `${item.linkId}.levothyroxine`, answer: [{ valueQuantity: dose }] };
  const otherwise = { valueCoding: { code: "otherwise" }, item: [own] };
  const answers = {
    resourceType: "QuestionnaireResponse",
    status: "completed",
    questionnaire: form.url,
    item: [{ linkId: item.linkId, answer: [otherwise] }],
  } as const;
  const body: Schemas["ProposeSwitchParameters"] = {
    resourceType: "Parameters",
    parameter: [
      { name: "record", resource: unread },
      { name: "target", valueCode: query.target },
      { name: "as-of", valueDate: query["as-of"] },
      { name: "answers", resource: answers },
    ],
  };
  const told = given(await client.POST("/fhir/r4/$propose-switch", { body }));
  const choices = item.answerOption.map((each: Element) => `- ${each.valueCoding.display}`);
  return [item.text, ...choices, String(resources(told)[0]?.status)];
}

async function sign(): Promise<Schemas["CardsAnswer"]> {
  const { services } = given(await client.GET("/cds-services"));
  const service = services.find((each) => each.hook === "order-sign");
  const params = { path: { id: service?.id as "thyroid-order" } };
  const body: Schemas["OrderSign"] = read("calls/order-sign.json");
  return given(await client.POST("/cds-services/{id}", { params, body }));
}

async function card(): Promise<string[]> {
  return (await sign()).cards.flatMap((each) => [
    `${each.indicator} - ${each.summary}`,
    ...(each.suggestions ?? []).map(
      (suggestion) => `  offers: ${suggestion.label} (${suggestion.actions.length} actions)`,
    ),
  ]);
}

async function filing(): Promise<string[]> {
  const transaction = await propose(record, "transaction");
  const request = transaction.entry?.[0]?.request as Record<string, string>;
  const names = new Set(transaction.entry?.map((entry) => entry.fullUrl));
  return [
    `${transaction.type} ${names.size > 50 ? "True" : "False"}`,
    `${request.method} ${request.url} ${request.ifNoneExist?.split("|")[0]}`,
  ];
}

async function answers(): Promise<Record<string, unknown>> {
  const asOf = { "as-of": query["as-of"] };
  const params = { query: asOf };
  const refused = await client.POST("/fhir/r4/$propose-switch", {
    params: { query: { ...query, ratio: "15" } },
    body: record,
  });
  const broken = structuredClone(record);
  if (broken.entry?.[0]?.resource) broken.entry[0].resource.gender = 7;
  const notValid = await client.POST("/fhir/r4/$propose-switch", {
    params: { query: { ...asOf, validate: true } },
    body: broken,
  });
  const counted = await client.POST("/cds-services/{id}/feedback", {
    params: { path: { id: "thyroid-order" } },
    body: read("calls/feedback.json") as Schemas["FeedbackCall"],
    parseAs: "text",
  });
  const outcome: Schemas["OperationOutcome"] | undefined = refused.error;
  return {
    propose: await propose(record),
    compare: given(await client.POST("/fhir/r4/$compare-bases", { params, body: record })),
    "next-step": given(
      await client.POST("/fhir/r4/$next-step", {
        params: { query: { "as-of": "2025-04-17" } },
        body: read("visits/on-time.json") as Bundle,
      }),
    ),
    refused: [refused.response.status, outcome],
    "not-valid": notValid.error,
    services: given(await client.GET("/cds-services")),
    cards: await sign(),
    feedback: counted.response.status,
    lookup: given(
      await client.GET("/fhir/r4/CodeSystem/$lookup", {
        params: {
          query: {
            system: "http://crossgrain.example/fhir/CodeSystem/finding",
            code: "warfarin",
          },
        },
      }),
    ),
  };
}

const recipes = {
  "The doses of a plan, by date": await doses(),
  "The draws of a plan": await draws(),
  "A question instead of a dose": await question(),
  "Answering a question": await answering(),
  "A card at order entry": await card(),
  "Filing a plan": await filing(),
};
console.log(JSON.stringify({ recipes, answers: await answers() }));
