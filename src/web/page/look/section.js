// A cut through the surface along a line: heights over the way, the belt, and what is reconstructed.
const number = new Intl.NumberFormat(undefined, { maximumFractionDigits: 0 });

export function drawSection(canvas, map, [from, to]) {
  const ratio = devicePixelRatio || 1;
  canvas.width = canvas.clientWidth * ratio; canvas.height = canvas.clientHeight * ratio;
  const pen = canvas.getContext("2d");
  const ink = getComputedStyle(canvas).color;
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  const [left, right, top, bottom] = [54 * ratio, 12 * ratio, 12 * ratio, 26 * ratio];
  const width = canvas.width - left - right, height = canvas.height - top - bottom;
  const cells = map.codes.length, points = [];
  let high = 1;
  for (let px = 0; px <= width; px++) {
    const cell = map.cell([0, 1].map((k) => from[k] + (to[k] - from[k]) * px / width));
    if (!cell) { points.push(null); continue; }
    const at = cell[0] * map.about.columns + cell[1];
    const z = map.height(map.codes[at]);
    if (z > high) high = z;
    const filled = map.marks && map.marks[3 * cells + at] === 1;
    const rebuilt = filled ? map.rebuilt?.get(at) : undefined;
    if (rebuilt > high) high = rebuilt;
    points.push({ z, filled, rebuilt });
  }
  const y = (z) => top + height * (1 - z / (high * 1.05));
  pen.font = `${13 * ratio}px system-ui, sans-serif`;
  pen.fillStyle = pen.strokeStyle = ink;
  pen.lineWidth = ratio;
  pen.setLineDash([6 * ratio, 4 * ratio]);
  pen.beginPath(); pen.moveTo(left, y(0)); pen.lineTo(left + width, y(0)); pen.stroke();
  pen.setLineDash([]);
  pen.fillText("belt", 8 * ratio, y(0) + 4 * ratio);
  pen.fillText(`${number.format(high)} mm`, 4 * ratio, y(high) + 8 * ratio);
  pen.fillText(`${number.format(length)} mm along the line`, left, canvas.height - 7 * ratio);
  points.forEach((point, px) => {
    if (point && (point.filled || Number.isNaN(point.z))) {
      pen.fillStyle = point.filled ? "rgba(255,120,200,.55)" : "rgba(128,128,128,.4)";
      pen.fillRect(left + px, top, 1, height);
    }
  });
  pen.lineWidth = 2 * ratio;
  pen.beginPath();
  let down = false;
  points.forEach((point, px) => {
    if (!point || Number.isNaN(point.z)) { down = false; return; }
    if (down) pen.lineTo(left + px, y(point.z)); else pen.moveTo(left + px, y(point.z));
    down = true;
  });
  pen.stroke();
  // What is reconstructed, dashed.
  pen.setLineDash([4 * ratio, 3 * ratio]);
  pen.beginPath();
  down = false;
  points.forEach((point, px) => {
    if (point?.rebuilt === undefined) { down = false; return; }
    if (down) pen.lineTo(left + px, y(point.rebuilt)); else pen.moveTo(left + px, y(point.rebuilt));
    down = true;
  });
  pen.stroke();
  pen.setLineDash([]);
  return length;
}
