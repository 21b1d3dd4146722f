// A FHIR server in memory that is not ours: a general library's router and store. Of each scene it
// holds the record, is sent one transaction after another, and says what it answered and what it
// holds then.
import { readFileSync } from "node:fs";
import {
  indexSearchParameterBundle,
  indexStructureDefinitionBundle,
  parseSearchRequest,
  validateResource,
} from "@medplum/core";
import { FhirRouter, MemoryRepository, makeSimpleRequest } from "@medplum/fhir-router";
import { definitions, searchParameters } from "./sources.mjs";

indexStructureDefinitionBundle(definitions());
// One for each type: the library would walk the paths of all types in every resource.
const ofType = (parameter, base) => {
  const paths = parameter.expression.split(" | ").filter((path) => path.startsWith(`${base}.`));
  return { ...parameter, base: [base], expression: paths.join(" | ") };
};
const entry = searchParameters()
  .filter(({ code }) => code === "identifier")
  .flatMap((parameter) => parameter.base.map((base) => ({ resource: ofType(parameter, base) })));
indexSearchParameterBundle({ resourceType: "Bundle", type: "collection", entry });

// The library leaves three things to a server with a database: to judge what it is given, to find
// what a reference searches for, and (in `filed`) to keep nothing of a transaction that fails.
class Store extends MemoryRepository {
  constructor(types) {
    super();
    this.types = types;
  }

  async createResource(resource) {
    const created = await this.#found(resource);
    validateResource(created);
    return super.createResource(created);
  }

  async withTransaction(work) {
    return work(undefined);
  }

  async hold(resources) {
    this.clear();
    for (const resource of resources) await super.createResource(resource);
  }

  async everything() {
    const all = [];
    for (const resourceType of this.types) {
      const { entry } = await this.search({ resourceType, count: 10_000 });
      all.push(...(entry ?? []).map(({ resource }) => resource));
    }
    return all;
  }

  // http://hl7.org/fhir/R4/http.html#trules: one match, or the transaction fails
  async #found(node) {
    if (Array.isArray(node)) return Promise.all(node.map((each) => this.#found(each)));
    if (node === null || typeof node !== "object") return node;
    const entries = Object.entries(node).map(async ([key, value]) => {
      const searched = key === "reference" && typeof value === "string" && value.includes("?");
      return [key, searched ? await this.#only(value) : await this.#found(value)];
    });
    return Object.fromEntries(await Promise.all(entries));
  }

  async #only(query) {
    const { entry = [] } = await this.search(parseSearchRequest(query));
    if (entry.length !== 1) throw new Error(`${entry.length} resources match ${query}`);
    const { resourceType, id } = entry[0].resource;
    return `${resourceType}/${id}`;
  }
}

async function filed({ record, transactions }) {
  const sent = transactions.flatMap(({ entry }) => entry.map(({ resource }) => resource));
  const store = new Store(new Set([...record, ...sent].map(({ resourceType }) => resourceType)));
  await store.hold(record);
  const answers = [];
  for (const transaction of transactions) {
    const before = await store.everything();
    const request = makeSimpleRequest("POST", "/", transaction);
    const [outcome, answer] = await new FhirRouter().handleRequest(request, store);
    const responses = answer?.entry?.map(({ response }) => response) ?? [{ outcome }];
    const failed = responses.filter(({ status }) => !status?.startsWith("2"));
    if (failed.length) await store.hold(before);
    answers.push({ statuses: responses.map(({ status }) => status), failed });
  }
  return { answers, held: await store.everything() };
}

const done = [];
for (const scene of JSON.parse(readFileSync(0, "utf8"))) done.push(await filed(scene));
process.stdout.write(JSON.stringify(done));
