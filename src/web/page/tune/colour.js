// The colour rules: which class, its limits as numbers and in histograms, and what was learned from paint.
import { digits, make } from "../kit.js";
import { swatch } from "./form.js";
import { Histogram } from "./histogram.js";
import { at, put } from "./state.js";

const d0 = digits(0);
export const AXES = [
  { index: 0, key: "l", name: "Lightness L*", first: 0, ends: [0, 100] },
  { index: 1, key: "a", name: "Green to red a*", first: -128, ends: [-128, 128] },
  { index: 2, key: "b", name: "Blue to yellow b*", first: -128, ends: [-128, 128] },
];

export class ColourPanel {
  // now() and edit() as for fields; own: place of the class whose limits are shown.
  constructor(fields, now, edit, own, onOwn) {
    Object.assign(this, { fields, now, edit, own, onOwn, counts: null, together: true, histograms: [] });
    this.told = make("p", { className: "hint", role: "status" });
  }
  close() { this.histograms.forEach((one) => one.close()); this.histograms = []; }
  build(hasColour) {
    this.close();
    this.fields.clear();
    const profile = this.now();
    if (!hasColour) return [make("p", { className: "state" }, "This scan has no colour: all of a piece is the base class.")];
    this.own = Math.min(this.own, profile.class.length - 1);
    const pick = make("div", { className: "picks", role: "radiogroup", ariaLabel: "Class whose limits are shown" });
    profile.class.forEach((rule, k) => {
      const radio = make("input", { type: "radio", name: "tune-class", checked: k === this.own });
      radio.onchange = () => { this.own = k; this.onOwn(k); };
      pick.append(make("label", {}, radio, swatch(k), rule.name));
    });
    const rule = profile.class[this.own], out = [pick];
    if (!rule.lab) {
      const add = make("button", { type: "button", onclick: () => this.edit(put(this.now(), ["class", this.own, "lab"], { l: [0, 100], a: [-128, 128], b: [-128, 128] }), null) }, `Give ${rule.name} limits of its own`);
      out.push(make("p", { className: "hint" }, `${rule.name} is the base class: it takes what no limit claims.`), add);
    }
    for (const axis of AXES) {
      const chart = make("div", { className: "histogram" });
      const path = ["class", this.own, "lab", axis.key];
      const head = rule.lab ? this.fields.range(axis.name, "", path, { step: 0.5 }) : make("div", { className: "entry range" }, make("span", { className: "name" }, axis.name));
      const histogram = new Histogram(chart, axis, (end, value) => this.move(axis.key, end, value));
      this.histograms.push(histogram);
      out.push(make("div", { className: "axisbox" }, head, chart));
    }
    const together = make("input", { type: "checkbox", checked: this.together });
    together.onchange = () => { this.together = together.checked; };
    out.push(make("div", { className: "entry tick" }, make("label", {}, together, "Limits that meet move together")), this.told);
    if (profile.learn) {
      const { between, axis, method, max_move } = profile.learn;
      out.push(make("fieldset", {}, make("legend", {}, "Learned limit"), make("p", {}, `The limit between ${between.join(" and ")} on ${axis.toUpperCase()}* is learned from each recording (${method}, at most ${max_move} away).`),
        make("button", { type: "button", onclick: () => this.edit(put(this.now(), ["learn"], undefined), null) }, "Learn no limit")));
    }
    this.show();
    return out;
  }
  // Moves one end of a limit, and those of other classes that meet it there.
  move(axis, end, value) {
    const before = this.now(), own = at(before, ["class", this.own, "lab", axis]);
    if (!own || own[end] === value) return;
    let after = put(before, ["class", this.own, "lab", axis], own.map((old, i) => (i === end ? value : old)));
    if (this.together) {
      before.class.forEach((rule, k) => {
        const theirs = rule.lab?.[axis];
        if (k === this.own || !theirs || theirs[1 - end] !== own[end]) return;
        const moved = theirs.map((old, i) => (i === 1 - end ? value : old));
        if (moved[0] <= moved[1]) after = put(after, ["class", k, "lab", axis], moved);
      });
    }
    this.edit(after, `limit ${this.own} ${axis} ${end}`);
  }
  // counts: by class and axis, as the program gives them.
  show(counts, learned) {
    if (counts) this.counts = counts;
    if (learned !== undefined) this.told.textContent = learned ?? "";
    const profile = this.now(), classes = profile.class.map((it) => it.name);
    for (const one of this.histograms) {
      const { index, key } = one.axis;
      one.show({ counts: this.counts?.map((axes) => axes[index]), limits: profile.class.map((it) => it.lab?.[key]), classes, own: this.own });
      const cells = this.counts?.reduce((all, axes) => all + axes[index].reduce((a, b) => a + b, 0), 0) ?? 0;
      one.root.setAttribute("role", "group");
      one.root.setAttribute("aria-label", `${one.axis.name} of ${d0.format(cells)} cells of the pieces, by class`);
    }
  }
}
