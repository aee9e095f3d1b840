// Tells an open rollout page what changed since it was loaded. Without script it
// is as of then, and loads again.
"use strict";
(() => {
  const bar = document.getElementById("adopted");
  if (!bar || !window.EventSource) return;
  const link = bar.querySelector("a");
  const source = new EventSource(bar.dataset.live);
  source.addEventListener("rollout", (e) => {
    bar.hidden = false;
    link.textContent = "Since this page was loaded: " + JSON.parse(e.data).text + ". Show";
  });
  window.addEventListener("pagehide", () => source.close());
})();
