// Shape: every property known, every cardinality, type, pattern, binding and target right.
import { isMember, isPrimitive, pattern, structures, typeName } from "./definitions.mjs";

const NUMBERS = new Set(["decimal", "integer", "positiveInt", "unsignedInt"]);

// Walk a resource. `found(path, message)` hears of each fault; `visit` sees each element:
// its node, its place, the definition's path and the resource that it belongs to.
export function walkResource(resource, place, found, visit) {
  const structure = structures.get(resource?.resourceType);
  if (structure?.kind !== "resource") {
    found(place, `there is no resource type ${resource?.resourceType}`);
    return;
  }
  const walker = { resource, found, visit };
  visit({ node: resource, place, structure, path: structure.type, resource });
  walkChildren(walker, resource, place, structure, structure.type);
}

function walkChildren(walker, node, place, structure, path) {
  const known = new Set(path === walker.resource.resourceType ? ["resourceType"] : []);
  for (const element of structure.children.get(path) ?? []) {
    const names = candidates(element);
    const present = names.filter(([name]) => name in node || `_${name}` in node);
    names.forEach(([name]) => known.add(name).add(`_${name}`));
    if (present.length > 1) walker.found(place, `more than one ${element.path}`);
    if (present.length === 0 && element.min > 0) walker.found(place, `${element.path} is missing`);
    for (const [name, type] of present) {
      walkElement(walker, node[name], `${place}.${name}`, structure, element, type);
    }
  }
  for (const name of Object.keys(node)) {
    if (!known.has(name)) walker.found(`${place}.${name}`, `${path} has no such element`);
  }
}

// The JSON names that an element may go by, with the type that each stands for.
const named = new Map();
export function candidates(element) {
  if (!named.has(element)) named.set(element, namesOf(element));
  return named.get(element);
}

function namesOf(element) {
  const name = element.path.slice(element.path.lastIndexOf(".") + 1);
  if (!name.endsWith("[x]")) return [[name, element.type?.[0]]];
  const stem = name.slice(0, -3);
  return element.type.map((t) => [stem + t.code[0].toUpperCase() + t.code.slice(1), t]);
}

function walkElement(walker, value, place, structure, element, type) {
  const many = (element.base?.max ?? element.max) !== "1";
  if (Array.isArray(value) !== many) {
    walker.found(place, many ? "a list is expected" : "a single value is expected");
    return;
  }
  const values = many ? value : [value];
  if (many && values.length === 0) walker.found(place, "an empty list");
  if (values.length < element.min) walker.found(place, `at least ${element.min} are needed`);
  if (element.max !== "*" && values.length > Number(element.max)) {
    walker.found(place, `at most ${element.max} are allowed`);
  }
  values.forEach((one, i) =>
    walkValue(walker, one, many ? `${place}[${i}]` : place, structure, element, type),
  );
}

function walkValue(walker, value, place, structure, element, type) {
  if (element.contentReference) {
    walkComplex(walker, value, place, structure, element.contentReference.slice(1), element);
    return;
  }
  // R4 types Resource.id as a string, with `id` meant (its own text says so).
  const name = element.base?.path === "Resource.id" ? "id" : typeName(type);
  if (name === "Resource") {
    walkResource(value, place, walker.found, walker.visit);
  } else if (isPrimitive(name)) {
    checkPrimitive(walker, value, place, name, element);
  } else if (structure.children.has(element.path)) {
    walkComplex(walker, value, place, structure, element.path, element);
  } else {
    walkComplex(walker, value, place, structures.get(name), name, element);
    if (name === "Reference") checkTarget(walker, value, place, type);
    if (name === "CodeableReference" && value.reference) {
      checkTarget(walker, value.reference, `${place}.reference`, type);
    }
  }
}

function walkComplex(walker, value, place, structure, path, element) {
  if (value === null || typeof value !== "object" || Object.keys(value).length === 0) {
    walker.found(place, "an object with content is expected");
    return;
  }
  const { resource } = walker;
  walker.visit({ node: value, place, structure, path, resource, element });
  walkChildren(walker, value, place, structure, path);
}

function checkPrimitive(walker, value, place, name, element) {
  const kind = name === "boolean" ? "boolean" : NUMBERS.has(name) ? "number" : "string";
  if (typeof value !== kind) {
    walker.found(place, `a ${kind} is expected for ${name}`);
    return;
  }
  const form = name === "xhtml" ? null : pattern(name);
  // R5 calls the id of an element an id, and names its own elements otherwise ("a:slice.b[x]").
  if (/\.(differential|snapshot)\.element/.test(place) && place.endsWith(".id")) return;
  if (form && !form.test(String(value))) walker.found(place, `this is not a ${name}`);
  if (value === "") walker.found(place, "an empty string");
  if (element.binding?.strength === "required" && name === "code") {
    if (isMember(value, element.binding.valueSet) === false) {
      walker.found(place, `${value} is not in ${element.binding.valueSet}`);
    }
  }
}

function checkTarget(walker, value, place, type) {
  const target = walker.found.typeOf(value.reference, walker.resource);
  const allowed = (type.targetProfile ?? []).map((url) => url.slice(url.lastIndexOf("/") + 1));
  if (target === "missing") walker.found(place, `${value.reference} leads nowhere`);
  else if (target && allowed.length && !allowed.includes("Resource") && !allowed.includes(target)) {
    walker.found(place, `a ${target} may not stand here`);
  }
}
