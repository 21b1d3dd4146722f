// Reads {definitions, judged: [{resource, profile}]}, writes for each the faults that its profile's snapshot sees.
// What the core definitions demand is the other script's to check; here it is the profile's own part.
import { readFileSync } from "node:fs";
import { checkInvariants } from "./content.mjs";
import { structures } from "./definitions.mjs";
import { functionsOver } from "./functions.mjs";
import { candidates } from "./structure.mjs";

const { definitions, judged } = JSON.parse(readFileSync(0, "utf8"));
const ofKind = (kind) => new Map(definitions.filter((d) => d.resourceType === kind).map((d) => [d.url, d]));
const valueSets = ofKind("ValueSet");
const snapshots = new Map([...ofKind("StructureDefinition")].map(([url, d]) => [url, indexed(d)]));

// An element's direct children, and its slices, by its id.
function indexed({ snapshot, type }) {
  const children = new Map();
  const slices = new Map();
  const put = (map, key, element) => map.set(key, [...(map.get(key) ?? []), element]);
  for (const element of snapshot?.element ?? []) {
    const dot = element.id.lastIndexOf(".");
    const colon = element.id.indexOf(":", dot);
    if (colon > 0) put(slices, element.id.slice(0, colon), element);
    else if (dot > 0) put(children, element.id.slice(0, dot), element);
  }
  return { type, root: snapshot?.element[0], children, slices };
}

// The JSON values of an element, each with its type: those of any type that the core allows there.
function valuesOf(node, element) {
  const [type] = element.base.path.split(".");
  const core = structures.get(type).elements.get(element.base.path);
  return candidates(core)
    .filter(([name]) => node[name] !== undefined)
    .flatMap(([name, of]) => [node[name]].flat().map((value) => ({ value, type: of?.code })));
}

const isPart = (pattern, value) =>
  pattern !== null && typeof pattern === "object"
    ? value !== null &&
      typeof value === "object" &&
      Object.entries(pattern).every(([key, part]) =>
        Array.isArray(part) ? part.every((p) => value[key]?.some((v) => isPart(p, v))) : isPart(part, value[key]),
      )
    : pattern === value;

const among = ({ system, code }, include) =>
  include.system === system && (!include.concept || include.concept.some((c) => c.code === code));

function checkValue({ value, type }, place, element, found) {
  if (element.type && type && !element.type.some((t) => t.code === type)) {
    found(place, `${element.id} is not to be a ${type}`);
  }
  for (const [key, expected] of Object.entries(element)) {
    if (/^pattern[A-Z]/.test(key) && !isPart(expected, value)) found(place, `${element.id} is not as it must be`);
    if (/^fixed[A-Z]/.test(key) && value !== expected) found(place, `${element.id} is not as it must be`);
  }
  const bound = element.binding?.strength === "required" && valueSets.get(element.binding.valueSet);
  if (bound && !value.coding?.some((coding) => bound.compose.include.some((i) => among(coding, i)))) {
    found(place, `${element.id} has no code of ${bound.url}`);
  }
}

function count(values, place, element, found) {
  if (values.length < element.min) found(place, `${element.id} is missing`);
  if (element.max !== "*" && values.length > Number(element.max)) found(place, `there are too many ${element.id}`);
}

// A slice of extensions is told by the url that its profile names.
const isOf = (slice, { value }) => slice.type.some((t) => t.profile?.includes(value.url));

function walk(node, place, id, profile, found) {
  for (const element of profile.children.get(id) ?? []) {
    const values = valuesOf(node, element);
    const at = `${place}.${element.path.slice(element.path.lastIndexOf(".") + 1)}`;
    count(values, at, element, found);
    values.forEach((one, i) => {
      checkValue(one, `${at}[${i}]`, element, found);
      walk(one.value, `${at}[${i}]`, element.id, profile, found);
    });
    for (const slice of profile.slices.get(element.id) ?? []) {
      count(values.filter((one) => isOf(slice, one)), at, slice, found);
    }
  }
}

function checked({ resource, profile: url }) {
  const faults = [];
  const found = (place, message) => faults.push({ place, message });
  const profile = snapshots.get(url);
  if (!profile) throw new Error(`there is no profile ${url}`);
  const { type, root } = profile;
  if (resource.resourceType !== type) found(type, `${resource.resourceType} is of another type`);
  walk(resource, type, type, profile, found);
  const own = { ...root, id: `${url} itself`, constraint: root.constraint.filter((c) => c.source === url) };
  const visited = { node: resource, place: type, path: type, resource, element: own };
  visited.structure = { elements: new Map() };
  checkInvariants(visited, resource, functionsOver(new Map()), found);
  return faults;
}

process.stdout.write(JSON.stringify(judged.map(checked)));
