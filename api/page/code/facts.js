// What never changes while the page is open: the catalogue, and the schema of a machine.

import { read } from "./http.js";

const once = new Map();

function remembered(name, get) {
  if (!once.has(name)) {
    const asked = get();
    once.set(name, asked);
    asked.catch(() => once.delete(name)); // asked again once the server is back
  }
  return once.get(name);
}

/** Faults, fixes, checks and cautions by id. */
export const catalogue = () => remembered("catalogue", async () => {
  const all = await read("/v1/catalogue", "Reading the catalogue");
  const byId = (list) => new Map(list.map((each) => [each.id, each]));
  return {
    faults: byId(all.faults), fixes: byId(all.fixes), checks: byId(all.checks), cautions: byId(all.cautions), actsOn: all.acts_on,
  };
});

/** The JSON Schema of a machine and of its readings, from the API's own description. */
export const machineSchema = () => remembered("schema", async () => {
  const { components } = await read("/openapi.json", "Reading what may be written down");
  return { machine: components.schemas.Machine, readings: components.schemas.Readings };
});

/** The cautions that belong beside these codes, in the catalogue's order. */
export const cautionsOf = (facts, codes) => [...facts.cautions.values()].filter((each) => codes.includes(each.id));

/** The cautions that belong beside taking these readings. */
export const cautionsBeside = (facts, readings) =>
  [...facts.cautions.values()].filter((each) => each.beside.some((name) => readings.includes(name)));
