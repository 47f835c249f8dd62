// The frame of the page: asks for the list once, and shows the view that the address names.
import { look } from "./look.js";

const view = document.getElementById("view");
const where = document.getElementById("where");
const dates = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
const whole = new Intl.NumberFormat(undefined, { maximumFractionDigits: 0 });
const ROW_PX = 96;
let opened = null;
let leave = () => {};

// Makes an element with properties and children.
export function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key in element) element[key] = value; else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

// Asks the server; a refusal becomes an error with the server's words.
export async function ask(path, signal) {
  const answer = await fetch(path, { signal });
  if (answer.ok) return answer;
  const text = await answer.text();
  let words = text;
  try { words = JSON.parse(text).error; } catch { /* the guard answers in plain words */ }
  throw new Error(words);
}

export const failure = (text) => make("p", { className: "error", role: "alert" }, text);

function list(query) {
  where.textContent = "Scans";
  document.title = "Scans – weighlight";
  const search = make("input", { type: "search", value: query.get("q") ?? "", title: "Name, product, scanner", ariaLabel: "Filter" });
  const sort = make("select", { ariaLabel: "Sort" }, new Option("Newest first", "new"), new Option("Oldest first", "old"), new Option("By name", "name"));
  sort.value = query.get("sort") ?? "name";
  const count = make("span", { role: "status" });
  const room = make("div", { className: "room" });
  const box = make("div", { className: "list" }, room);
  view.replaceChildren(make("div", { className: "bar" }, search, sort, count));
  for (const words of opened.rejected) view.append(failure(`Not usable: ${words}`));
  view.append(box);
  let shown = [];
  const row = (scan, at) => {
    const link = make("a", { href: `#/look/${scan.id}` },
      make("span", { className: "frame" }, make("img", { src: `api/scans/${scan.id}/picture`, alt: "", decoding: "async" })),
      make("span", {}, make("b", {}, scan.name),
        make("small", {}, `${dates.format(new Date(scan.captured))} · ${scan.product ?? "no product named"} · ${scan.scanner} · ${whole.format(scan.across_mm)} × ${whole.format(scan.along_mm)} mm${scan.colour ? "" : " · no colour"}`)));
    link.style.top = `${at * ROW_PX}px`;
    link.dataset.at = at;
    return link;
  };
  // Only the rows in sight exist.
  const draw = () => {
    const first = Math.max(0, Math.floor(box.scrollTop / ROW_PX) - 3);
    const end = Math.min(shown.length, Math.ceil((box.scrollTop + box.clientHeight) / ROW_PX) + 3);
    const there = new Map([...room.children].map((child) => [Number(child.dataset.at), child]));
    for (const [at, child] of there) if (at < first || at >= end) child.remove();
    for (let at = first; at < end; at++) if (!there.has(at)) room.append(row(shown[at], at));
  };
  const filter = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    shown = opened.scans.filter((scan) => {
      const text = `${scan.name} ${scan.recording} ${scan.product ?? ""} ${scan.scanner}`.toLowerCase();
      return words.every((word) => text.includes(word));
    });
    if (sort.value !== "name") shown.sort((a, b) => (sort.value === "new" ? -1 : 1) * (Date.parse(a.captured) - Date.parse(b.captured)));
    room.replaceChildren();
    room.style.height = `${shown.length * ROW_PX}px`;
    count.textContent = shown.length ? `${whole.format(shown.length)} of ${whole.format(opened.scans.length)}` : "No scan fits the filter.";
    history.replaceState(null, "", `#/?${new URLSearchParams({ q: search.value, sort: sort.value })}`);
    draw();
  };
  search.oninput = filter;
  sort.onchange = filter;
  box.onscroll = draw;
  const watch = new ResizeObserver(draw);
  watch.observe(box);
  filter();
  return () => watch.disconnect();
}

function show() {
  leave();
  const [path, query] = location.hash.slice(1).split("?");
  const words = new URLSearchParams(query);
  const found = /^\/look\/(\d+)$/.exec(path);
  const scan = found && opened.scans[Number(found[1])];
  if (scan) {
    where.textContent = scan.name;
    document.title = `${scan.name} – weighlight`;
    leave = look(view, scan, opened, words);
  } else if (found) {
    view.replaceChildren(failure("This scan is not among those opened."));
    leave = () => {};
  } else {
    leave = list(words);
  }
}

try {
  opened = await (await ask("api/scans")).json();
  window.addEventListener("hashchange", show);
  show();
} catch (error) {
  view.replaceChildren(failure(`The program does not answer: ${error.message}. Is it still running?`));
}
