// The map of one frame: heights shaded here, so that what the pointer reads is the cell it is on.
export const UNSEEN = 0;

// Undoes the coding of heights: differences along a row, folded, low bytes first.
export function decodeHeights(bytes, about) {
  const cells = about.rows * about.columns;
  const codes = new Uint16Array(cells);
  let start = 0;
  for (let row = 0, at = 0; row < about.rows; row++) {
    let before = start;
    for (let column = 0; column < about.columns; column++, at++) {
      const folded = bytes[at] | (bytes[cells + at] << 8);
      before = (before + ((folded >> 1) ^ -(folded & 1))) & 0xffff;
      codes[at] = before;
      if (column === 0) start = before;
    }
  }
  return codes;
}

// The same for heights that were sent as differences to codes already known.
export function decodeOnto(known, bytes) {
  const cells = known.length;
  return Uint16Array.from(known, (code, at) => {
    const folded = bytes[at] | (bytes[cells + at] << 8);
    return (code + ((folded >> 1) ^ -(folded & 1))) & 0xffff;
  });
}

// Colours of classes, told apart by lightness too (after Okabe and Ito, 2008).
export const CLASS_COLOURS = [[213, 94, 0], [240, 228, 66], [0, 114, 178], [0, 158, 115], [204, 121, 167], [86, 180, 233], [230, 159, 0], [255, 255, 255]];

export class FrameMap {
  constructor(box, about, codes, heightColours, onMove) {
    Object.assign(this, { box, about, codes, heightColours, onMove });
    this.canvas = document.createElement("canvas");
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", "Height map. Arrow keys move it, or the cross of a chosen tool; Enter sets a point; plus and minus zoom, 0 shows all.");
    box.replaceChildren(this.canvas);
    this.sheet = document.createElement("canvas");
    this.sheet.width = about.columns;
    this.sheet.height = about.rows;
    this.marks = null;
    this.colour = null;
    this.layers = { shade: 1, colour: 0, classes: 0, marks: 1 };
    this.selected = 0;
    this.tool = "move";
    this.points = []; // corners of what is measured by hand, mm
    this.closed = false;
    this.cursor = null; // the cross that the keys move, mm
    let top = 1;
    const sorted = codes.filter((_, at) => at % 97 === 0).filter((code) => code > 0).sort();
    if (sorted.length) top = this.height(sorted[Math.floor(sorted.length * 0.999)]);
    this.topMm = Math.max(1, top);
    this.listen();
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(box);
    this.compose();
    this.resize();
    this.fit();
  }
  // Other heights of the same frame; what is seen of it stays.
  reset(about, codes) {
    Object.assign(this, { about: { ...this.about, ...about }, codes, bounds: null });
    this.sheet.width = about.columns;
    this.sheet.height = about.rows;
    this.compose();
  }
  height(code) { return code === UNSEEN ? NaN : this.about.offset_mm + this.about.step_mm * (code - 1); }
  heightAt(row, column) { return this.height(this.codes[row * this.about.columns + column]); }
  piece(at) { return this.marks ? this.marks[at] | (this.marks[this.codes.length + at] << 8) : 0; }
  // Paints all layers into a picture of one pixel a cell, the first row at the bottom.
  compose() {
    const { rows, columns, pitch_across_mm: across, pitch_along_mm: along } = this.about;
    const cells = rows * columns;
    const image = new ImageData(columns, rows);
    const out = image.data;
    const { shade, colour, classes, marks } = this.layers;
    const step = this.about.step_mm;
    for (let row = 0; row < rows; row++) {
      for (let column = 0; column < columns; column++) {
        const at = row * columns + column;
        const to = 4 * ((rows - 1 - row) * columns + column);
        const code = this.codes[at];
        let r, g, b;
        if (code === UNSEEN) {
          const stripe = ((row + column) >> 2) & 1;
          r = g = b = marks ? (stripe ? 150 : 105) : 60;
        } else {
          const share = Math.min(255, Math.max(0, Math.round(255 * this.height(code) / this.topMm)));
          [r, g, b] = this.heightColours[share];
          const east = this.codes[at + (column + 1 < columns ? 1 : 0)];
          const north = this.codes[at + (row + 1 < rows ? columns : 0)];
          if (shade && east && north) {
            // Light from the upper left, half steep.
            const sx = (east - code) * step / across, sy = (north - code) * step / along;
            const light = (1 + 0.6 * sx - 0.6 * sy) / Math.sqrt(1 + sx * sx + sy * sy);
            const gain = 1 + shade * (Math.min(1.5, Math.max(0.4, light)) - 1);
            r *= gain; g *= gain; b *= gain;
          }
        }
        if (colour && this.colour) {
          r += colour * (this.colour[4 * at] - r); g += colour * (this.colour[4 * at + 1] - g); b += colour * (this.colour[4 * at + 2] - b);
        }
        if (this.marks) {
          const kind = this.marks[2 * cells + at];
          if (classes && kind !== 255) {
            const c = CLASS_COLOURS[kind % CLASS_COLOURS.length];
            r += classes * (c[0] - r); g += classes * (c[1] - g); b += classes * (c[2] - b);
          }
          if (marks && this.marks[3 * cells + at] && ((row - column) & 3) === 0) { r = 255; g = 120; b = 200; }
          const own = this.piece(at);
          const edge = own && (column === 0 || row === 0 || this.piece(at - 1) !== own || this.piece(at - columns) !== own
            || (column + 1 < columns && this.piece(at + 1) !== own) || (row + 1 < rows && this.piece(at + columns) !== own));
          if (edge) { r = g = b = 255; }
        }
        out[to] = r; out[to + 1] = g; out[to + 2] = b; out[to + 3] = 255;
      }
    }
    this.sheet.getContext("2d").putImageData(image, 0, 0);
    this.draw();
  }
  // View: canvas = (x mm − left) · scale, (top − y mm) · scale.
  fit() {
    const { rows, columns, pitch_across_mm: across, pitch_along_mm: along } = this.about;
    this.scale = 0.96 * Math.min(this.canvas.width / (columns * across), this.canvas.height / (rows * along));
    this.centre = [columns * across / 2, rows * along / 2];
    this.whole = true; // still so after the window changes, until someone moves or zooms
    this.draw();
  }
  resize() {
    const ratio = devicePixelRatio || 1;
    const [width, height] = [Math.round(this.box.clientWidth * ratio), Math.round(this.box.clientHeight * ratio)];
    if (!width || !height || (width === this.canvas.width && height === this.canvas.height)) return;
    this.canvas.width = width; this.canvas.height = height;
    if (this.scale && this.whole) this.fit(); else this.draw();
  }
  toCanvas([x, y]) { return [(x - this.centre[0]) * this.scale + this.canvas.width / 2, (this.centre[1] - y) * this.scale + this.canvas.height / 2]; }
  toMm(event) {
    const box = this.canvas.getBoundingClientRect();
    const ratio = this.canvas.width / box.width;
    return [((event.clientX - box.left) * ratio - this.canvas.width / 2) / this.scale + this.centre[0],
      this.centre[1] - ((event.clientY - box.top) * ratio - this.canvas.height / 2) / this.scale];
  }
  cell([x, y]) {
    const column = Math.floor(x / this.about.pitch_across_mm), row = Math.floor(y / this.about.pitch_along_mm);
    return row >= 0 && column >= 0 && row < this.about.rows && column < this.about.columns ? [row, column] : null;
  }
  draw() {
    if (!this.scale || this.waiting) return;
    this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.paint(); });
  }
  paint() {
    const { rows, columns, pitch_across_mm: across, pitch_along_mm: along } = this.about;
    const to = this.canvas.getContext("2d");
    to.clearRect(0, 0, this.canvas.width, this.canvas.height);
    to.imageSmoothingEnabled = this.scale * across < 3;
    const [left, top] = this.toCanvas([0, rows * along]);
    to.drawImage(this.sheet, left, top, columns * across * this.scale, rows * along * this.scale);
    const stroke = (path, width) => {
      to.lineWidth = width + 4; to.strokeStyle = "#000"; to.stroke(path);
      to.lineWidth = width; to.strokeStyle = "#ffd23f"; to.stroke(path);
    };
    const bounds = this.selected && this.boundsOf(this.selected);
    if (bounds) {
      const [x0, y0] = this.toCanvas([bounds[0] * across - 2, (bounds[3] + 1) * along + 2]);
      const [x1, y1] = this.toCanvas([(bounds[2] + 1) * across + 2, bounds[1] * along - 2]);
      const path = new Path2D(); path.rect(x0, y0, x1 - x0, y1 - y0); stroke(path, 3);
    }
    if (this.points.length) {
      const path = new Path2D();
      this.points.forEach((point, at) => { const [x, y] = this.toCanvas(point); if (at) path.lineTo(x, y); else path.moveTo(x, y); });
      if (this.closed) path.closePath();
      for (const point of this.points) { const [x, y] = this.toCanvas(point); path.moveTo(x + 5, y); path.arc(x, y, 5, 0, 7); }
      stroke(path, 2);
    }
    if (this.cursor) {
      const [x, y] = this.toCanvas(this.cursor), path = new Path2D();
      path.moveTo(x - 14, y); path.lineTo(x + 14, y); path.moveTo(x, y - 14); path.lineTo(x, y + 14);
      stroke(path, 2);
    }
  }
  // Columns and rows a piece takes up: left, bottom, right, top.
  boundsOf(piece) {
    if (!this.bounds) {
      this.bounds = new Map();
      for (let at = 0; at < this.codes.length; at++) {
        const own = this.piece(at);
        if (!own) continue;
        const column = at % this.about.columns, row = Math.floor(at / this.about.columns);
        const box = this.bounds.get(own);
        if (!box) this.bounds.set(own, [column, row, column, row]);
        else { box[0] = Math.min(box[0], column); box[2] = Math.max(box[2], column); box[3] = row; }
      }
    }
    return this.bounds.get(piece);
  }
  select(piece, centre) {
    this.selected = piece;
    const box = piece && this.boundsOf(piece);
    if (box && centre) this.whole = false;
    if (box && centre) this.centre = [(box[0] + box[2] + 1) / 2 * this.about.pitch_across_mm, (box[1] + box[3] + 1) / 2 * this.about.pitch_along_mm];
    this.draw();
  }
  zoom(by, about) {
    const before = this.scale;
    this.whole = false;
    this.scale = Math.min(400, Math.max(0.02, this.scale * by));
    if (about) for (const k of [0, 1]) this.centre[k] = about[k] + (this.centre[k] - about[k]) * before / this.scale;
    this.draw();
  }
  listen() {
    const canvas = this.canvas, fingers = new Map();
    let moved = 0;
    canvas.onwheel = (event) => { event.preventDefault(); this.zoom(Math.exp(-event.deltaY / 400), this.toMm(event)); };
    canvas.onpointerdown = (event) => {
      canvas.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, event); moved = 0;
      if (this.tool !== "move" && fingers.size === 1) { this.cursor = null; this.onMove("press", this.toMm(event)); }
    };
    canvas.onpointermove = (event) => {
      const at = this.toMm(event), before = fingers.get(event.pointerId);
      if (before) {
        moved += Math.abs(event.clientX - before.clientX) + Math.abs(event.clientY - before.clientY);
        const from = this.toMm(before);
        if (fingers.size === 2) {
          const other = [...fingers.values()].find((finger) => finger.pointerId !== event.pointerId);
          const gap = (one) => Math.hypot(one.clientX - other.clientX, one.clientY - other.clientY);
          this.zoom(gap(event) / Math.max(1, gap(before)), this.toMm(other));
        } else if (this.tool === "move") {
          for (const k of [0, 1]) this.centre[k] -= at[k] - from[k];
          this.whole = false;
        } else this.onMove("drag", at);
        fingers.set(event.pointerId, event);
        this.draw();
      }
      this.onMove("over", at);
    };
    canvas.onpointerup = (event) => {
      fingers.delete(event.pointerId);
      if (this.tool === "move" && moved < 6) this.onMove("pick", this.toMm(event));
      if (this.tool !== "move") this.onMove("release", this.toMm(event));
    };
    canvas.onpointercancel = (event) => fingers.delete(event.pointerId);
    canvas.onkeydown = (event) => {
      const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (arrow && this.tool === "move") {
        for (const k of [0, 1]) this.centre[k] += arrow[k] * 60 / this.scale;
        this.whole = false;
      } else if (arrow) {
        const cells = event.shiftKey ? 10 : 1, pitch = [this.about.pitch_across_mm, this.about.pitch_along_mm];
        this.cursor ??= [...this.centre];
        for (const k of [0, 1]) this.cursor[k] += arrow[k] * cells * pitch[k];
        this.onMove("over", this.cursor);
      } else if (event.key === "Enter" && this.cursor) this.onMove("press", [...this.cursor]);
      else if (event.key === "Escape") { this.cursor = null; this.onMove("clear"); }
      else if (event.key === "+") this.zoom(1.3); else if (event.key === "-") this.zoom(1 / 1.3); else if (event.key === "0") this.fit();
      else return;
      event.preventDefault();
      this.draw();
    };
  }
  close() { this.watch.disconnect(); cancelAnimationFrame(this.waiting); }
}
