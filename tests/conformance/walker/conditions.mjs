// Reads {resources, asked}, of asked a list of {expression, of}, writes what each evaluates to on the
// resource of that number.
import { readFileSync } from "node:fs";
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";
import r5 from "fhirpath/fhir-context/r5/index.js";

const model = { r4, r5 }[process.argv[2]];
const { resources, asked } = JSON.parse(readFileSync(0, "utf8"));
const compiled = new Map();
function compile(expression) {
  if (!compiled.has(expression)) compiled.set(expression, fhirpath.compile(expression, model));
  return compiled.get(expression);
}
process.stdout.write(JSON.stringify(asked.map(({ expression, of }) => compile(expression)(resources[of]))));
