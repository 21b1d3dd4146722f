// Content: the invariants of every element, codes of known systems, UCUM units, references.
import fhirpath from "fhirpath";
import ucum from "@lhncbc/ucum-lhc";
import { codeSystems } from "./definitions.mjs";
import { VERSION } from "./sources.mjs";

const { default: model } = await import(`fhirpath/fhir-context/${VERSION}/index.js`);

const units = ucum.UcumLhcUtils.getInstance();
const UCUM = "http://unitsofmeasure.org";
// R4's dom-3 applies `as` to a collection, which FHIRPath forbids; a check in Python stands for it.
// Invariants of a primitive, as are those of a narrative's HTML, are not looked at.
// The regular expressions of eld-16 and eld-19 and the quotation marks of R5's eld-11 are none to a JavaScript
// engine; Python stands for those, and we bind nothing, which is all that the last is about.
const NOT_EVALUATED = new Set(VERSION === "r4" ? ["dom-3", "eld-16", "eld-19"] : ["eld-11", "eld-16", "eld-19"]);
// ref-1 has no value for a Reference without `reference`, where there is nothing to forbid.
const NO_VALUE_HOLDS = new Set(["ref-1"]);
const SILENT = { traceFn: () => {} };

const compiled = new Map();
function evaluator(path, expression) {
  const key = `${path}|${expression}`;
  if (!compiled.has(key)) compiled.set(key, fhirpath.compile({ base: path, expression }, model, SILENT));
  return compiled.get(key);
}

// The invariants to hold at an element: those of its type, and those of where it stands.
const required = new Map();
function invariantsOf(...definitions) {
  const key = definitions.map((d) => d?.id).join("|");
  if (!required.has(key)) {
    const constraints = definitions.flatMap((d) => d?.constraint ?? []);
    const byKey = new Map(constraints.map((c) => [c.key, c]));
    const judged = ({ key: name, severity, expression }) =>
      severity === "error" && expression && !NOT_EVALUATED.has(name);
    required.set(key, [...byKey.values()].filter(judged));
  }
  return required.get(key);
}

// Returns how many invariants were evaluated; no value counts as not holding.
export function checkInvariants(visited, rootResource, functions, found) {
  const { node, place, structure, path, resource, element } = visited;
  const environment = { resource, rootResource };
  let evaluated = 0;
  for (const { key, expression, human } of invariantsOf(structure.elements.get(path), element)) {
    let holds;
    try {
      const result = evaluator(path, expression)(node, environment, functions);
      holds = result.length > 0 ? result.every((item) => item === true) : NO_VALUE_HOLDS.has(key);
    } catch (error) {
      found(place, `${key} could not be evaluated: ${error.message}`);
      continue;
    }
    evaluated += 1;
    if (!holds) found(place, `${key}: ${human}`);
  }
  return evaluated;
}

export function checkCodes({ node, place, path }, found) {
  if (path === "Coding" && codeSystems.has(node.system)) {
    const known = codeSystems.get(node.system);
    if (!known.has(node.code)) found(place, `${node.system} has no code ${node.code}`);
    else if (node.display && node.display.toLowerCase() !== known.get(node.code).toLowerCase()) {
      found(place, `${node.code} is displayed as ${known.get(node.code)}`);
    }
  }
  if (node.system === UCUM && node.code !== undefined) {
    const { status } = units.validateUnitString(node.code);
    if (status !== "valid") found(place, `${node.code} is not a UCUM unit`);
  }
}

function resourcesIn(node) {
  if (node === null || typeof node !== "object") return [];
  const inside = Object.values(node).flatMap(resourcesIn);
  return node.resourceType ? [node, ...inside] : inside;
}

// For each contained resource the one that contains it.
export const containersIn = (root) =>
  new Map(resourcesIn(root).flatMap((r) => (r.contained ?? []).map((c) => [c, r])));

// The resources of every Bundle by full URL.
export const entriesIn = (root) =>
  new Map(
    resourcesIn(root)
      .flatMap((r) => (r.resourceType === "Bundle" ? r.entry : []))
      .map((e) => [e.fullUrl, e.resource]),
  );

// What a reference points to: a type, "missing" for a link that should resolve here, or
// undefined where nothing can be said.
export function resolver(entries, containers) {
  return (reference, resource) => {
    if (reference === undefined) return undefined;
    if (reference.startsWith("#")) {
      // A fragment means the same in what is contained as in what contains it; # is the latter.
      const container = containers.get(resource) ?? resource;
      if (reference === "#") return container.resourceType;
      const inside = container.contained?.find((c) => `#${c.id}` === reference);
      return inside?.resourceType ?? "missing";
    }
    if (reference.startsWith("urn:")) return entries.get(reference)?.resourceType ?? "missing";
    return /^([A-Z]\w+)\//.exec(reference)?.[1];
  };
}
