// The pages work without this file. It makes taps quick (the parts that changed
// are put in place, without a new page), runs the timer, and listens to news.
"use strict";
(() => {
  const away = document.getElementById("away");
  const was = new Map(); // what the station last sent of each part
  let clockOff = 0; // the station's clock minus the tablet's, ms
  let failed = false;

  // What answers tells whether the station is there.
  function reached(ok) {
    if (ok === !failed) return;
    failed = !ok;
    away.textContent = failed ? away.dataset.text : "";
    away.hidden = !failed;
  }

  // Parts are marked in the page and have an id. One that somebody writes in
  // keeps what is written until it is sent. Nothing moves under a finger.
  let finger = false, held = null;
  addEventListener("pointerdown", () => { finger = true; }, true);
  for (const end of ["pointerup", "pointercancel"]) {
    addEventListener(end, () => setTimeout(() => {
      finger = false;
      if (held !== null) place(held);
    }), true);
  }

  function place(html) {
    held = finger ? html : null;
    if (finger) return;
    const next = new DOMParser().parseFromString(html, "text/html");
    for (const part of document.querySelectorAll("[data-part]")) {
      const fresh = next.getElementById(part.id);
      if (!fresh || fresh.innerHTML === (was.get(part.id) ?? part.innerHTML) || writing(part)) continue;
      was.set(part.id, fresh.innerHTML);
      change(part, fresh);
    }
    document.title = next.title;
    clock();
  }

  // Changes what differs and leaves the rest, so that focus and what was opened
  // stay.
  function change(old, fresh) {
    for (const { name, value } of [...fresh.attributes]) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    for (const { name } of [...old.attributes]) if (name !== "open" && !fresh.hasAttribute(name)) old.removeAttribute(name);
    const have = [...old.childNodes], want = [...fresh.childNodes];
    want.forEach((w, i) => {
      const h = have[i];
      if (!h) old.append(document.adoptNode(w));
      else if (h.nodeName !== w.nodeName || h.id !== w.id) h.replaceWith(document.adoptNode(w));
      else if (h.nodeType === Node.ELEMENT_NODE) change(h, w);
      else if (h.data !== w.data) h.data = w.data;
    });
    for (const h of have.slice(want.length)) h.remove();
  }

  function writing(part) {
    const at = document.activeElement;
    if (at && part.contains(at) && at.matches("input:not([type=checkbox]), select, textarea")) return true;
    return [...part.querySelectorAll("input:not([type=hidden]), textarea")].some((f) => f.value !== f.defaultValue) ||
      [...part.querySelectorAll("select")].some((f) => [...f.options].some((o) => o.selected !== o.defaultSelected));
  }

  async function load(url, options) {
    try {
      const answer = await fetch(url, { credentials: "same-origin", cache: "no-store", ...options });
      const html = await answer.text();
      reached(true);
      return { answer, html };
    } catch {
      reached(false);
      return null;
    }
  }

  // One request at a time, so that quick taps arrive in order; none once the page
  // is on its way to another.
  let queue = Promise.resolve(), leaving = false;
  const inLine = (f) => {
    const g = () => (leaving ? undefined : f());
    queue = queue.then(g, g);
  };
  function leave(url) {
    leaving = true;
    location.assign(url);
  }
  addEventListener("pageshow", () => { leaving = false; });

  let again = false;
  function refresh() {
    if (again) return;
    again = true;
    inLine(async () => {
      again = false;
      const got = await load(location.href);
      if (!got) return;
      if (new URL(got.answer.url).pathname !== location.pathname) return leave(got.answer.url);
      place(got.html);
    });
  }

  document.addEventListener("submit", (e) => {
    const form = e.target;
    const by = e.submitter;
    const method = (by?.getAttribute("formmethod") || form.method || "get").toLowerCase();
    if (method !== "post" || !window.fetch) return;
    e.preventDefault();
    const data = new URLSearchParams(new FormData(form, by));
    const action = by?.getAttribute("formaction") || form.getAttribute("action");
    form.setAttribute("aria-busy", "true");
    inLine(async () => {
      const got = await load(action, { method: "POST", body: data });
      form.removeAttribute("aria-busy");
      if (!got) return;
      // The answer's URL has lost the fragment that a redirect may carry.
      const to = new URL(got.answer.url);
      if (got.answer.ok && to.pathname + to.search !== location.pathname + location.search) {
        const at = /\/(finish|show)$/.test(action) ? "#verdict" : /^\/taste\/[^/]+$/.test(action) ? "#tasted" : "";
        return leave(to.href + (to.pathname === "/" ? at : ""));
      }
      if (action === "/language") return location.reload();
      if (got.answer.ok) form.reset();
      const at = document.activeElement;
      if (at && form.contains(at) && at.matches("input, select, textarea")) at.blur();
      place(got.html);
      if (!got.answer.ok) document.getElementById("said")?.scrollIntoView({ block: "center" });
    });
  });

  // Search as you type.
  const search = document.getElementById("search");
  if (search) {
    const field = search.querySelector("input");
    let wait;
    field.addEventListener("input", () => {
      clearTimeout(wait);
      wait = setTimeout(() => {
        const url = field.value.trim() ? "/?q=" + encodeURIComponent(field.value) : "/";
        history.replaceState(null, "", url);
        refresh();
      }, 80);
    });
  }

  // Keypad: digits go into the field without a new page.
  const pad = document.querySelector("[data-keypad]");
  if (pad) {
    const field = pad.querySelector("#typed");
    pad.addEventListener("click", (e) => {
      const key = e.target.closest("button[name=key]")?.value;
      if (!key) return;
      e.preventDefault();
      if (key === "back") field.value = field.value.slice(0, -1);
      else if (field.value.length < field.maxLength && !(/[.,]/.test(key) && /[.,]/.test(field.value))) field.value += key;
    });
  }

  // Timers.
  function clock() {
    for (const t of document.querySelectorAll("[data-since]")) {
      if (t.dataset.seen !== t.dataset.now) {
        t.dataset.seen = t.dataset.now;
        clockOff = Number(t.dataset.now) - Date.now();
      }
      const s = Math.max(0, Date.now() + clockOff - Number(t.dataset.since)) / 1000;
      t.textContent = s.toFixed(1).replace(".", t.dataset.mark);
    }
  }
  setInterval(clock, 100);

  // A stopwatch beside a field, for shots that are no build.
  for (const button of document.querySelectorAll("[data-stopwatch]")) button.hidden = false;
  document.addEventListener("click", (e) => {
    const b = e.target.closest("[data-stopwatch]");
    if (!b) return;
    const field = document.getElementById(b.dataset.stopwatch);
    if (b.dataset.began) {
      const s = (performance.now() - Number(b.dataset.began)) / 1000;
      delete b.dataset.began;
      [b.textContent, b.dataset.stop] = [b.dataset.stop, b.textContent];
      field.value = s.toFixed(1).replace(".", b.dataset.mark);
    } else {
      b.dataset.began = performance.now();
      [b.textContent, b.dataset.stop] = [b.dataset.stop, b.textContent];
    }
  });

  // A link that leads nowhere would take the page away.
  document.addEventListener("click", (e) => {
    if (failed && e.target.closest("a[href^='/']")) e.preventDefault();
  });

  // News. Where no stream can be had, ask now and then.
  let stream, poll;
  function listen() {
    stream?.close();
    stream = new EventSource("/live");
    stream.addEventListener("change", refresh);
    stream.addEventListener("tick", refresh);
    stream.onopen = () => {
      reached(true);
      clearInterval(poll);
      poll = undefined;
    };
    stream.onerror = () => {
      poll ??= setInterval(() => {
        refresh();
        if (stream.readyState === EventSource.CLOSED) listen();
      }, 3000);
    };
  }
  listen();
  // A tablet that slept has missed news, and a page from the cache is old.
  document.addEventListener("visibilitychange", () => document.hidden || refresh());
  addEventListener("pageshow", (e) => e.persisted && (listen(), refresh()));
  addEventListener("pagehide", () => stream.close());
})();
