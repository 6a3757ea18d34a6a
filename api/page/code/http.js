// The only door to the JSON API.

import { began, serverAway } from "./watch.js";

/** The server refused, and said why: RFC 9457 problem details. */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem.errors?.length ? problem.errors.map((each) => each.detail).join("; ") : problem.detail ?? unwell(problem.parts));
    this.status = status;
    this.fields = problem.errors ?? [];
    this.odd = status === 409 && this.fields.length > 0; // asked back: right or a slip?
  }
}

/** What `/health` says is wrong, and what to do. */
const unwell = (parts = []) => parts.filter((each) => each.do).map((each) => `${each.part}: ${each.says}; ${each.do}`).join(". ");

/** The server did not answer at all. */
export class Away extends Error {
  constructor() {
    super("The server does not answer; what you typed is kept on this device.");
  }
}

/** Read something; `words` say what is being done, should it take long. */
export const read = (path, words, signal) => sent("GET", path, { words, signal }).then((answer) => answer.body);

/** Ask a question; nothing changes by it. */
export const ask = (path, question, words, signal) =>
  sent("POST", path, { body: question, words, signal }).then((answer) => answer.body);

/** Change something on record: `match` names the version that is changed, `key` makes a repeated post one. */
export function write(method, path, body, { match, key } = {}) {
  const headers = {};
  if (match !== undefined) headers["If-Match"] = `"${match}"`;
  if (key !== undefined) headers["Idempotency-Key"] = key;
  return sent(method, path, { body, headers, words: "Writing it down" }).then((answer) => answer.body);
}

/** Send a picture. */
export const sendPicture = (path, picture) => sent("POST", path, { raw: picture, headers: { "Content-Type": picture.type }, words: "Keeping the picture" }).then((answer) => answer.body);

async function sent(method, path, { body, raw, headers = {}, words = "Asking", signal }) {
  const over = began(words);
  try {
    const answer = await fetch(path, {
      method,
      signal,
      headers: body === undefined ? headers : { "Content-Type": "application/json", ...headers },
      body: raw ?? (body === undefined ? undefined : JSON.stringify(body)),
    });
    if (answer.headers.has("Valuer-Seen")) serverAway(); // it was kept on this device
    const document = answer.status === 204 ? null : await answer.json();
    if (answer.status === 401 && path !== "/v1/entrance") window.dispatchEvent(new Event("not-let-in"));
    if (!answer.ok) throw new Refused(answer.status, document);
    return { body: document };
  } catch (error) {
    throw fault(error);
  } finally {
    over();
  }
}

/** The server is away where no answer came, or one that is not its own. */
function fault(error) {
  if (error instanceof Refused || error.name === "AbortError") return error;
  serverAway();
  return new Away();
}
