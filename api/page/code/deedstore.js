// Where deeds wait on this device: a database that has written to disk before it says so.
//
// What a page keeps under a plain name reaches the disk seconds later, and a browser that is killed before has lost it.

const STORE = "deeds";
const tabs = window.BroadcastChannel ? new BroadcastChannel("valuer.deeds") : null;
const here = new Map(); // where a browser keeps nothing, as in a private window, deeds live as long as the page

const opened = new Promise((done) => {
  try {
    const asked = indexedDB.open("valuer", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "name" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => done(null);
  } catch {
    done(null);
  }
});

async function change(work) {
  const base = await opened;
  if (!base) return;
  await new Promise((done, failed) => {
    const transaction = base.transaction(STORE, "readwrite", { durability: "strict" });
    transaction.oncomplete = done;
    transaction.onabort = () => failed(new Error("This device has no room to keep what you write down; make some, and write it down again."));
    work(transaction.objectStore(STORE));
  });
  tabs?.postMessage("changed");
}

/** Keep a deed; once this is over it outlives the browser. */
export function keepDeed(deed) {
  here.set(deed.name, deed);
  return change((store) => store.put(deed));
}

/** Forget a deed. */
export function forgetDeed(name) {
  here.delete(name);
  return change((store) => store.delete(name));
}

/** All deeds kept, oldest first. */
export async function keptDeeds() {
  const base = await opened;
  const found = base ? await new Promise((done) => {
    const asked = base.transaction(STORE).objectStore(STORE).getAll();
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => done([]);
  }) : [...here.values()];
  return found.sort((a, b) => a.at - b.at);
}

/** Call this when another tab has kept or forgotten one. */
export const onOtherTab = (told) => { if (tabs) tabs.onmessage = told; };
