// Pairing this phone: the form, the one exchange, and where the token is kept. Knows no MQTT.

const KEY = "benchpour.paired";
const LATE_MS = 8_000;
const $ = (id) => document.getElementById(id);

let inMemory = null;

/** What this phone was given, {bench, name, token, role}, or null. */
export function paired() {
  try {
    return JSON.parse(localStorage.getItem(KEY)) ?? inMemory;
  } catch {
    return inMemory;
  }
}

function keep(given) {
  inMemory = given;
  try {
    if (given) localStorage.setItem(KEY, JSON.stringify(given));
    else localStorage.removeItem(KEY);
  } catch {
    // A private window keeps nothing; until it is closed memory does.
  }
}

export function unpair() {
  keep(null);
}

/** The code out of the address, which forgets it at once: it is in no history and no link. */
export function codeFromAddress() {
  const code = new URLSearchParams(location.hash.slice(1)).get("pair");
  if (code !== null) history.replaceState(null, "", location.pathname);
  return code;
}

/** Ask for a code until one is right; gives what the bench gave. */
export function ask(code, why = "") {
  const form = $("pair");
  document.body.dataset.screen = "pair";
  form.hidden = false;
  $("pair-why").hidden = !why;
  $("pair-why").textContent = why;
  $("pair-plain").hidden = location.protocol === "https:";
  if (code) $("pair-code").value = code;
  if (!$("pair-name").value) $("pair-name").value = `phone ${1000 + Math.floor(9000 * Math.random())}`;
  $(code ? "pair-go" : "pair-code").focus();
  return new Promise((resolve) => {
    form.onsubmit = async (event) => {
      event.preventDefault();
      const given = await tried($("pair-code").value, $("pair-name").value);
      if (given) {
        form.hidden = true;
        $("pair-code").value = "";
        resolve(given);
      }
    };
  });
}

async function tried(code, name) {
  const button = $("pair-go");
  button.disabled = true;
  $("pair-error").textContent = "";
  try {
    const said = await exchange({ code, name });
    if (said.token) {
      keep(said);
      return said;
    }
    $("pair-error").textContent = said.error ?? "The bench did not understand that. Try again.";
  } catch {
    $("pair-error").textContent = "The bench does not answer. Is this phone on the shop’s network?";
  } finally {
    button.disabled = false;
  }
  return null;
}

function exchange(message) {
  return new Promise((resolve, reject) => {
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/pair`);
    const timer = setTimeout(() => socket.close(), LATE_MS);
    socket.onopen = () => socket.send(JSON.stringify(message));
    socket.onmessage = (event) => {
      clearTimeout(timer);
      resolve(JSON.parse(event.data));
      socket.close();
    };
    socket.onclose = () => reject(new Error("closed"));
  });
}
