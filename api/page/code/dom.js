// Build nodes. Text only ever becomes a text node, so nothing a user or the server says can become markup.

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element; `on` holds listeners, false and null attributes are left out. */
export function h(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** An SVG element, made the same way. */
export function s(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "on") {
      for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    } else if (name === "value" || name === "checked") {
      node[name] = value;
    } else if (value !== null && value !== undefined && value !== false) {
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

/** Put these children in the place of all there were. */
export function refill(node, ...children) {
  node.replaceChildren(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

/** A button that does something on the page. */
export function button(words, onclick, attributes = {}) {
  return h("button", { type: "button", ...attributes, on: { click: onclick } }, words);
}

/** A list of sentences, or nothing where there are none. */
export function sentences(lines, kind = "plain") {
  return lines.length ? h("ul", { class: kind }, lines.map((line) => h("li", {}, line))) : null;
}

let given = 0;

/** An id that no other node has. */
export function freshId(stem) {
  given += 1;
  return `${stem}-${given}`;
}
