// What a general FHIR client in JavaScript gets from the service; of its settings the address alone
// is given. Prints one JSON object: what it was asked, then its answer.
import { MedplumClient } from "@medplum/core";
import { readFileSync } from "node:fs";

const client = new MedplumClient({ baseUrl: process.env.BASE, fhirUrlPath: "fhir/r4" });
const url = "http://crossgrain.example/fhir/ValueSet/target";
const record = JSON.parse(readFileSync("fixtures/patients/01-levothyroxine-150.json", "utf-8"));
const propose = (query) => client.post(`${client.fhirUrl("$propose-switch")}?${query}`, record);
const inPages = [];
for await (const page of client.searchResourcePages("ValueSet", "_count=4")) {
  inPages.push(...page.map((each) => each.id));
}

const answers = {
  capabilities: await client.get(client.fhirUrl("metadata")),
  read: await client.readResource("ValueSet", "target"),
  "the first": await client.searchOne("ValueSet", `url=${url}`),
  "in pages": inPages,
  expanded: await client.valueSetExpand({ url }),
  proposed: await propose("target=desiccated-thyroid&as-of=2025-03-03"),
  refused: await propose("target=none").catch((error) => error.outcome),
};
console.log(JSON.stringify(answers));
