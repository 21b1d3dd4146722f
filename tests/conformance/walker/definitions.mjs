// The official definitions, indexed: structures by type, codes by value set and system.
import { definitions, terminology } from "./sources.mjs";

const REGEX = "http://hl7.org/fhir/StructureDefinition/regex";
const FHIR_TYPE = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type";

export const structures = new Map();
for (const definition of definitions()) {
  if (definition.resourceType === "StructureDefinition" && definition.derivation !== "constraint") {
    structures.set(definition.type, indexed(definition));
  }
}

// Element definitions by path, and the paths of each element's direct children.
function indexed(definition) {
  const elements = new Map();
  const children = new Map();
  for (const element of definition.snapshot?.element ?? []) {
    elements.set(element.path, element);
    const parent = element.path.slice(0, element.path.lastIndexOf("."));
    if (parent) children.set(parent, [...(children.get(parent) ?? []), element]);
  }
  return { kind: definition.kind, type: definition.type, elements, children };
}

// FHIR's own name of a type; ids and primitive values carry it in an extension.
export const typeName = (type) =>
  type.code.startsWith("http://hl7.org/fhirpath/")
    ? (type.extension?.find((e) => e.url === FHIR_TYPE)?.valueUrl ?? "string")
    : type.code;

export const isPrimitive = (name) => structures.get(name)?.kind === "primitive-type";

const patterns = new Map();
export function pattern(primitive) {
  if (!patterns.has(primitive)) {
    const value = structures.get(primitive).elements.get(`${primitive}.value`);
    const written = value.type[0].extension?.find((e) => e.url === REGEX)?.valueString;
    // R5's own pattern for a decimal closes its last brace twice.
    const meant = written?.replace("}}", "}");
    patterns.set(primitive, meant ? new RegExp(`^(?:${meant})$`, "su") : null);
  }
  return patterns.get(primitive);
}

const valueSets = new Map();
export const codeSystems = new Map();
for (const resource of terminology()) {
  if (resource.resourceType === "ValueSet") valueSets.set(resource.url, resource);
  if (resource.resourceType === "CodeSystem" && resource.content === "complete") {
    codeSystems.set(resource.url, displays(resource.concept));
  }
}

function displays(concepts, found = new Map()) {
  for (const concept of concepts ?? []) {
    found.set(concept.code, concept.display);
    displays(concept.concept, found);
  }
  return found;
}

// The codes of a value set as `system|code`, or null where it cannot be expanded from here.
const expansions = new Map();
function expand(canonical) {
  const url = canonical.split("|")[0];
  if (!expansions.has(url)) {
    expansions.set(url, null); // a set that includes itself cannot be expanded
    const compose = valueSets.get(url)?.compose;
    expansions.set(url, compose && !compose.exclude ? union(compose.include.map(included)) : null);
  }
  return expansions.get(url);
}

// Whether a value set has a code, of whatever system, or undefined where that cannot be said.
const members = new Map();
export function isMember(code, valueSet) {
  if (!members.has(valueSet)) {
    const codes = expand(valueSet);
    const bare = codes && [...codes].map((known) => known.slice(known.lastIndexOf("|") + 1));
    members.set(valueSet, bare && new Set(bare));
  }
  return members.get(valueSet)?.has(code);
}

function included(include) {
  if (include.filter) return null;
  if (include.valueSet) return union(include.valueSet.map(expand));
  const codes = include.concept?.map((c) => c.code) ?? codeSystems.get(include.system)?.keys();
  return codes ? new Set([...codes].map((code) => `${include.system}|${code}`)) : null;
}

const union = (sets) => (sets.includes(null) ? null : new Set(sets.flatMap((set) => [...set])));
