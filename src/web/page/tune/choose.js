// Tune without a scan: choose one.
import { dates, digits, make, state } from "../kit.js";

const MOST = 60, whole = digits(0);

export function choose(view, opened, words) {
  const search = make("input", { type: "search", value: words.get("q") ?? "", ariaLabel: "Filter by name, product or scanner", title: "Name, product, scanner" });
  const count = make("span", { role: "status" });
  const cards = make("ul", { className: "cards" });
  view.replaceChildren(make("div", { className: "bar" }, make("b", {}, "Choose a scan to tune its product profile with:"), search, count), make("div", { className: "choose" }, cards));
  if (!opened.scans.length) { view.append(state("No scan was opened.")); return; }
  const show = () => {
    const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const found = opened.scans.filter((scan) => { const text = `${scan.name} ${scan.product ?? ""} ${scan.scanner}`.toLowerCase(); return wanted.every((word) => text.includes(word)); });
    cards.replaceChildren(...found.slice(0, MOST).map((scan) => make("li", {}, make("a", { href: `#/tune/${scan.id}` },
      make("span", { className: "frame" }, make("img", { src: `api/scans/${scan.id}/picture`, alt: "", loading: "lazy", decoding: "async" })),
      make("b", {}, scan.name), make("small", {}, `${scan.product ?? "no product named"} · ${dates.format(new Date(scan.captured))}${scan.colour ? "" : " · no colour"}`)))));
    count.textContent = !found.length ? "No scan fits the filter." : found.length > MOST ? `The first ${MOST} of ${whole.format(found.length)}: filter for others.` : `${whole.format(found.length)} of ${whole.format(opened.scans.length)}`;
    history.replaceState(null, "", `#/tune${search.value ? `?${new URLSearchParams({ q: search.value })}` : ""}`);
  };
  search.oninput = show;
  show();
}
