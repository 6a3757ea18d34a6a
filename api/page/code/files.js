// The records as files.

import { h } from "./dom.js";

/** The part about files. */
export function filesPart() {
  return h("p", {}, "On the command line: `valuer export`, `valuer import`, `valuer backup`, `valuer restore`.");
}
