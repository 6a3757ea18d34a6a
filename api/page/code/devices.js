// The phone joins by a picture; who was let in is listed by name and can be shut out.

import { h } from "./dom.js";

/** The part about devices. */
export function devicesPart() {
  return h("p", {}, "Start the server with `valuer serve --lan` to let a phone in.");
}
