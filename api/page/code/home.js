// What the home screen of a phone can do with this page, and what it takes.

import { h } from "./dom.js";

/** In a line or two, for this browser as it is. */
export function homePart() {
  if (!window.isSecureContext) {
    return h("p", {}, "Drafts and deeds are kept on this device while the page is open. Reading offline and the share sheet come with a secure address only: this computer itself, or a phone that has trusted this server's certificate once.");
  }
  return h("p", {}, "Add this page to the home screen from the browser's menu: it opens without a bar, shows what was seen last when the server is away, and sends what was written down meanwhile.");
}

const WAIT_MS = 3000; // the first view comes first

/** Keep the page and what was seen for when the server is away, where the browser lets a page do that. */
export function stayAtHome() {
  if (!window.isSecureContext || !navigator.serviceWorker) return;
  setTimeout(() => navigator.serviceWorker.register("/page/worker.js", { scope: "/" }).catch(() => {}), WAIT_MS);
}
