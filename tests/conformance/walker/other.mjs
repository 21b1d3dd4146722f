// The same as profiles.mjs, by an engine that is not ours: a general FHIR library's validator.
import { readFileSync } from "node:fs";
import { indexStructureDefinitionBundle, validateResource } from "@medplum/core";
import { definitions as core } from "./sources.mjs";

const ofCore = (d) => d.resourceType === "StructureDefinition" && d.derivation !== "constraint";
indexStructureDefinitionBundle(core().filter(ofCore));
const { definitions, judged } = JSON.parse(readFileSync(0, "utf8"));
const profiles = new Map(definitions.map((definition) => [definition.url, definition]));

// It throws its errors, and returns what only deserves a warning.
function faults({ resource, profile }) {
  try {
    validateResource(resource, { profile: profiles.get(profile) });
    return [];
  } catch (error) {
    if (!error.outcome) throw error;
    const grave = error.outcome.issue.filter(({ severity }) => severity === "error");
    return grave.map((issue) => ({ place: issue.expression?.[0], message: issue.details.text }));
  }
}

process.stdout.write(JSON.stringify(judged.map(faults)));
