// Reads a JSON list of the names of profiles that HL7 publishes, writes them as published.
import { readFileSync } from "node:fs";
import { published } from "./sources.mjs";

process.stdout.write(JSON.stringify(JSON.parse(readFileSync(0, "utf8")).map(published)));
