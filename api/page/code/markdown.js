// The little Markdown that the card uses, as nodes: headings, paragraphs, lists, tables, pictures, emphasis, code.

import { h } from "./dom.js";

/** Nodes of a Markdown text, its first heading at `level`; `pictures` are the SVG texts that it refers to, by file name. */
export function rendered(text, level, pictures = {}) {
  return text.split(/\n{2,}/).map((block) => block.trim()).filter(Boolean).map((block) => node(block, level, pictures));
}

function node(block, level, pictures) {
  const picture = block.match(/^!\[([^\]]+)\]\(([^)]+)\)$/);
  if (picture) return scrolls(`Picture: ${picture[1]}`, h("img", { alt: picture[1], src: `data:image/svg+xml,${encodeURIComponent(pictures[picture[2]])}` }));
  const heading = block.match(/^(#{1,4}) (.*)/);
  if (heading) return h(`h${Math.min(6, level + heading[1].length - 1)}`, {}, inline(heading[2]));
  if (block.startsWith("|")) return table(block.split("\n"));
  if (/^[-*] /.test(block)) return h("ul", {}, items(block, /\n(?=[-*] )/).map((item) => h("li", {}, inline(item.replace(/^[-*] /, "")))));
  if (/^\d+\. /.test(block)) return h("ol", {}, items(block, /\n(?=\d+\. )/).map((item) => h("li", {}, inline(item.replace(/^\d+\. /, "")))));
  return h("p", {}, inline(block));
}

const items = (block, between) => block.split(between);

function table(lines) {
  const cells = (line) => line.replace(/^\||\|$/g, "").split("|").map((cell) => cell.trim());
  const [head, , ...body] = lines;
  return scrolls(`Table: ${cells(head).filter(Boolean).join(", ")}`,
    h("table", {}, h("thead", {}, h("tr", {}, cells(head).map((cell) => h(cell ? "th" : "td", cell ? { scope: "col" } : {}, inline(cell))))),
      h("tbody", {}, body.map((line) => h("tr", {}, cells(line).map((cell) => h("td", {}, inline(cell))))))));
}

/** What is wider than a phone scrolls within its place. */
const scrolls = (says, node) => h("div", { class: "scrolls", tabindex: 0, role: "group", "aria-label": says }, node);

/** Bold, slanted, code; a link becomes its words, for nothing leads away from this page. */
function inline(text) {
  return text.replaceAll("\n", " ").split(/(\*\*[^*]+\*\*|\*[^*]+\*|`[^`]+`|\[[^\]]+\]\([^)]+\))/).filter(Boolean).map((piece) => {
    if (piece.startsWith("**")) return h("strong", {}, piece.slice(2, -2));
    if (piece.startsWith("*") && piece.length > 2) return h("em", {}, piece.slice(1, -1));
    if (piece.startsWith("`")) return h("code", {}, piece.slice(1, -1));
    const link = piece.match(/^\[([^\]]+)\]\(/);
    return link ? link[1] : piece;
  });
}
