"use strict";
// Our own few lines: refresh, say when the page is stale, read-out and zoom. All of it can be missing.
(() => {
  const $ = (where, all = document) => all.querySelector(where);
  let fresh = Date.now(), missed = false;

  const stale = () => {
    const box = $("#stale"), main = $("#main"), every = 1000 * (main.dataset.live || 0);
    if (!every) return;
    const old = Date.now() - fresh;
    box.hidden = !missed && old < 3 * every + 5000;
    if (!box.hidden) {
      const minutes = Math.round(old / 60000);
      box.textContent = "This page is stale: it has heard nothing for " + (minutes ? minutes + " min" : Math.round(old / 1000) + " s") + ". The curves are not the present.";
    }
  };

  const busy = () => $("details.shelve[open]") || $(".readout:not([hidden])") || $(".chosen") ||
    (document.activeElement && document.activeElement.matches("input"));

  const hear = () => { if ($("[data-waits]")) setTimeout(refresh, 700); };

  const refresh = async () => {
    const main = $("#main");
    if (!main.dataset.live || document.hidden || busy()) return;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" }, cache: "no-store" });
      if (!answer.ok) return;
      const next = new DOMParser().parseFromString(await answer.text(), "text/html");
      const part = $("#main", next);
      if (!part || busy()) return;
      const open = [...main.querySelectorAll("details")].map((d) => d.open);
      const held = document.activeElement && main.contains(document.activeElement) ? [...main.querySelectorAll("a,button,summary,[tabindex]")].indexOf(document.activeElement) : -1;
      main.replaceChildren(...part.childNodes);
      if (part.dataset.live) main.dataset.live = part.dataset.live;
      [...main.querySelectorAll("details")].forEach((d, i) => { d.open = !!open[i] && !d.matches(".shelve"); });
      if (held >= 0) { const again = main.querySelectorAll("a,button,summary,[tabindex]")[held]; if (again) again.focus({ preventScroll: true }); }
      fresh = Date.now();
      missed = false;
      stale();
      ready();
      hear();
    } catch { missed = true; stale(); }
  };

  const points = new WeakMap();
  const load = async (box) => {
    if (points.has(box)) return points.get(box);
    points.set(box, []);
    try {
      const answer = await fetch(box.dataset.points);
      if (answer.ok) points.set(box, await answer.json());
    } catch { points.delete(box); }
    return points.get(box) || [];
  };

  const nearest = (rows, at) => {
    let low = 0, high = rows.length - 1;
    while (low < high) { const mid = (low + high) >> 1; if (rows[mid][0] < at) low = mid + 1; else high = mid; }
    return low > 0 && at - rows[low - 1][0] < rows[low][0] - at ? rows[low - 1] : rows[low];
  };

  const zoom = (box) => {
    const out = $(".readout", box), start = +box.dataset.start, span = +box.dataset.end - start;
    let from = null, mark = null;
    const share = (event) => { const r = box.getBoundingClientRect(); return Math.min(1, Math.max(0, (event.clientX - r.left) / r.width)); };
    const say = async (part) => {
      const rows = await load(box);
      if (!rows.length) return;
      const row = nearest(rows, start + part * span);
      const far = Math.abs(row[0] - (start + part * span)) > span / 40;
      const label = document.createElement("span");
      label.textContent = far ? (row === rows[rows.length - 1] ? "not yet" : "no readings") : row[1] + "  " + row[2];
      const place = far ? part : (row[0] - start) / span;
      out.style.left = 100 * place + "%";
      out.classList.toggle("left", place > 0.5);
      out.replaceChildren(label);
      out.hidden = false;
    };
    const quiet = () => { out.hidden = true; };
    box.addEventListener("pointermove", (event) => {
      const part = share(event);
      say(part);
      if (from === null) return;
      if (!mark && Math.abs(part - from) > 0.02) { mark = document.createElement("div"); mark.className = "chosen"; box.append(mark); }
      if (mark) { mark.style.left = 100 * Math.min(part, from) + "%"; mark.style.width = 100 * Math.abs(part - from) + "%"; }
    });
    box.addEventListener("pointerdown", (event) => { if (event.button) return; from = share(event); say(from); if (event.pointerType === "mouse") box.setPointerCapture(event.pointerId); });
    const end = (event, done) => {
      const part = share(event), begun = from;
      from = null;
      if (mark) { mark.remove(); mark = null; }
      if (!done || begun === null || Math.abs(part - begun) <= 0.02) return;
      const a = Math.round(start + Math.min(part, begun) * span), b = Math.round(start + Math.max(part, begun) * span);
      location.href = location.pathname + "?from=" + a + "&to=" + b;
    };
    box.addEventListener("pointerup", (event) => end(event, true));
    box.addEventListener("pointercancel", (event) => { end(event, false); quiet(); });
    box.addEventListener("pointerleave", (event) => { if (from === null && event.pointerType === "mouse") quiet(); });
    box.tabIndex = 0;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", "Curve; left and right move the read-out");
    let here = null;
    box.addEventListener("keydown", async (event) => {
      const step = { ArrowLeft: -0.01, ArrowRight: 0.01 }[event.key];
      if (event.key === "Escape") quiet();
      if (!step) return;
      event.preventDefault();
      const rows = await load(box);
      if (here === null && rows.length) here = (rows[rows.length - 1][0] - start) / span;
      here = Math.min(1, Math.max(0, here + step));
      say(here);
    });
    box.addEventListener("blur", quiet);
  };

  const ready = () => {
    for (const box of document.querySelectorAll(".zoom:not([data-ready])")) { box.dataset.ready = "1"; zoom(box); }
  };

  ready();
  hear();
  setInterval(stale, 1000);
  const every = 1000 * ($("#main").dataset.live || 0);
  if (every) setInterval(refresh, every);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
})();
