// The way in from the network: by the address that the server showed, or by its token typed here.

import { ownName } from "./devices.js";
import { freshId, h, refill } from "./dom.js";
import { ask } from "./http.js";

const WAY = "#/enter/";

/** Exchange a token that came in the address for a cookie that no script can read; nothing where none came. */
export async function comeIn() {
  if (!location.hash.startsWith(WAY)) return;
  const token = location.hash.slice(WAY.length);
  history.replaceState(null, "", "#/bench"); // out of sight before it is used
  await enter(token);
}

const enter = (token) => ask("/v1/entrance", { token, name: ownName() }, "Letting this device in");

/** What stands on the page while this device is not let in; `again` shows the view once it is. */
export function outside(again, why = "") {
  const id = freshId("token");
  const said = h("p", { class: "not", role: "alert" }, why);
  const token = h("input", { id, type: "text", required: true, maxlength: 200, autocomplete: "off", autocapitalize: "none", spellcheck: "false" });
  const open = async (event) => {
    event.preventDefault();
    try {
      await enter(token.value.trim());
      await again();
    } catch (error) {
      refill(said, error.message);
    }
  };
  return h("section", { class: "outside" }, h("h1", {}, "This device is not let in"),
    h("p", {}, "Open the address that the server showed when it was started for the network, or type the token that stands in it."),
    h("form", { on: { submit: open } }, h("div", { class: "fields" },
      h("p", {}, h("label", { for: id }, "Token"), token), h("button", { type: "submit" }, "Let it in"))), said);
}
