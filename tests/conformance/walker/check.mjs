// Reads a JSON list of Bundles, writes for each its faults and how much was looked at.
import { readFileSync } from "node:fs";
import { checkCodes, checkInvariants, resolver } from "./content.mjs";
import { walkResource } from "./structure.mjs";

function checked(bundle) {
  const faults = [];
  const looked = { elements: 0, invariants: 0 };
  const found = (place, message) => faults.push({ place, message });
  found.typeOf = resolver(bundle);
  const roots = new Map(bundle.entry.map(({ resource }, i) => [`Bundle.entry[${i}]`, resource]));
  walkResource(bundle, "Bundle", found, (visited) => {
    const entry = /^Bundle\.entry\[\d+\]/.exec(visited.place)?.[0];
    looked.elements += 1;
    looked.invariants += checkInvariants(visited, roots.get(entry) ?? bundle, found);
    checkCodes(visited, found);
  });
  return { faults, ...looked };
}

const bundles = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(bundles.map(checked)));
