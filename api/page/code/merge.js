// Two changes of one machine: what does not clash goes together, what does is shown from both sides.

const GROUPS = ["readings", "checks"];

/** A machine as flat fields: `drive`, `faults/blade_dull`, `readings/blade_stop_s`, `checks/recall`. */
function flat(machine) {
  const { id, faults = [], readings, checks, ...rest } = machine;
  const fields = new Map(Object.entries(rest));
  for (const each of faults) fields.set(`faults/${each.split(":")[0]}`, each);
  for (const group of GROUPS) for (const [name, value] of Object.entries(machine[group] ?? {})) fields.set(`${group}/${name}`, value);
  return fields;
}

function machineOf(id, fields) {
  const machine = { id };
  for (const [path, value] of fields) {
    const [group, name] = path.split("/");
    if (group === "faults") (machine.faults ??= []).push(value);
    else if (name) (machine[group] ??= {})[name] = value;
    else machine[group] = value;
  }
  return machine;
}

const alike = (a, b) => JSON.stringify(a) === JSON.stringify(b);

/** `{ machine, clashes }`: both changes of `base` together; a clash `{ field, mine, theirs }` stands as mine in it. */
export function merged(base, mine, theirs) {
  const [was, own, other] = [flat(base), flat(mine), flat(theirs)];
  const fields = new Map();
  const clashes = [];
  for (const field of new Set([...other.keys(), ...own.keys(), ...was.keys()])) {
    const [before, here, there] = [was.get(field), own.get(field), other.get(field)];
    const stands = alike(here, before) ? there : here;
    if (!alike(here, before) && !alike(there, before) && !alike(here, there)) clashes.push({ field, mine: here, theirs: there });
    if (stands !== undefined) fields.set(field, stands);
  }
  return { machine: machineOf(theirs.id, fields), clashes };
}

/** The machine with one field as somebody chose. */
export function withField(machine, field, value) {
  const fields = flat(machine);
  if (value === undefined) fields.delete(field);
  else fields.set(field, value);
  return machineOf(machine.id, fields);
}
