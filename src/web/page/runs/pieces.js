// The pieces of a run: filtered, sorted and paged by the program.
import { ask, failure, make, state, withUncertainty } from "../kit.js";
import { copyable, count, fixed, remember, whole } from "./kit.js";

const PAGE = 100;
const moments = new Intl.DateTimeFormat(undefined, { month: "short", day: "numeric", hour: "numeric", minute: "2-digit", second: "2-digit" });
// Columns that no piece of the page has a value for are left out.
const COLUMNS = [
  { name: "Recording, piece", sort: "piece", words: true },
  { name: "Time", sort: "time", words: true, cell: (row) => moments.format(new Date(row.time)) },
  { name: "Lane", sort: "lane", has: (row) => row.lane !== null, cell: (row) => (row.lane === null ? "–" : String(row.lane)) },
  { name: "Mass, g", sort: "mass_g", cell: (row) => withUncertainty(row.mass_g, row.mass_u_g) },
  { name: "Fat, %", sort: "fat_fraction", has: (row) => row.fat_fraction !== null, cell: (row) => (row.fat_fraction === null ? "–" : withUncertainty(100 * row.fat_fraction, 100 * (row.fat_u_fraction ?? 0))) },
  { name: "Flags", words: true, cell: (row) => row.flags.join(" ") },
  { name: "Volume, cm³", sort: "volume_cm3", cell: (row) => withUncertainty(row.volume_cm3, row.volume_u_cm3) },
  { name: "Length, mm", sort: "length_mm", cell: (row) => withUncertainty(row.length_mm, row.length_u_mm ?? 0) },
  { name: "Width, mm", sort: "width_mm", cell: (row) => withUncertainty(row.width_mm, row.width_u_mm ?? 0) },
  { name: "Height, mm", sort: "max_height_mm", cell: (row) => fixed(row.max_height_mm, 1) },
];

export async function showPieces(box, { run, opened, words, signal }) {
  const wanted = { q: words.get("q") ?? "", product: words.get("product") ?? "", flag: words.get("flag") ?? "", part: words.get("part") ?? "", sort: words.get("sort") ?? "piece", down: words.get("down") === "true", page: Math.max(1, Number(words.get("page")) || 1) };
  const search = make("input", { type: "search", value: wanted.q, title: "Recording, scan, product or scanner" });
  const product = make("select", { ariaLabel: "Product" }), flag = make("select", { ariaLabel: "Flag" }), part = make("select", { ariaLabel: "Scanner and day" });
  const told = make("span", { role: "status" });
  const place = make("div", { className: "wide", tabIndex: 0, role: "region", ariaLabel: "Pieces" });
  const pager = make("div", { className: "bar pager" });
  const note = make("div");
  box.append(make("div", { className: "bar" }, make("label", {}, "Filter", search), product, flag, part, told), note, place, pager);
  // Where each scan that is open stands in the list of scans.
  const open = new Map(opened.scans.map((scan) => [`${scan.recording}\n${scan.name}`, scan.id]));
  let number = 0, waiting = 0;
  const load = async () => {
    const own = ++number;
    remember(location.hash, { ...wanted, sort: wanted.sort === "piece" ? "" : wanted.sort, page: wanted.page === 1 ? "" : wanted.page });
    told.textContent = "Reading …";
    try {
      const query = new URLSearchParams({ q: wanted.q, sort: wanted.sort, down: wanted.down, from: (wanted.page - 1) * PAGE, count: PAGE });
      for (const key of ["product", "flag", "part"]) if (wanted[key]) query.set(key, wanted[key]);
      const found = await (await ask(`api/runs/one/${encodeURIComponent(run.id)}/pieces?${query}`, signal)).json();
      if (own === number) fill(found);
    } catch (error) {
      if (error.name !== "AbortError" && own === number) { told.textContent = ""; place.replaceChildren(failure(error.message)); pager.replaceChildren(); }
    }
  };
  const again = (change) => { Object.assign(wanted, { page: 1 }, change); return load(); };
  const options = (select, first, list, value) => {
    select.replaceChildren(new Option(first, ""), ...list.map(([name, key]) => new Option(name, key)));
    select.value = value;
    select.hidden = list.length < 2;
  };
  const fill = (found) => {
    const pages = Math.max(1, Math.ceil(found.found / PAGE));
    if (wanted.page > pages) { wanted.page = pages; load(); return; }
    options(product, "All products", found.products.filter(Boolean).map((name) => [name, name]), wanted.product);
    options(flag, "All pieces", [["Out of spec", "spec"], ...found.flags.map((it) => [it.name, it.name])], wanted.flag);
    options(part, found.choose ? "Choose scanner and day" : "All scanners and days", found.parts.map((it) => [`${it.scanner}, ${it.day}`, it.part]), wanted.part);
    flag.title = found.flags.find((it) => it.name === wanted.flag)?.meaning ?? "";
    note.replaceChildren();
    if (found.choose) {
      told.textContent = "";
      pager.replaceChildren();
      place.replaceChildren(state(`The run has ${count(run.pieces, "piece")}, more than can be listed at once. Choose one scanner and day.`));
      return;
    }
    told.textContent = found.found === found.all ? count(found.all, "piece") : `${whole.format(found.found)} of ${count(found.all, "piece")}`;
    const columns = COLUMNS.filter((column) => !column.has || column.sort === wanted.sort || found.rows.some(column.has));
    const head = columns.map((column) => {
      if (!column.sort) return make("th", { scope: "col", className: "words" }, column.name);
      const on = wanted.sort === column.sort;
      const button = make("button", { type: "button" }, column.name, make("span", { ariaHidden: "true" }, on ? (wanted.down ? " ▼" : " ▲") : ""));
      button.onclick = async () => { await again({ sort: column.sort, down: on ? !wanted.down : !column.words && column.sort !== "lane" }); place.querySelector("th[aria-sort] button")?.focus(); };
      const cell = make("th", { scope: "col", className: column.words ? "words" : "" }, button);
      if (on) cell.setAttribute("aria-sort", wanted.down ? "descending" : "ascending");
      return cell;
    });
    let linked = 0;
    const body = found.rows.map((row) => {
      const id = open.get(`${row.recording}\n${row.scan}`);
      const name = `${row.recording}, ${row.piece}`;
      if (id !== undefined) linked++;
      const first = id === undefined ? name : make("a", { href: `#/look/${id}?piece=${row.piece}` }, name);
      return make("tr", {}, make("th", { scope: "row", className: "words" }, first),
        ...columns.slice(1).map((column) => make("td", { className: column.words ? "words line" : "" }, column.cell(row))));
    });
    place.replaceChildren(make("table", { ariaLabel: "Pieces" }, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...body)));
    if (linked) note.append(make("p", {}, "A name leads to the piece in its scan, measured again with the profiles that are open."));
    if (!found.rows.length) place.replaceChildren(state(found.all ? "No piece fits the filter." : "There are no pieces in this run."));
    else if (!linked) note.append(make("p", {}, "The scans of these pieces are not open", run.open_with ? ". To look at them:" : "."), ...(run.open_with ? [copyable(run.open_with)] : []));
    const step = (text, page) => make("button", { type: "button", disabled: page < 1 || page > pages || page === wanted.page, onclick: () => { wanted.page = page; load().then(() => place.focus()); } }, text);
    pager.replaceChildren(step("First", 1), step("Back", wanted.page - 1), make("span", {}, `Page ${whole.format(wanted.page)} of ${whole.format(pages)}`), step("On", wanted.page + 1), step("Last", pages));
    pager.hidden = pages === 1;
    document.body.dataset.pieces = "ready";
  };
  search.oninput = () => { clearTimeout(waiting); waiting = setTimeout(() => again({ q: search.value }), 250); };
  product.onchange = () => again({ product: product.value });
  flag.onchange = () => again({ flag: flag.value });
  part.onchange = () => again({ part: part.value });
  await load();
}
