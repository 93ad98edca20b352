// Keeps the phone's screen on where a browser lets a page do that: over https. Knows no bench.

let held = null;
let asking = false;
let wanted = false;

export const can = () => Boolean(navigator.wakeLock);

/** Keep the screen on, or let the phone do as it likes. Cheap to say again and again. */
export function stayAwake(please) {
  wanted = Boolean(please);
  if (!wanted && held) held.release();
  if (wanted && !held && !asking && can() && document.visibilityState === "visible") ask();
}

async function ask() {
  asking = true;
  try {
    held = await navigator.wakeLock.request("screen");
    held.addEventListener("release", () => (held = null));
    if (!wanted) held.release();
  } catch {
    // A phone that saves its battery says no; the next state asks again.
  } finally {
    asking = false;
  }
}
