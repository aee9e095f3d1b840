// Tells beside a field what an edit would come to while it is typed. Without
// script the button "Try" asks for the same.
"use strict";
(() => {
  const page = new URL(location.href);
  const file = page.searchParams.get("file");
  if (!file) return;
  for (const form of document.querySelectorAll("form[data-try]")) {
    const input = form.querySelector("[name=value]"), out = form.querySelector(".tried");
    let timer, asked = 0;
    input.addEventListener("input", () => {
      clearTimeout(timer);
      timer = setTimeout(async () => {
        const mine = ++asked;
        const q = new URLSearchParams(page.search); // an overlay in the making is in it
        q.set("path", form.dataset.try);
        q.set("try", input.value);
        try {
          const res = await fetch(page.pathname + "/try?" + q);
          if (res.ok && !res.redirected && mine === asked) out.innerHTML = await res.text();
        } catch { /* away: the button still asks */ }
      }, 350);
    });
  }
})();
