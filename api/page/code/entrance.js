// The way in from the address that the server showed: the token is taken out of sight before it is used.

import { ask } from "./http.js";

const WAY = "#/enter/";

/** Exchange a token that came in the address for a cookie that no script can read; nothing where none came. */
export async function comeIn() {
  if (!location.hash.startsWith(WAY)) return;
  const token = location.hash.slice(WAY.length);
  history.replaceState(null, "", "#/bench");
  await ask("/v1/entrance", { token }, "Letting this device in");
}
