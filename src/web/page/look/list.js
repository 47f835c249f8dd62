// The scans that were opened: small pictures, filter, order.
import { dates, digits, failure, make } from "../kit.js";

const whole = digits(0);
const ROW_PX = 96;

export function list(view, opened, query) {
  const search = make("input", { type: "search", value: query.get("q") ?? "", title: "Name, product, scanner", ariaLabel: "Show scans whose name, product or scanner holds" });
  const sort = make("select", { ariaLabel: "Order" }, new Option("Newest first", "new"), new Option("Oldest first", "old"), new Option("By name", "name"));
  sort.value = query.get("sort") ?? "name";
  const count = make("span", { role: "status" });
  const room = make("div", { className: "room" });
  const box = make("div", { className: "list" }, room);
  view.replaceChildren(make("div", { className: "bar" }, search, sort, count));
  for (const words of opened.rejected) view.append(failure(`Not usable: ${words}`));
  view.append(box);
  if (!opened.scans.length && opened.places.runs.length) {
    view.replaceChildren(make("p", { className: "state" }, "Only runs were opened. ", make("a", { href: "#/runs" }, "To the runs"), ". To look at scans as well: weighlight open ARCHIVE RUN"));
    return;
  }
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
    history.replaceState(null, "", `#/scans?${new URLSearchParams({ q: search.value, sort: sort.value })}`);
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
