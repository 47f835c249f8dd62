// Colours of the pieces' cells along one axis of CIELAB, stacked by class, with the limits of one class as handles.
import { digits } from "../kit.js";
import { CLASS_COLOURS } from "../look/map.js";

const HEIGHT = 92, STEP = 0.5;
const d1 = digits(1);
const svg = (name, attributes, ...children) => {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
};
const colour = (k) => `rgb(${CLASS_COLOURS[k % CLASS_COLOURS.length]})`;

export class Histogram {
  // axis: { index, name, first (value of bin 0), ends }; onMove(end, value) while a handle is moved.
  constructor(box, axis, onMove) {
    Object.assign(this, { box, axis, onMove, counts: null, limits: [], classes: [], own: 0, range: axis.ends });
    this.root = svg("svg", { height: HEIGHT, class: "hist" });
    this.handles = ["from", "to"].map((name, end) => this.handle(name, end));
    box.replaceChildren(this.root);
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(box);
  }
  close() { this.watch.disconnect(); }
  x(value) { return 12 + (this.width - 24) * (Math.min(this.range[1], Math.max(this.range[0], value)) - this.range[0]) / (this.range[1] - this.range[0]); }
  value(x) { const raw = this.range[0] + (x - 12) * (this.range[1] - this.range[0]) / (this.width - 24); return Math.round(raw / STEP) * STEP; }
  handle(name, end) {
    const group = svg("g", { role: "slider", tabindex: 0, class: "limit" }, svg("rect", { class: "grab", x: -22, y: 0, width: 44, height: HEIGHT }), svg("line", { y1: 4, y2: HEIGHT - 16 }), svg("circle", { cy: end ? 52 : 32, r: 8 }));
    const move = (value) => {
      const [low, high] = this.axis.ends, other = this.limits[this.own]?.[1 - end];
      const within = Math.min(end ? high : other ?? high, Math.max(end ? other ?? low : low, value));
      this.onMove(end, within);
    };
    group.onpointerdown = (event) => { group.setPointerCapture(event.pointerId); group.focus(); event.preventDefault(); };
    group.onpointermove = (event) => { if (group.hasPointerCapture(event.pointerId)) move(this.value(event.clientX - this.root.getBoundingClientRect().left)); };
    group.onkeydown = (event) => {
      const steps = { ArrowLeft: -STEP, ArrowDown: -STEP, ArrowRight: STEP, ArrowUp: STEP, PageDown: -10 * STEP, PageUp: 10 * STEP };
      const now = this.limits[this.own]?.[end];
      if (event.key in steps) move(now + steps[event.key]); else if (event.key === "Home") move(this.axis.ends[0]); else if (event.key === "End") move(this.axis.ends[1]); else return;
      event.preventDefault();
    };
    group.dataset.end = name;
    return group;
  }
  // counts: by class, cells in each bin; limits: by class, [low, high] or nothing; own: the class whose limits are handles.
  show({ counts, limits, classes, own }) {
    if (counts) this.counts = counts;
    Object.assign(this, { limits, classes, own });
    if (counts && !this.fixed) {
      // The range stays where it was first, so that nothing jumps while limits move.
      const sum = counts[0].map((_, bin) => counts.reduce((all, one) => all + one[bin], 0)), all = sum.reduce((a, b) => a + b, 0);
      let low = 0, high = sum.length - 1;
      for (let gone = 0; low < high && (gone += sum[low]) < all * 0.0005;) low++;
      for (let gone = 0; low < high && (gone += sum[high]) < all * 0.0005;) high--;
      const [first, last] = this.axis.ends;
      if (all) { this.range = [Math.max(first, this.axis.first + low - 12), Math.min(last, this.axis.first + high + 13)]; this.fixed = true; }
    }
    this.draw();
  }
  draw() {
    this.width = this.box.clientWidth;
    if (!this.width) return;
    this.root.setAttribute("width", this.width);
    const parts = [], base = HEIGHT - 14, [from, to] = this.range;
    if (this.counts) {
      const bins = [];
      for (let value = from; value < to; value++) bins.push(value - this.axis.first);
      const most = Math.max(1, ...bins.map((bin) => this.counts.reduce((all, one) => all + one[bin], 0)));
      const tall = (cells) => (base - 24) * Math.sqrt(cells / most);
      const below = new Float64Array(bins.length);
      this.counts.forEach((one, k) => {
        let path = "";
        bins.forEach((bin, i) => {
          if (!one[bin]) return;
          const [y0, y1] = [base - tall(below[i]), base - tall(below[i] + one[bin])], [x0, x1] = [this.x(from + i), this.x(from + i + 1)];
          path += `M${x0.toFixed(1)} ${y0.toFixed(1)}V${y1.toFixed(1)}H${x1.toFixed(1)}V${y0.toFixed(1)}Z`;
          below[i] += one[bin];
        });
        if (path) parts.push(svg("path", { d: path, fill: colour(k), stroke: "none" }));
      });
    }
    parts.push(svg("line", { class: "axis", x1: 12, x2: this.width - 12, y1: base, y2: base }));
    for (const value of [from, Math.round((from + to) / 2), to]) parts.push(svg("text", { x: this.x(value), y: HEIGHT - 1, "text-anchor": "middle" }, value.toLocaleString()));
    this.limits.forEach((ends, k) => {
      if (k !== this.own && ends) for (const end of ends) if (end > from && end < to) parts.push(svg("line", { class: "other", x1: this.x(end), x2: this.x(end), y1: 4, y2: base }));
    });
    const own = this.limits[this.own];
    if (own) {
      parts.push(svg("rect", { class: "inside", x: this.x(own[0]), width: Math.max(0, this.x(own[1]) - this.x(own[0])), y: 1, height: 5 }));
      this.handles.forEach((handle, end) => {
        const [low, high] = this.axis.ends;
        handle.setAttribute("transform", `translate(${this.x(own[end])} 0)`);
        handle.setAttribute("aria-label", `${this.classes[this.own]}: ${this.axis.name} ${handle.dataset.end}`);
        handle.setAttribute("aria-valuemin", low); handle.setAttribute("aria-valuemax", high);
        handle.setAttribute("aria-valuenow", own[end]); handle.setAttribute("aria-valuetext", d1.format(own[end]));
      });
    }
    // Handles stay in the document while they are moved: a new one would lose focus and pointer.
    for (const part of [...this.root.children]) if (!this.handles.includes(part) || !own) part.remove();
    this.root.prepend(...parts);
    if (own) for (const handle of this.handles) if (!handle.isConnected) this.root.append(handle);
  }
}
