// The phone joins by a picture; who was let in is listed by name and can be shut out one by one.

import { button, h, refill, s } from "./dom.js";
import { ask, read, write } from "./http.js";
import { trouble } from "./trouble.js";

/** The part about devices. */
export function devicesPart(signal) {
  const place = h("div", {});
  const code = h("div", { role: "status" });
  const draw = async () => {
    try {
      const { open, devices } = await read("/v1/devices", "Reading who was let in", signal);
      if (!open) return refill(place, h("p", {}, "This server answers this computer only. Started as ", h("code", {}, "valuer serve --lan"), ", it shows a code here for the phone to photograph."));
      return refill(place, devices.length ? h("ul", { class: "past" }, devices.map(item)) : h("p", {}, "Nobody was let in yet."),
        button("Let a phone in", invite), code);
    } catch (error) {
      if (error.name === "AbortError") return null;
      return refill(place, trouble(error, draw));
    }
  };
  const item = ({ number, name, let_in: day, this_one: here }) => h("li", { class: "device" }, h("b", {}, name), here ? " (this one)" : "", h("small", {}, ` let in on ${day} `),
    button("Shut out", async () => {
      if (!confirm(`Shut ${name} out? It is asked for an invitation again.`)) return;
      await write("DELETE", `/v1/devices/${number}`);
      draw();
    }, { class: "quiet", "aria-label": `Shut ${name} out` }));
  const invite = async () => {
    try {
      const { address, minutes, squares } = await ask("/v1/invitations", {}, "Making an invitation");
      refill(code, picture(squares), h("p", {}, `Photograph it with the phone, within ${minutes} minutes; it lets one device in. Or type the address there:`), h("p", { class: "fine" }, h("code", {}, address)));
    } catch (error) {
      refill(code, trouble(error));
    }
  };
  draw();
  return place;
}

/** The squares of a code with the white border that a camera wants, four squares wide. */
function picture(rows) {
  const side = rows.length + 8;
  const dark = rows.flatMap((row, y) => [...row].map((square, x) => (square === "1" ? `M${x + 4} ${y + 4}h1v1h-1z` : ""))).join("");
  return s("svg", { class: "code", viewBox: `0 0 ${side} ${side}`, role: "img", "aria-label": "Code to photograph with the phone", "shape-rendering": "crispEdges" },
    s("rect", { class: "code-ground", width: side, height: side }), s("path", { class: "code-dark", d: dark }));
}

/** What this device may be called: what it is, as far as its browser says. */
export function ownName() {
  const agent = navigator.userAgent;
  const kind = /iPad|Tablet/.test(agent) ? "Tablet" : /Mobi|Android|iPhone/.test(agent) ? "Phone" : "Computer";
  const system = ["Android", "iPhone", "iPad", "Windows", "Mac", "Linux"].find((name) => agent.includes(name));
  return system ? `${kind} (${system})` : kind;
}
