// What a page cannot do by itself: read a chart's numbers under the pointer or
// the arrow keys, turn a stretch dragged on a chart into an address, look again
// at what is being evaluated or has been open for long, and keep what was not
// sent yet. Without it every page works.
"use strict";

// What is being evaluated again: the page is loaded anew once it is thought of
// otherwise, and stops asking after a minute.
for (const el of document.querySelectorAll("[data-await]")) {
  let left = 30;
  const ask = async () => {
    const answer = await fetch(el.dataset.await, { headers: { Accept: "application/json" } }).catch(() => null);
    const now = answer?.ok ? await answer.json() : null;
    if (now && (now.state === "withdrawn" || now.summary !== el.dataset.was)) location.reload();
    else if (--left > 0) setTimeout(ask, 2000);
  };
  setTimeout(ask, 1000);
}

// Today, left open, goes on with the day: it is fetched anew while somebody
// looks at it, so many seconds apart, and at once when it is come back to.
// Whoever has unfolded something, chosen words or stands on a link is left alone.
if (document.querySelector("[data-fresh]")) {
  const main = document.querySelector("main");
  let last = Date.now();
  const busy = () => {
    const on = document.activeElement;
    return on !== main && main.contains(on) || main.querySelector("details[open]") || !getSelection().isCollapsed;
  };
  const fresh = async () => {
    const every = main.querySelector("[data-fresh]")?.dataset.fresh;
    if (every === undefined || document.hidden || Date.now() - last < every * 1000 || busy()) return;
    last = Date.now();
    const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } }).catch(() => null);
    if (!answer?.ok || answer.redirected) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (busy()) return; // since it was asked for
    for (const part of ["main", "footer"]) document.querySelector(part).replaceChildren(...page.querySelector(part).childNodes);
  };
  setInterval(fresh, 10000);
  document.addEventListener("visibilitychange", fresh);
}

// Readings as they are kept, on the page that waits for the first.
for (const box of document.querySelectorAll("[data-feed]")) {
  const [status, list, onward] = [box.querySelector("[role=status]"), box.querySelector("ol"), box.querySelector("[hidden]")];
  const feed = new EventSource(box.dataset.feed);
  feed.addEventListener("open", () => { if (!list.children.length) status.textContent = "Listening. What comes in is shown here."; });
  feed.addEventListener("message", (e) => {
    const r = JSON.parse(e.data);
    const li = document.createElement("li"), at = document.createElement("time"), to = document.createElement("a");
    at.textContent = r.at;
    to.href = r.url;
    to.textContent = r.name;
    li.append(at, " ", to, ": " + r.text);
    list.prepend(li);
    while (list.children.length > 12) list.lastChild.remove();
    status.textContent = "It is heard.";
    onward.hidden = false;
  });
}

// What is being written in the journal is kept until the page says that it was
// written down: out at a yard the line drops, and gloves press twice.
for (const form of document.querySelectorAll("form[data-draft]")) {
  const key = form.dataset.draft, fields = () => [...form.elements].filter((e) => e.name && e.name !== "token");
  const store = { get: () => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } }, set: (v) => { try { localStorage.setItem(key, JSON.stringify(v)); return true; } catch { return false; /* private windows keep nothing */ } }, drop: () => { try { localStorage.removeItem(key); } catch { /* as above */ } } };
  if (form.dataset.done) store.drop();
  const draft = store.get();
  const promise = (kept) => { for (const said of form.querySelectorAll("[data-kept]")) said.hidden = !kept; };
  promise(draft);
  if (draft && !form.dataset.full) {
    for (const e of fields()) {
      if (!(e.name in draft)) continue;
      if (e.type === "radio") e.checked = e.value === draft[e.name]; else e.value = draft[e.name];
      const folded = e.closest("details");
      if (folded && e.value) folded.open = true;
    }
    const said = form.querySelector("[data-restored]");
    said.hidden = false;
    said.querySelector("button").addEventListener("click", () => { store.drop(); location.assign(location.pathname + "#write"); location.reload(); });
  }
  form.addEventListener("input", () => {
    const now = {};
    for (const e of fields()) if (e.type !== "radio" || e.checked) now[e.name] = e.value;
    promise(store.set(now)); // only where it is so
  });
}

// A form that is sent into a dead line is an error page of the browser's. So
// it is asked first whether we are reached, and again until we are. Whatever
// answers has been reached; a browser too old to stop asking sends at once.
for (const waits of AbortSignal.timeout ? document.querySelectorAll("form [data-waits]") : []) {
  const form = waits.closest("form");
  let asking = false, waiting = null;
  const send = async () => {
    if (asking) return; // gloves press twice
    asking = true;
    clearTimeout(waiting);
    if (await fetch("/healthz", { cache: "no-store", signal: AbortSignal.timeout(5000) }).then(() => true, () => false)) {
      form.submit();
      setTimeout(() => { asking = false; }, 5000); // it may not have gone
      return;
    }
    asking = false;
    waits.hidden = false;
    waiting = setTimeout(send, 5000);
  };
  form.addEventListener("submit", (e) => { e.preventDefault(); send(); });
  addEventListener("online", () => { if (waiting !== null) send(); });
  addEventListener("pageshow", () => { asking = false; }); // come back to
}

const plots = [...document.querySelectorAll(".plot[data-readout]")].filter((p) => p.dataset.readout !== "[]").map(plot);

function plot(box) {
  const from = +box.dataset.from, to = +box.dataset.to;
  const img = box.querySelector("img");
  const lines = JSON.parse(box.dataset.readout).map((r) => ({ ...r, points: null }));
  const line = add("line"), zone = add("zone"), said = add("said");
  said.setAttribute("role", "status");
  const day = new Intl.DateTimeFormat("en-GB", { timeZone: box.dataset.zone, weekday: "short", day: "numeric", month: "short" });
  const minute = new Intl.DateTimeFormat("en-GB", { timeZone: box.dataset.zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const daily = lines.every((l) => l.field);
  let loading = null, at = null, dragFrom = null;

  box.tabIndex = 0;
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", "Chart. Arrow keys read the values; hold Shift to choose a stretch, Enter shows it.");

  function add(name) {
    const el = document.createElement("div");
    el.className = name;
    el.hidden = true;
    box.append(el);
    return el;
  }

  // A picture that is narrower than drawn has narrower margins, too.
  function area() {
    const scale = img.clientWidth / (img.naturalWidth || img.clientWidth || 1);
    const left = +box.dataset.left * scale;
    return { left, width: img.clientWidth - left - +box.dataset.right * scale };
  }
  const xOf = (t) => area().left + ((t - from) / (to - from)) * area().width;
  const tOf = (x) => Math.min(to, Math.max(from, from + ((x - area().left) / area().width) * (to - from)));

  function load() {
    loading ??= Promise.all(lines.map(async (l) => {
      if (l.at) { l.points = l.at.map(([t, v]) => ({ t, v })); return; }
      const answer = await fetch(l.url, { headers: { Accept: "application/json" } });
      if (!answer.ok) return;
      const { items } = await answer.json();
      l.points = l.field
        ? items.filter((d) => l.field in d).map((d) => ({ t: noon(d.date), v: d[l.field] }))
        : items.flatMap((b) => [["first_at", "first"], ["min_at", "min"], ["max_at", "max"], ["last_at", "last"]].map(([k, v]) => ({ t: Date.parse(b[k]) / 1000, v: b[v] }))).sort((a, b) => a.t - b.t);
    })).catch(() => { loading = null; });
    return loading;
  }

  // Noon of a date in the yard's zone: noon in UTC, put right by what the
  // zone's clock shows then.
  function noon(date) {
    const utc = Date.parse(date + "T12:00:00Z");
    const parts = Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: box.dataset.zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit" }).formatToParts(utc).map((p) => [p.type, p.value]));
    return (2 * utc - Date.parse(`${parts.year}-${parts.month}-${parts.day}T${parts.hour}:${parts.minute}:00Z`)) / 1000;
  }

  function nearest(points, t) {
    let lo = 0, hi = points.length - 1;
    while (lo < hi) {
      const mid = (lo + hi) >> 1;
      if (points[mid].t < t) lo = mid + 1; else hi = mid;
    }
    return lo > 0 && t - points[lo - 1].t < points[lo].t - t ? points[lo - 1] : points[lo];
  }

  async function show(t) {
    at = t;
    await load();
    if (at !== t) return;
    const near = lines.filter((l) => l.points?.length).map((l) => ({ l, p: nearest(l.points, t) }));
    const words = near.filter(({ p }) => Math.abs(p.t - t) < Math.max(2 * 3600, (to - from) / 50))
      .map(({ l, p }) => `${near.length > 1 ? l.name + " " : ""}${p.v.toFixed(l.decimals).replace("-", "−")} ${l.unit}`);
    said.textContent = `${(daily ? day : minute).format(t * 1000)}: ${words.join(", ") || "not heard"}`;
    for (const p of plots) p.point(p.box === box ? t : null);
    said.hidden = false;
    const x = xOf(t);
    said.style.left = `${Math.max(0, Math.min(x - said.offsetWidth / 2, box.clientWidth - said.offsetWidth))}px`;
  }

  function point(t) {
    line.hidden = t === null;
    said.hidden = t === null;
    if (t !== null) line.style.left = `${xOf(t)}px`;
  }

  function stretch(a, b) {
    zone.hidden = a === null;
    if (a === null) return;
    zone.style.left = `${Math.min(xOf(a), xOf(b))}px`;
    zone.style.width = `${Math.abs(xOf(b) - xOf(a))}px`;
  }

  // The address takes the yard's own time, to the minute; from two days on,
  // whole days.
  function go(a, b) {
    const [first, last] = a < b ? [a, b] : [b, a];
    if (last - first < 20 * 60) return;
    const local = (t) => {
      const p = Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: box.dataset.zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit" }).formatToParts(t * 1000).map((x) => [x.type, x.value]));
      return last - first >= 2 * 86400 ? `${p.year}-${p.month}-${p.day}` : `${p.year}-${p.month}-${p.day}T${p.hour}:${p.minute}`;
    };
    const address = new URL(box.dataset.zoom ?? location.href, location.href);
    address.searchParams.set("from", local(first));
    address.searchParams.set("to", local(last));
    address.hash = "";
    location.assign(address);
  }

  const xIn = (e) => e.clientX - box.getBoundingClientRect().left;
  box.addEventListener("pointermove", (e) => {
    const t = tOf(xIn(e));
    if (dragFrom !== null) stretch(dragFrom, t);
    show(t);
  });
  box.addEventListener("pointerleave", () => { if (dragFrom === null) { at = null; point(null); } });
  box.addEventListener("pointerdown", (e) => {
    if (e.pointerType !== "mouse" || e.button !== 0) return;
    e.preventDefault();
    box.setPointerCapture(e.pointerId);
    dragFrom = tOf(xIn(e));
  });
  box.addEventListener("pointerup", (e) => {
    if (dragFrom === null) return;
    const start = dragFrom, end = tOf(xIn(e));
    dragFrom = null;
    stretch(null);
    if (Math.abs(xOf(end) - xOf(start)) > 8) go(start, end);
  });
  box.addEventListener("pointercancel", () => { dragFrom = null; stretch(null); });
  box.addEventListener("blur", () => { dragFrom = null; stretch(null); at = null; point(null); });
  box.addEventListener("keydown", (e) => {
    const step = (to - from) / 100;
    const now = at ?? to;
    let t = null;
    switch (e.key) {
      case "ArrowLeft": t = Math.max(from, now - step); break;
      case "ArrowRight": t = Math.min(to, now + step); break;
      case "Home": t = from; break;
      case "End": t = to; break;
      case "Escape": dragFrom = null; stretch(null); at = null; point(null); return;
      case "Enter": if (dragFrom !== null && at !== null) { e.preventDefault(); go(dragFrom, at); } return;
      default: return;
    }
    e.preventDefault();
    if (e.shiftKey) { dragFrom ??= now; stretch(dragFrom, t); } else { dragFrom = null; stretch(null); }
    show(t);
  });
  return { box, point };
}
