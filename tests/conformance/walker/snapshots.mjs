// Reads a JSON list of profiles (a type and a differential each), writes the elements of each snapshot:
// those of the core definition, opened where the differential goes deeper, with its constraints laid on.
// http://hl7.org/fhir/R4/profiling.html#snapshot
import { readFileSync } from "node:fs";
import { definitions } from "./sources.mjs";

const core = new Map();
for (const definition of definitions()) {
  if (definition.resourceType === "StructureDefinition" && definition.derivation !== "constraint") {
    core.set(definition.type, definition);
  }
}

// Prose for readers of the core definition, and mappings to what is not FHIR, are left out.
const LEFT_OUT = ["comment", "requirements", "alias", "example", "mapping", "extension"];

function elementsOf(type) {
  const { url, snapshot } = core.get(type) ?? {};
  if (!snapshot) throw new Error(`there is no type ${type}`);
  return snapshot.element.map((element) => {
    const kept = structuredClone(element);
    if (!element.path.includes(".")) delete kept.slicing;
    for (const name of LEFT_OUT) delete kept[name];
    kept.constraint?.forEach((one) => {
      delete one.xpath;
      one.source ??= url;
    });
    return kept;
  });
}

const isBelow = (id, root) => id.startsWith(`${root}.`) || id.startsWith(`${root}:`);

// Where an element ends, with all that stands below it and its slices.
function endOf(elements, at) {
  let end = at + 1;
  while (end < elements.length && isBelow(elements[end].id, elements[at].id)) end += 1;
  return end;
}

// The children of a complex type put below an element that is to be constrained inside.
function open(elements, at) {
  const { id, path, type } = elements[at];
  if (type?.length !== 1) throw new Error(`${id} is not of one type`);
  const inside = elementsOf(type[0].code).slice(1);
  const root = type[0].code;
  const moved = inside.map((element) => ({
    ...element,
    id: id + element.id.slice(root.length),
    path: path + element.path.slice(root.length),
  }));
  elements.splice(at + 1, 0, ...moved);
}

// Extensions are sliced by their url, also where a differential does not say so.
const BY_URL = { discriminator: [{ type: "value", path: "url" }], ordered: false, rules: "open" };

function place(elements, id) {
  const found = elements.findIndex((element) => element.id === id);
  if (found >= 0) return found;
  const slice = id.slice(id.lastIndexOf(".")).lastIndexOf(":");
  const split = slice < 0 ? id.lastIndexOf(".") : id.lastIndexOf(":");
  if (split < 0) throw new Error(`there is no element ${id}`);
  const parent = place(elements, id.slice(0, split));
  if (slice < 0) {
    open(elements, parent);
    const opened = elements.findIndex((element) => element.id === id);
    if (opened < 0) throw new Error(`there is no element ${id}`);
    return opened;
  }
  const whole = elements[parent];
  if (whole.path.endsWith("xtension")) whole.slicing ??= BY_URL;
  const { slicing, ...sliced } = structuredClone(whole);
  if (!slicing) throw new Error(`${id} is a slice of what is not sliced`);
  const at = endOf(elements, parent);
  elements.splice(at, 0, { ...sliced, id, sliceName: id.slice(split + 1), min: 0 });
  return at;
}

function laidOn(element, constraints) {
  const { constraint = [], ...others } = constraints;
  const joined = { ...element, ...others };
  if (constraint.length) joined.constraint = [...(element.constraint ?? []), ...constraint];
  return joined;
}

function snapshotOf({ type, differential }) {
  const elements = elementsOf(type);
  for (const constraints of differential.element) {
    const at = place(elements, constraints.id);
    elements[at] = laidOn(elements[at], constraints);
  }
  return elements;
}

const profiles = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(profiles.map(snapshotOf)));
