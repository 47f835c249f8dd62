// The map of tuning: classes laid over the frame, and a brush.
import { CLASS_COLOURS, FrameMap } from "../look/map.js";

// Pixels as the canvas keeps them: red first in memory.
const pixel = ([r, g, b], alpha = 255) => ((alpha << 24) | (b << 16) | (g << 8) | r) >>> 0;
const colourOf = (name) => CLASS_COLOURS[name % CLASS_COLOURS.length];

export class TuneMap extends FrameMap {
  constructor(box, about, codes, heightColours, onMove, onStroke) {
    super(box, about, codes, heightColours, onMove);
    this.onStroke = onStroke;
    this.cover = 0.6;
    this.overlay = this.layer();
    this.paintLayer = this.layer();
    this.named = new Uint8Array(about.rows * about.columns);
    this.brush = { label: 0, radius_mm: 4 };
    this.ring = null;
    this.catchBrush();
    this.canvas.setAttribute("aria-label", "Map of the scan with its classes. Arrow keys move, plus and minus zoom, 0 shows all. With a brush, arrow keys move it and Space paints.");
  }
  layer() {
    const sheet = document.createElement("canvas");
    sheet.width = this.about.columns; sheet.height = this.about.rows;
    const pen = sheet.getContext("2d");
    const image = new ImageData(sheet.width, sheet.height);
    return { sheet, pen, image, cells: new Uint32Array(image.data.buffer) };
  }
  // Classes of all cells; with `before`, only those that changed.
  showClasses(plane, before) {
    const { rows, columns } = this.about, out = this.overlay.cells;
    const table = new Uint32Array(256);
    for (let k = 0; k < 255; k++) table[k] = pixel(colourOf(k));
    for (let row = 0; row < rows; row++) {
      const from = row * columns, to = (rows - 1 - row) * columns;
      if (before) for (let c = 0; c < columns; c++) { const k = plane[from + c]; out[to + c] = k === before[from + c] ? 0 : k === 255 ? pixel([255, 255, 255]) : table[k]; }
      else for (let c = 0; c < columns; c++) out[to + c] = table[plane[from + c]];
    }
    this.overlay.pen.putImageData(this.overlay.image, 0, 0);
    this.draw();
  }
  // Names the cells of strokes anew: each is { label, radius_mm, points: [[x, y] …] }; label 0 takes names away.
  showStrokes(strokes) {
    this.named.fill(0);
    this.paintLayer.cells.fill(0);
    for (const stroke of strokes) stroke.points.forEach((point, i) => this.dab(stroke, stroke.points[Math.max(0, i - 1)], point));
    this.paintLayer.pen.putImageData(this.paintLayer.image, 0, 0);
    this.draw();
  }
  // Names the cells within the brush between two points.
  dab({ label, radius_mm: radius }, from, to) {
    const { rows, columns, pitch_across_mm: across, pitch_along_mm: along } = this.about;
    const [dx, dy] = [to[0] - from[0], to[1] - from[1]], length = dx * dx + dy * dy;
    const low = [Math.min(from[0], to[0]) - radius, Math.min(from[1], to[1]) - radius], high = [Math.max(from[0], to[0]) + radius, Math.max(from[1], to[1]) + radius];
    const c0 = Math.max(0, Math.floor(low[0] / across)), c1 = Math.min(columns - 1, Math.floor(high[0] / across));
    const r0 = Math.max(0, Math.floor(low[1] / along)), r1 = Math.min(rows - 1, Math.floor(high[1] / along));
    const ink = label ? pixel(colourOf(label - 1)) : 0, edge = label ? pixel([0, 0, 0]) : 0;
    for (let row = r0; row <= r1; row++) {
      for (let column = c0; column <= c1; column++) {
        const x = (column + 0.5) * across, y = (row + 0.5) * along;
        const way = length ? Math.min(1, Math.max(0, ((x - from[0]) * dx + (y - from[1]) * dy) / length)) : 0;
        const [ox, oy] = [x - from[0] - way * dx, y - from[1] - way * dy];
        if (ox * ox + oy * oy > radius * radius) continue;
        this.named[row * columns + column] = label;
        // Hatched, so that it is told from the classes beneath.
        this.paintLayer.cells[(rows - 1 - row) * columns + column] = ((row + column) >> 1) & 1 ? ink : edge;
      }
    }
    return [c0, r0, c1, r1];
  }
  // Named cells as runs: row, first column, one past the last, class.
  runs() {
    const { rows, columns } = this.about, found = [];
    for (let row = 0; row < rows; row++) {
      const line = this.named.subarray(row * columns, (row + 1) * columns);
      for (let c = 0; c < columns; c++) {
        const label = line[c];
        if (!label) continue;
        const first = c;
        while (c + 1 < columns && line[c + 1] === label) c++;
        found.push([row, first, c + 1, label - 1]);
      }
    }
    return found;
  }
  paint() {
    super.paint();
    if (!this.overlay) return;
    const { rows, columns, pitch_across_mm: across, pitch_along_mm: along } = this.about;
    const to = this.canvas.getContext("2d");
    const [left, top] = this.toCanvas([0, rows * along]);
    const size = [columns * across * this.scale, rows * along * this.scale];
    to.globalAlpha = this.cover;
    to.drawImage(this.overlay.sheet, left, top, ...size);
    to.globalAlpha = 1;
    to.imageSmoothingEnabled = false;
    to.drawImage(this.paintLayer.sheet, left, top, ...size);
    if (this.tool === "brush" && this.ring) {
      const [x, y] = this.toCanvas(this.ring);
      const ring = (width, ink) => { to.lineWidth = width; to.strokeStyle = ink; to.beginPath(); to.arc(x, y, Math.max(3, this.brush.radius_mm * this.scale), 0, 7); to.stroke(); };
      ring(4, "#000"); ring(2, "#fff");
    }
  }
  // The brush goes before moving and picking; two fingers still move the map.
  catchBrush() {
    const canvas = this.canvas, before = { down: canvas.onpointerdown, move: canvas.onpointermove, up: canvas.onpointerup, cancel: canvas.onpointercancel, key: canvas.onkeydown };
    let stroke = null, first = null;
    const point = (event) => this.toMm(event).map((mm) => Math.round(10 * mm) / 10);
    const add = (to) => {
      const from = stroke.points.at(-1) ?? to;
      stroke.points.push(to);
      const [c0, r0, c1, r1] = this.dab(stroke, from, to), rows = this.about.rows;
      if (c1 >= c0 && r1 >= r0) this.paintLayer.pen.putImageData(this.paintLayer.image, 0, 0, c0, rows - 1 - r1, c1 - c0 + 1, r1 - r0 + 1);
      this.ring = to;
      this.draw();
    };
    const end = () => { const done = stroke; stroke = null; if (done) this.onStroke(done); };
    canvas.onpointerdown = (event) => {
      if (this.tool !== "brush" || event.button !== 0) return before.down(event);
      if (!event.isPrimary) {
        // A second finger: not painting after all, but moving.
        if (stroke) { stroke = null; this.onStroke(null); }
        if (first) before.down(first);
        first = null;
        return before.down(event);
      }
      first = event;
      canvas.setPointerCapture(event.pointerId);
      stroke = { ...this.brush, points: [] };
      add(point(event));
    };
    canvas.onpointermove = (event) => {
      if (this.tool === "brush") { this.ring = this.toMm(event); this.draw(); }
      const events = event.getCoalescedEvents?.() ?? [];
      if (stroke && event.isPrimary) { for (const one of events.length ? events : [event]) { const to = point(one), last = stroke.points.at(-1); if (Math.hypot(to[0] - last[0], to[1] - last[1]) > 0.3) add(to); } }
      else before.move(event);
    };
    canvas.onpointerup = (event) => { if (stroke && event.isPrimary) end(); else before.up(event); };
    canvas.onpointercancel = (event) => { end(); before.cancel(event); };
    canvas.onkeydown = (event) => {
      const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }, move = moves[event.key];
      if (this.tool !== "brush" || (!move && event.key !== " ")) return before.key(event);
      event.preventDefault();
      this.ring ??= [...this.centre];
      if (move) { this.ring = this.ring.map((mm, k) => mm + this.brush.radius_mm * move[k] * (event.shiftKey ? 4 : 1)); this.draw(); this.onMove("move", this.ring); }
      else { stroke = { ...this.brush, points: [] }; add(this.ring.map((mm) => Math.round(10 * mm) / 10)); end(); }
    };
  }
}
