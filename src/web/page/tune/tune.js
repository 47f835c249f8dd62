// The product profile as a form, with what it does to a scan shown at once.
import { ask, digits, failure, make, send, state } from "../kit.js";
import { decodeHeights } from "../look/map.js";
import { choose } from "./choose.js";
import { ColourPanel } from "./colour.js";
import { Fields } from "./fields.js";
import { classPanel, piecePanel, swatch, weightPanel } from "./form.js";
import { TuneMap } from "./map.js";
import { Preview } from "./preview.js";
import { pieceTable, sums } from "./result.js";
import { saveDialog } from "./save.js";
import { Steps, address, fromAddress } from "./state.js";

const TABS = [["colour", "Colour"], ["classes", "Classes"], ["pieces", "Pieces"], ["weight", "Weight, spec"], ["table", "Table"]];
const d1 = digits(1);

export function tune(view, opened, words, rest) {
  if (!rest?.length) { choose(view, opened, words); return undefined; }
  const scan = opened.scans[Number(rest[0])];
  if (!scan) { view.replaceChildren(failure("This scan is not among those opened."), make("p", { className: "state" }, make("a", { href: "#/tune" }, "Choose a scan"))); return undefined; }
  const stop = new AbortController(), bench = new Bench(view, scan, opened, words, stop.signal);
  view.replaceChildren(state(`Reading the profile of ${scan.name} …`));
  bench.open().catch((error) => { if (error.name !== "AbortError") view.replaceChildren(failure(`This scan cannot be tuned with: ${error.message}`), make("p", { className: "state" }, make("a", { href: "#/tune" }, "Choose another scan"))); });
  return () => { stop.abort(); bench.close(); };
}

class Bench {
  constructor(view, scan, opened, words, signal) {
    Object.assign(this, { view, scan, opened, words, signal });
    this.from = words.get("from") ?? undefined;
    this.tab = TABS.some(([key]) => key === words.get("tab")) ? words.get("tab") : "colour";
    this.selected = 0;
    this.autoFit = true;
  }
  get profile() { return this.steps.now.profile; }
  // What decides which fields there are.
  get build() { return JSON.stringify([this.profile.base, Boolean(this.profile.learn), this.profile.class.map((it) => [it.name, Boolean(it.lab), Boolean(it.composition), it.depth_mm !== undefined])]); }
  asked() { return { profile: this.profile, from: this.from }; }
  asking(what) { return ask(`api/tune/${this.scan.id}/${what}${this.from ? `?${new URLSearchParams({ from: this.from })}` : ""}`, this.signal); }
  async open() {
    const about = await (await this.asking("profile")).json();
    this.about = about;
    this.base = about.profile;
    document.getElementById("where").textContent = `${this.base.name} by ${this.scan.name}`;
    this.steps = new Steps({ profile: fromAddress(about.profile, this.words), strokes: this.keptStrokes() });
    this.lay();
    this.preview = new Preview(this.scan.id, this.signal, (told) => this.shown(told), (error) => this.refused(error), (words) => this.say(words));
    const heights = await this.asking("heights");
    const cells = JSON.parse(heights.headers.get("x-cells"));
    this.map = new TuneMap(this.box, cells, decodeHeights(new Uint8Array(await heights.arrayBuffer()), cells), this.opened.height_colours, (what, at) => this.pointed(what, at), (stroke) => this.stroked(stroke));
    this.map.layers.shade = 0.6;
    this.start = await this.preview.once({ profile: this.base, from: this.from });
    this.say("Measured. What is changed is shown at once.");
    this.tools();
    this.panel();
    this.shown(this.start);
    if (this.steps.now.strokes.length) this.map.showStrokes(this.strokes());
    if (this.start.about.has_colour) await this.colour();
    if (JSON.stringify(this.profile) !== JSON.stringify(this.base)) this.preview.ask(this.asked());
    document.body.dataset.tune = "ready";
  }
  async colour() {
    const picture = await createImageBitmap(await (await this.asking("colour")).blob());
    const sheet = make("canvas", { width: picture.width, height: picture.height }), pen = sheet.getContext("2d");
    pen.drawImage(picture, 0, 0);
    this.map.colour = pen.getImageData(0, 0, picture.width, picture.height).data;
    this.map.layers.colour = 1; this.map.layers.shade = 0;
    this.map.compose();
    this.tools();
  }
  lay() {
    this.box = make("div", { className: "map" }, state("Reading and measuring …"));
    this.bar = make("div", { className: "bar" });
    this.brushBar = make("div", { className: "bar brush", hidden: true });
    this.read = make("div", { className: "read" }, "Point at the map to read it.");
    this.result = make("div", { className: "result", role: "region", ariaLabel: "What the profile makes of this scan" }, state("Measuring the pieces …"));
    this.status = make("p", { className: "status", role: "status" });
    this.wrong = make("div");
    this.tabs = make("div", { className: "tabs", role: "tablist", ariaLabel: "Parts of the profile" });
    this.sheet = make("div", { className: "sheet", role: "tabpanel", id: "tune-sheet", tabIndex: 0 });
    const button = (text, act, className = "") => make("button", { type: "button", onclick: act, className }, text);
    this.undo = button("Undo", () => this.go(-1));
    this.redo = button("Redo", () => this.go(1));
    this.reset = button("Reset", () => this.set({ profile: this.base, strokes: [] }, null));
    this.save = button("Save …", () => this.saving(), "go");
    this.fields = new Fields(() => this.profile, (profile, what) => this.set({ profile }, what));
    this.colours = new ColourPanel(this.fields, () => this.profile, (profile, what) => this.set({ profile }, what), Number(this.words.get("class")) || 0, () => { this.remember(); this.panel(); this.sheet.querySelector("input:checked")?.focus(); });
    for (const [key, name] of TABS) {
      const tab = make("button", { type: "button", role: "tab", id: `tune-tab-${key}` }, name);
      tab.setAttribute("aria-controls", "tune-sheet");
      tab.onclick = () => { this.tab = key; this.panel(); this.remember(); };
      tab.onkeydown = (event) => {
        const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
        if (!by) return;
        const at = TABS.findIndex(([one]) => one === this.tab), next = this.tabs.children[(at + by + TABS.length) % TABS.length];
        next.click(); next.focus();
      };
      this.tabs.append(tab);
    }
    const from = make("select", { id: "tune-from" }, new Option("the opened profile", ""), ...this.about.saved.map((name) => new Option(name, name)));
    from.value = this.from ?? "";
    from.onchange = () => { location.hash = `#/tune/${this.scan.id}${from.value ? `?from=${encodeURIComponent(from.value)}` : ""}`; };
    this.head = make("div", { className: "bar from" }, make("b", {}, this.base.name), make("label", { htmlFor: "tune-from" }, "started from"), from);
    this.view.replaceChildren(make("div", { className: "tune" },
      make("div", { className: "stage" }, this.bar, this.brushBar, this.box, this.read),
      make("div", { className: "bench" }, this.head, this.result, this.status, this.wrong, this.tabs, this.sheet, make("div", { className: "bar acts" }, this.undo, this.redo, this.reset, make("span", { className: "gap" }), this.save))));
    this.onKey = (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.altKey || document.querySelector("dialog[open]")) return;
      const key = event.key.toLowerCase();
      if (key === "z") this.go(event.shiftKey ? 1 : -1); else if (key === "y") this.go(1); else return;
      event.preventDefault();
    };
    document.addEventListener("keydown", this.onKey);
    this.buttons();
  }
  buttons() {
    this.undo.disabled = this.steps.at === 0;
    this.redo.disabled = this.steps.at === this.steps.steps.length - 1;
    this.reset.disabled = JSON.stringify(this.profile) === JSON.stringify(this.base) && !this.steps.now.strokes.length;
    this.save.disabled = !this.start;
  }
  say(words) { if (this.status.textContent !== words) this.status.textContent = words; }
  tools() {
    const map = this.map, button = (text, name, act) => make("button", { type: "button", ariaLabel: name, onclick: act }, text);
    const option = (label, options, value, act) => { const select = make("select", { ariaLabel: label }, ...options.map(([key, text]) => new Option(text, key))); select.value = value; select.onchange = () => act(select.value); return select; };
    const cover = make("input", { type: "range", min: 0, max: 1, step: 0.05, value: map.cover });
    cover.oninput = () => { map.cover = Number(cover.value); map.draw(); };
    const brush = make("button", { type: "button", ariaPressed: String(map.tool === "brush") }, "Brush");
    brush.onclick = () => { map.tool = map.tool === "brush" ? "move" : "brush"; brush.ariaPressed = String(map.tool === "brush"); this.brushBar.hidden = map.tool !== "brush"; map.draw(); };
    this.bar.replaceChildren(button("+", "Zoom in", () => map.zoom(1.4)), button("−", "Zoom out", () => map.zoom(1 / 1.4)), button("All", "Show all", () => map.fit()));
    if (map.colour) this.bar.append(option("Ground", [["colour", "Colour"], ["heights", "Heights"]], map.layers.colour ? "colour" : "heights", (key) => { map.layers.colour = Number(key === "colour"); map.layers.shade = key === "colour" ? 0 : 0.6; map.compose(); }));
    if (this.start?.about.has_colour) {
      this.bar.append(option("Classes", [["all", "All classes"], ["changed", "Changed only"]], this.changedOnly ? "changed" : "all", (key) => { this.changedOnly = key === "changed"; this.showClasses(); }), make("label", {}, "Cover", cover), brush);
      this.brushTools();
    }
  }
  brushTools() {
    const map = this.map, pick = make("div", { className: "picks", role: "radiogroup", ariaLabel: "What the brush paints" });
    [...this.profile.class.map((it, k) => [k + 1, it.name]), [0, "erase"]].forEach(([label, name]) => {
      const radio = make("input", { type: "radio", name: "tune-brush", checked: label === map.brush.label });
      radio.onchange = () => { map.brush.label = label; };
      pick.append(make("label", {}, radio, ...(label ? [swatch(label - 1)] : []), name));
    });
    if (map.brush.label === 0 && !this.erasing) { map.brush.label = 1; pick.querySelector("input").checked = true; }
    const size = make("input", { type: "range", min: 0.5, max: 15, step: 0.5, value: map.brush.radius_mm });
    const told = make("span", {}, `${d1.format(map.brush.radius_mm)} mm`);
    size.oninput = () => { map.brush.radius_mm = Number(size.value); told.textContent = `${d1.format(map.brush.radius_mm)} mm`; map.draw(); };
    const auto = make("input", { type: "checkbox", checked: this.autoFit });
    auto.onchange = () => { this.autoFit = auto.checked; if (auto.checked) this.fit(); };
    this.painted = make("p", { className: "hint", role: "status" }, "Paint each of two classes or more in three places that lie apart; the limits follow.");
    this.brushBar.replaceChildren(pick, make("label", {}, "Radius", size, told), make("label", {}, auto, "Limits follow the paint"), make("button", { type: "button", onclick: () => this.fit() }, "Fit limits"), make("button", { type: "button", onclick: () => this.set({ strokes: [] }, null) }, "Clear paint"), this.painted);
  }
  panel() {
    for (const tab of this.tabs.children) { const on = tab.id === `tune-tab-${this.tab}`; tab.ariaSelected = String(on); tab.tabIndex = on ? 0 : -1; }
    this.sheet.setAttribute("aria-labelledby", `tune-tab-${this.tab}`);
    this.shape = this.build;
    this.colours.close();
    const now = () => this.profile, edit = (profile, what) => this.set({ profile }, what);
    const parts = {
      colour: () => this.colours.build(this.start?.about.has_colour ?? this.scan.colour),
      classes: () => classPanel(this.fields, now, edit, this.about.product_temperature_c),
      pieces: () => piecePanel(this.fields),
      weight: () => weightPanel(this.fields),
      table: () => { this.fields.clear(); return this.told ? pieceTable(this.start.about.pieces, this.told.about.pieces, this.selected, (piece) => this.select(piece, true)) : [state("Measuring the pieces …")]; },
    }[this.tab]();
    this.sheet.replaceChildren(...parts);
  }
  // Another state: shown, remembered, measured.
  set(change, what) {
    if (!this.steps.set(change, what)) return;
    this.moved(what);
  }
  go(by) { if (this.steps.go(by)) this.moved(null); }
  moved(what) {
    const shape = this.build;
    if (shape !== this.shape) { this.panel(); this.tools(); what = null; } else if (what === null || this.tab === "colour") this.fields.refresh(what === null);
    if (this.tab === "colour") this.colours.show();
    if (what === null && this.map) this.map.showStrokes(this.strokes());
    this.remember();
    this.buttons();
    this.preview?.ask(this.asked());
  }
  remember() {
    const more = {};
    if (this.tab !== "colour") more.tab = this.tab;
    if (this.colours.own) more.class = this.colours.own;
    history.replaceState(null, "", address(this.scan.id, this.from, this.base, this.profile, more));
    try { sessionStorage.setItem(`tune-paint-${this.scan.name}`, JSON.stringify(this.steps.now.strokes)); } catch { /* too much paint to keep over a reload */ }
  }
  keptStrokes() {
    try { const kept = JSON.parse(sessionStorage.getItem(`tune-paint-${this.scan.name}`) ?? "[]"); return Array.isArray(kept) ? kept : []; } catch { return []; }
  }
  shown(told) {
    const first = !this.told || this.told.about.number !== told.about.number;
    this.told = told;
    this.fields.refresh();
    this.wrong.replaceChildren();
    if (first) {
      this.map.marks = told.marks;
      this.map.bounds = null;
      this.map.compose();
    }
    this.showClasses();
    this.result.replaceChildren(sums(this.start?.about.totals ?? told.about.totals, told.about.totals));
    if (this.tab === "colour") this.colours.show(told.about.lab, told.about.learned); else { this.colours.counts = told.about.lab; }
    if (this.tab === "table") this.panel();
    this.buttons();
  }
  showClasses() {
    if (!this.told) return;
    const [was, is] = [this.start?.about.classes, this.told.about.classes];
    let before = this.changedOnly ? this.start?.classes : null;
    if (before && JSON.stringify(was) !== JSON.stringify(is)) {
      // Classes go by their name: the same one may stand in another place now, or be gone.
      const place = new Uint8Array(256).fill(254);
      place[255] = 255;
      was.forEach((name, k) => { if (is.includes(name)) place[k] = is.indexOf(name); });
      before = before.map((k) => place[k]);
    }
    this.map.showClasses(this.told.classes, before ?? null);
  }
  // Strokes with the place that their class has now; those of a class that is gone are left out.
  strokes() {
    const names = this.profile.class.map((it) => it.name);
    return this.steps.now.strokes.filter((it) => it.name === null || names.includes(it.name)).map((it) => ({ ...it, label: it.name === null ? 0 : 1 + names.indexOf(it.name) }));
  }
  refused(error) {
    const words = error.told?.error ?? error.message, key = error.told?.key;
    const beside = key && this.fields.blame(key, words.replace(`${key}: `, ""));
    this.wrong.replaceChildren(...(beside ? [] : [failure(words)]));
    this.say("Not measured: what is shown is of the last sound values.");
  }
  pointed(what, at) {
    const cell = at && this.map.cell(at);
    if (!cell) return;
    const index = cell[0] * this.map.about.columns + cell[1], piece = this.map.piece(index);
    if (what === "pick") this.select(piece, false);
    const kind = this.told?.classes[index], was = this.start?.classes[index], z = this.map.heightAt(...cell);
    const parts = [`x ${d1.format(at[0])} mm`, `y ${d1.format(at[1])} mm in the scan`, Number.isNaN(z) ? "not seen" : `height ${digits(2).format(z)} mm`];
    if (piece) parts.push(`piece ${piece}`);
    if (kind !== undefined && kind !== 255) parts.push(this.told.about.classes[kind] + (was !== kind && was !== 255 && this.start.about.classes[was] ? ` (was ${this.start.about.classes[was]})` : ""));
    this.read.textContent = parts.join(" · ");
  }
  select(piece, centre) { this.selected = piece; this.map.select(piece, centre); if (this.tab === "table") this.panel(); }
  stroked(stroke) {
    if (!stroke) { this.map.showStrokes(this.strokes()); return; }
    this.erasing = stroke.label === 0;
    const { label, radius_mm, points } = stroke;
    this.set({ strokes: [...this.steps.now.strokes, { name: label ? this.profile.class[label - 1].name : null, radius_mm, points }] }, `stroke ${this.steps.now.strokes.length}`);
    if (this.autoFit) this.fit();
  }
  // One fit at a time; what is painted meanwhile is fitted to next.
  async fit() {
    this.fitAgain = true;
    if (this.fitting) return;
    this.fitting = true;
    while (this.fitAgain && !this.signal.aborted) {
      this.fitAgain = false;
      try { await this.fitOnce(); } catch (error) { if (error.name !== "AbortError") this.painted.textContent = `Limits stay: ${error.message}`; }
    }
    this.fitting = false;
  }
  async fitOnce() {
    const runs = this.map.runs();
    if (!runs.length) { this.painted.textContent = "Nothing is painted yet."; return; }
    const told = await (await send(`api/tune/${this.scan.id}/fit`, { ...this.asked(), runs }, this.signal)).json();
    const each = told.by_class.map((it) => `${it.class} ${d1.format(100 * it.right_unseen_fraction)} % of ${digits(0).format(it.cells)} cells`).join(", ");
    const left = told.clipped_cells + told.unused_cells;
    this.painted.textContent = `Named rightly where the limits were not fitted: ${each}. All alike ${d1.format(100 * told.unseen_fraction)} %, before ${d1.format(100 * told.before_fraction)} %.${left ? ` ${digits(0).format(left)} cells off the pieces or clipped are not used.` : ""}`;
    // Only limits: what was changed meanwhile stays.
    const limits = new Map(told.profile.class.map((it) => [it.name, it.lab]));
    this.set({ profile: { ...this.profile, class: this.profile.class.map((it) => (limits.get(it.name) ? { ...it, lab: limits.get(it.name) } : it)) } }, "fit");
    document.body.dataset.fitted = "yes";
  }
  async saving() {
    try {
      await saveDialog({ scan: this.scan.id, asked: this.asked(), basedOn: this.about.based_on, folder: this.about.folder, before: this.start.about.totals, now: (await this.preview.settled()).about.totals, onSaved: () => {} });
    } catch (error) { if (error.name !== "AbortError") this.refused(error); }
  }
  close() { document.removeEventListener("keydown", this.onKey); this.colours?.close(); this.map?.close(); document.querySelector("dialog.saving")?.remove(); }
}
