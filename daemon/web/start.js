// Opens the page, and tries again where a file did not come through: radio networks lose things.

const AGAIN_MS = 2_000;

function again() {
  document.getElementById("start").textContent = "Not everything came through. Trying again…";
  setTimeout(() => location.reload(), AGAIN_MS);
}

if (window.mqtt && document.styleSheets.length) import("./app.js").catch(again);
else again();
