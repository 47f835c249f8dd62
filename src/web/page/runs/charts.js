// The charts of a summary: over the hours, by lane, by product.
import { colour, figure, fixed, localTime } from "./kit.js";

const spread = (mean, sd, factor) => (mean === null ? null : [mean, mean - (sd ?? 0), mean + (sd ?? 0)].map((value) => factor * value));
const plain = (value) => (value === null ? null : [value, value, value]);

// What is charted of a group of pieces: a value with the ends of its interval.
const RATE = ["Mass an hour of belt seen", "kg/h", (group) => plain(group.kg_per_hour)];
const MASS = ["Mass of a piece: mean, and one standard deviation of the pieces", "g", (group) => spread(group.mean_mass_g, group.sd_mass_g, 1)];
const FAT = ["Fat: mean, and one standard deviation of the pieces", "%", (group) => spread(group.mean_fat_fraction, group.sd_fat_fraction, 100)];
const OUT = ["Out of spec with 95 % confidence limits", "%", (group) => (group.out_of_spec_fraction === null ? null : [group.out_of_spec_fraction, group.out_of_spec_low_fraction, group.out_of_spec_high_fraction].map((value) => 100 * value))];

function pointTrace(points, unit) {
  return {
    type: "scatter", mode: "markers", x: points.map(([at]) => at), y: points.map(([, three]) => three[0]),
    error_y: { type: "data", symmetric: false, array: points.map(([, [at, , high]]) => high - at), arrayminus: points.map(([, [at, low]]) => at - low), color: colour("--line"), thickness: 2, width: 3 },
    marker: { color: colour("--strong"), size: points.length > 300 ? 3 : 9 }, hovertemplate: `%{x}: %{y:.4g} ${unit}<extra></extra>`,
  };
}

// One chart a quantity where two groups or more have it: one would show no more than the table.
function charts(into, quantities, by, groups, axis) {
  return quantities.flatMap(([caption, unit, of]) => {
    const points = groups.map(([at, group]) => [at, of(group)]).filter(([, three]) => three);
    if (points.length < 2) return [];
    const values = points.map(([, three]) => three[0]);
    const words = `${caption}, by ${by}: ${points.length} values from ${fixed(Math.min(...values), 1)} to ${fixed(Math.max(...values), 1)} ${unit}. The table by ${by} has them all.`;
    const layout = { xaxis: axis, yaxis: { title: { text: unit }, rangemode: "tozero" } };
    return [figure(into, by === "hour" ? caption : `By ${by}. ${caption}`, [pointTrace(points, unit)], layout, words)];
  });
}

export const byHour = (into, product) => charts(into, [RATE, MASS, FAT, OUT], "hour", product.hours.map((group) => [localTime(group.hour), group]), { type: "date" });

export const byProduct = (into, products) => charts(into, [MASS, FAT, OUT], "product", products.map((one) => [one.product || "none named", one.all]), { type: "category" });

export function byLane(into, product) {
  const shares = product.belt?.lanes ?? [];
  const axis = { title: { text: "lane" }, type: "category" };
  const drawn = [];
  if (shares.length > 1) {
    const even = 100 / shares.length;
    const trace = { type: "bar", x: shares.map((it) => String(it.lane)), y: shares.map((it) => 100 * it.mass_fraction), marker: { color: colour("--strong") }, hovertemplate: "lane %{x}: %{y:.1f} %<extra></extra>" };
    const line = { type: "line", xref: "paper", x0: 0, x1: 1, y0: even, y1: even, line: { color: colour("--ink"), dash: "dot" } };
    drawn.push(figure(into, "By lane. Share of the mass; the line is an even share", [trace], { xaxis: axis, yaxis: { title: { text: "%" }, rangemode: "tozero" }, shapes: [line] },
      `Share of the mass by lane: ${shares.map((it) => `lane ${it.lane} ${fixed(100 * it.mass_fraction, 0)} %`).join(", ")}; an even share is ${fixed(even, 0)} %.`));
  }
  const groups = product.lanes.filter((group) => group.lane !== null).map((group) => [String(group.lane), group]);
  return [...drawn, ...charts(into, [MASS, FAT, OUT], "lane", groups, axis)];
}
