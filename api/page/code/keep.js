// What is kept on this device: terms of the shop, and what was typed and not written down yet.

const PREFIX = "valuer.";

/** What is kept under a name, or the fallback; a device that keeps nothing is no error. */
export function kept(name, fallback) {
  try {
    const text = localStorage.getItem(PREFIX + name);
    return text === null ? fallback : JSON.parse(text);
  } catch {
    return fallback;
  }
}

/** Keep a value under a name. */
export function keep(name, value) {
  try {
    localStorage.setItem(PREFIX + name, JSON.stringify(value));
  } catch { /* private windows keep nothing; the form itself still holds it */ }
}

/** Forget it. */
export function forget(name) {
  try {
    localStorage.removeItem(PREFIX + name);
  } catch { /* nothing was kept */ }
}

/** A name for one post, so that sending it twice does it once. */
export function ownKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
