// The functions of FHIRPath for which the engine would ask a server, answered from what is here.
import { isMember } from "./definitions.mjs";

export const functionsOver = (entries) => ({
  userInvocationTable: {
    // Finds what is sent along.
    resolve: {
      fn: (references) =>
        references
          .filter(({ data }) => entries.has(data?.reference))
          .map((found) => nodeOf(found, entries.get(found.data.reference))),
      arity: { 0: [] },
      internalStructures: true,
    },
    // Of a code; no value where the value set cannot be expanded.
    memberOf: {
      fn: (codes, valueSet) => codes.map((code) => isMember(code, valueSet) ?? []).flat(),
      arity: { 1: ["String"] },
    },
  },
});

// A resource as the engine holds it, of the class that the engine itself gave for another.
const nodeOf = ({ constructor: Node, ctx }, resource) =>
  new Node(ctx, resource, null, resource.resourceType, null, resource.resourceType);
