// What is measured by hand on a map: a cut with its length, an angle, an area. Lengths and areas lie in the plane of the belt.
import { digits, make } from "../kit.js";

const [d0, d1] = [digits(0), digits(1)];
const TOOLS = [["move", "Move"], ["point", "Point"], ["cut", "Cut"], ["angle", "Angle"], ["area", "Area"]];
const HINTS = {
  point: "Arrow keys move the cross, Shift ten cells at a time.",
  cut: "Draw a line, or set both its ends.",
  angle: "Set three points: one arm, the corner, the other arm.",
  area: "Set the corners one after the other.",
};

const between = (a, b) => Math.hypot(b[0] - a[0], b[1] - a[1]);

// Degrees between the arms that meet in the second point.
export function angleDeg([a, corner, b]) {
  const turn = (to) => Math.atan2(to[1] - corner[1], to[0] - corner[0]);
  const turned = Math.abs(turn(a) - turn(b)) * 180 / Math.PI;
  return turned > 180 ? 360 - turned : turned;
}

// Area of a polygon in mm², by its corners in mm.
export function areaMm2(corners) {
  let twice = 0;
  corners.forEach((at, k) => { const next = corners[(k + 1) % corners.length]; twice += at[0] * next[1] - at[1] * next[0]; });
  return Math.abs(twice) / 2;
}

// Buttons that choose a tool, and what it measured in words. `onCut` hears of a line drawn or gone.
export class HandTools {
  constructor(map, onCut) {
    Object.assign(this, { map, onCut });
    this.dragging = false;
    this.told = make("span", { role: "status", className: "measured" });
    this.buttons = TOOLS.map(([tool, name]) => make("button", { type: "button", ariaPressed: String(tool === map.tool), onclick: () => this.choose(tool) }, name));
  }
  choose(tool) {
    this.map.tool = tool;
    this.buttons.forEach((button, at) => { button.ariaPressed = String(TOOLS[at][0] === tool); });
    this.clear();
    if (tool !== "move") this.map.canvas.focus({ preventScroll: true });
  }
  clear() {
    Object.assign(this.map, { points: [], closed: false, cursor: null });
    this.told.textContent = HINTS[this.map.tool] ?? "";
    this.onCut(null);
    this.map.draw();
  }
  hear(what, at) {
    const { map } = this, { tool } = map;
    if (what === "clear") return this.clear();
    if (tool === "point") { if (what === "press") map.cursor = at; }
    else if (what === "press") {
      if (map.points.length >= { cut: 2, angle: 3 }[tool]) map.points = [];
      map.points.push(at);
      this.dragging = tool === "cut" && map.points.length === 1;
    } else if (what === "drag" && this.dragging) map.points[1] = at;
    else if (what === "release") this.dragging = false;
    else return;
    this.tell();
    map.draw();
  }
  tell() {
    const { tool, points } = this.map;
    this.map.closed = tool === "area" && points.length > 2;
    let words = HINTS[tool] ?? "";
    if (tool === "cut" && points.length === 2) words = `${d1.format(between(...points))} mm`;
    if (tool === "angle" && points.length === 3) words = `${d1.format(angleDeg(points))}°`;
    if (tool === "area" && points.length > 2) {
      const way = points.reduce((sum, at, k) => sum + between(at, points[(k + 1) % points.length]), 0);
      words = `${d1.format(areaMm2(points) / 100)} cm², ${d0.format(way)} mm around`;
    }
    this.told.textContent = words;
    this.onCut(tool === "cut" && points.length === 2 ? points : null);
  }
}
