// Reads a JSON list of resources, writes for each its faults and how much was looked at.
import { readFileSync } from "node:fs";
import { checkCodes, checkInvariants, containersIn, entriesIn, resolver } from "./content.mjs";
import { functionsOver } from "./functions.mjs";
import { walkResource } from "./structure.mjs";

function checked(root) {
  const faults = [];
  const looked = { elements: 0, invariants: 0 };
  const found = (place, message) => faults.push({ place, message });
  const containers = containersIn(root);
  const entries = entriesIn(root);
  const functions = functionsOver(entries);
  found.typeOf = resolver(entries, containers);
  walkResource(root, root.resourceType, found, (visited) => {
    const outermost = containers.get(visited.resource) ?? visited.resource;
    looked.elements += 1;
    looked.invariants += checkInvariants(visited, outermost, functions, found);
    checkCodes(visited, found);
  });
  return { faults, ...looked };
}

const resources = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(resources.map(checked)));
