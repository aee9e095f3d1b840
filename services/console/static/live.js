"use strict";
// On a narrow screen the navigation is wider than it: where one is, is shown.
for (const here of document.querySelectorAll(".top nav [aria-current]")) here.scrollIntoView({block: "nearest", inline: "center"});

// Tells an open page what was counted since it was loaded. Without script
// nothing is lost: the page is as of when it was loaded, and loads again.
(() => {
  const bar = document.getElementById("news");
  if (!bar || !window.EventSource) return;
  const link = bar.querySelector("a");
  let count = 0, unsafe = 0, last = "";
  const source = new EventSource("/live");
  source.addEventListener("deviation", (e) => {
    const d = JSON.parse(e.data);
    count++;
    if (d.grade === "unsafe") unsafe++;
    last = d.text;
    bar.hidden = false;
    bar.classList.toggle("alert", unsafe > 0);
    link.textContent = (count === 1 ? "1 build off spec" : count + " builds off spec") +
      (unsafe ? ", " + unsafe + " of them unsafe," : "") + " since this page was loaded. The last: " + last + ". Show";
  });
  // The browser comes back by itself and resumes where it was.
  window.addEventListener("pagehide", () => source.close());
})();
