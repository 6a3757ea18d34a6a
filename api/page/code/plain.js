// Small things about records that need nothing else.

/** The path of a machine on record. */
export const place = (id) => `/v1/machines/${encodeURIComponent(id)}`;

/** The address of a machine on this page, or of one of its lines. */
export const at = (id, line) => `#/machine/${encodeURIComponent(id)}${line ? `/${line}` : ""}`;

/** Without the nulls of a JSON answer: unknown is absent in what is sent. */
export function bare(value) {
  if (Array.isArray(value)) return value.map(bare);
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).filter(([, each]) => each !== null).map(([name, each]) => [name, bare(each)]));
}

/** Today on the user's own calendar, as YYYY-MM-DD. */
export function today() {
  const now = new Date();
  return [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((part) => String(part).padStart(2, "0")).join("-");
}
