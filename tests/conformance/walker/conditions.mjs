// Reads a JSON list of {expression, variables}, writes what each evaluates to.
import { readFileSync } from "node:fs";
import fhirpath from "fhirpath";
import r4 from "fhirpath/fhir-context/r4/index.js";

const asked = JSON.parse(readFileSync(0, "utf8"));
const answers = asked.map(({ expression, variables }) =>
  fhirpath.evaluate({}, expression, variables, r4),
);
process.stdout.write(JSON.stringify(answers));
