// Pictures of a machine and its plate: from the camera, made small on the device, kept with the record.

import { button, freshId, h, refill } from "./dom.js";
import { read, write, sendPicture } from "./http.js";
import { place } from "./plain.js";
import { wrote } from "./slip.js";
import { trouble } from "./trouble.js";

const SIDE = 1600; // pixels of the longer side: numbers on a plate can still be read
const MOST_BYTES = 2_000_000;
const SHOWS = { machine: "the machine", plate: "its plate" };
const known = new Map();

const path = (id, name = "") => `${place(id)}/pictures${name && `/${name}`}`;

async function picturesOf(id, signal) {
  const { pictures } = await read(path(id), "Reading the pictures", signal);
  known.set(id, pictures);
  return pictures;
}

/** Small pictures for the head of a machine, put in once they are known. */
export function thumbnails({ entry: { machine: { id } } }) {
  const strip = h("p", { class: "thumbs", "data-key": "thumbs" }, (known.get(id) ?? []).slice(0, 4).map((each) => thumb(id, each)));
  if (!known.has(id)) picturesOf(id).then((found) => refill(strip, found.slice(0, 4).map((each) => thumb(id, each))), () => {});
  return strip;
}

/** A picture of the machine as it comes out of the printer, put in once it is known; nothing where there is none. */
export function printed(id) {
  const place = h("p", { class: "sheet-picture" });
  picturesOf(id).then((found) => {
    const first = found.find(({ shows }) => shows === "machine");
    if (first) refill(place, h("img", { src: path(id, first.name), alt: "" }));
  }, () => {});
  return place;
}

const thumb = (id, { name, shows }) => h("a", { href: path(id, name), target: "_blank", rel: "noopener", "data-key": name }, h("img", { src: path(id, name), alt: `Picture of ${SHOWS[shows]}`, loading: "lazy", width: 72, height: 72 }));

/** The part about pictures: what there is, and two ways to take one. */
export async function cameraPart(it) {
  const { id } = it.machine;
  const list = h("ul", { class: "pictures" });
  const told = h("div", { role: "status" });
  const draw = async () => refill(list, (await picturesOf(id, it.signal)).map((each) => h("li", {}, thumb(id, each), h("small", {}, SHOWS[each.shows]),
    button("Take away", async () => { await write("DELETE", path(id, each.name)); draw(); }, { class: "quiet", "aria-label": `Take this picture of ${SHOWS[each.shows]} away` }))));
  const add = async (shows, file) => {
    try {
      refill(told, h("p", { class: "waiting" }, "Making it small …"));
      await sendPicture(`${path(id)}?shows=${shows}`, await small(file));
      refill(told);
      wrote(`${id}: a picture of ${SHOWS[shows]} is kept.`);
      await draw();
    } catch (error) {
      refill(told, trouble(error));
    }
  };
  const taker = (shows) => {
    const field = freshId("camera");
    const input = h("input", { id: field, type: "file", accept: "image/*", capture: "environment", class: "camera", on: { change: () => { if (input.files[0]) add(shows, input.files[0]); input.value = ""; } } });
    return h("span", { class: "take-picture" }, input, h("label", { for: field, class: "act quiet" }, `Picture of ${SHOWS[shows]}`));
  };
  await draw();
  return h("div", { "data-own": `pictures ${id}` }, list, h("p", { class: "answers" }, taker("machine"), taker("plate")), told,
    h("p", { class: "fine" }, "Made small on this device and kept beside the record, without the place and time a camera writes into it."));
}

/** The picture drawn anew at a size that is enough: nothing a camera wrote beside it comes along. */
async function small(file) {
  let image;
  try {
    image = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    throw new Error(`${file.name || "This file"} is no picture that this browser can read.`);
  }
  const scale = Math.min(1, SIDE / Math.max(image.width, image.height));
  const canvas = h("canvas", { width: Math.max(1, Math.round(image.width * scale)), height: Math.max(1, Math.round(image.height * scale)) });
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  for (const quality of [0.85, 0.7, 0.5]) {
    const made = await new Promise((done) => { canvas.toBlob(done, "image/jpeg", quality); });
    if (made && made.size <= MOST_BYTES) return made;
  }
  throw new Error("The picture stays over 2 MB; take another, from further away.");
}
