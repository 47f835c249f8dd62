// What a check came to: verdict, what to adjust, errors in their tolerances, residuals, colours, cost.
import { chart } from "../charts.js";
import { dates, digits, make, withUncertainty } from "../kit.js";
import { recordForm } from "./record.js";

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
// Words, sign and class of a verdict: never by colour alone.
export const VERDICTS = {
  "in tolerance": { sign: "✓", words: "In tolerance", mark: "good", means: "Every change, with its expanded uncertainty (k = 2), lies within its tolerance." },
  warning: { sign: "?", words: "Not decided", mark: "unsure", means: "A limit lies within the expanded uncertainty (k = 2), or a value could not be told: scan the target again." },
  "out of tolerance": { sign: "✕", words: "Out of tolerance", mark: "bad", means: "A change lies outside its tolerance by more than its expanded uncertainty (k = 2)." },
};
export const signed = (text) => (/^[−-]/.test(text) ? text : `+${text}`);
const plain = (value) => new Intl.NumberFormat(undefined, { maximumSignificantDigits: 3 }).format(value);
// A value with its uncertainty, or three digits of it where none is known.
export const shown = (value, u) => (u > 0 ? withUncertainty(value, u) : plain(value));
const figure = (title, box, ...more) => make("figure", {}, make("figcaption", {}, title), box, ...more);

export function result(out, told, opened, asked, signal) {
  const { report } = told;
  const verdict = VERDICTS[report.verdict];
  const compared = told.calibrations || report.compared_with !== "a perfect scanner"
    ? `Compared with ${report.compared_with}.` : "Compared with a perfect scanner: no calibrations were opened.";
  const turn = digits(1).format(report.pose.yaw_mrad * 0.18 / Math.PI);
  const bars = make("div", {}), residuals = make("div", {}), shares = make("div", {});
  const parts = [
    make("p", { className: `verdict ${verdict.mark}` }, make("b", {}, make("span", { ariaHidden: "true" }, `${verdict.sign} `), verdict.words), make("span", {}, verdict.means)),
    make("p", { className: "facts" }, `Scanner ${report.scanner}, scan ${report.scan}, ${dates.format(new Date(report.captured))}. ${compared} `,
      `Target ${report.target}: turned by ${turn}°, corner at ${digits(1).format(report.pose.x_mm)} mm across, ${digits(1).format(report.pose.y_mm)} mm along.`),
    make("h2", {}, "What was found, and what to adjust"),
    make("ul", { className: "findings" }, ...report.findings.map((text) => make("li", {}, text))),
    make("aside", { className: "caution", ariaLabel: "Cautions" }, make("b", {}, "Before going to the machine"), make("ul", {}, ...report.cautions.map((text) => make("li", {}, text)))),
    make("h2", {}, "Errors against their tolerances"),
    figure("Change as a share of its tolerance; bars: expanded uncertainty (k = 2); shaded: within", bars),
    errorTable(told),
    make("h2", {}, "What it costs"),
    costs(report),
    figure("Effect of each error on weight while nothing is corrected (k = 2)", shares),
    ...(report.colour ? colours(report.colour) : []),
    make("h2", {}, "Surface of the target"),
    surface(report.surface),
    ...(report.residual_map ? [figure("Mean residuals of the fit from above; line: where the plate lies", residuals)] : []),
    recordForm(told, opened, asked, signal),
  ];
  out.replaceChildren(...parts);
  standing(bars, told.shown);
  effects(shares, told);
  if (report.residual_map) residualMap(residuals, report.residual_map, told);
}

function errorTable(told) {
  const off = (row) => (row.off_one ? `${row.title}, off 1` : row.title);
  const rows = told.shown.map((row) => {
    const verdict = VERDICTS[row.verdict];
    const known = row.value !== null;
    return make("tr", {},
      make("th", { scope: "row" }, off(row), ...(row.remark ? [make("small", {}, row.remark)] : [])),
      make("td", {}, known ? `${withUncertainty(row.value, 2 * row.u)} ${row.unit}` : "not told"),
      make("td", {}, `${plain(row.baseline)} ${row.unit}`),
      make("td", {}, known ? `${signed(withUncertainty(row.change, 2 * row.u))} ${row.unit}` : "–"),
      make("td", {}, `± ${plain(row.tolerance)} ${row.unit}`),
      make("td", { className: verdict.mark }, `${verdict.sign} ${verdict.words.toLowerCase()}`));
  });
  const head = ["Error", "Now ± U", "Was", "Change ± U", "Tolerance", "Verdict"].map((text) => make("th", { scope: "col" }, text));
  return make("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: "Errors of the scanner" }, make("table", { className: "errors" }, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)),
    make("small", {}, "U: expanded uncertainty (k = 2) of the fit and of the target's certificate."));
}

function standing(box, shown) {
  const told = shown.filter((row) => row.change !== null && row.tolerance > 0).reverse();
  const share = told.map((row) => row.change / row.tolerance);
  const half = told.map((row) => 2 * row.u / row.tolerance);
  const reach = 1.06 * Math.max(1.3, ...share.map((value, at) => Math.abs(value) + half[at]));
  const marks = { "in tolerance": "circle", warning: "diamond", "out of tolerance": "x" };
  chart(box, [{
    type: "scatter", mode: "markers", x: share, y: told.map((row) => row.title),
    marker: { color: told.map((row) => ink(row.verdict === "in tolerance" ? "--good" : row.verdict === "warning" ? "--unsure" : "--bad")), size: 12, symbol: told.map((row) => marks[row.verdict]) },
    error_x: { type: "data", array: half, color: ink("--ink"), thickness: 2, width: 6 },
    text: told.map((row) => `${signed(withUncertainty(row.change, 2 * row.u))} ${row.unit}, tolerance ± ${plain(row.tolerance)} ${row.unit}`),
    hovertemplate: "%{y}: %{text}<extra></extra>",
  }], {
    height: 90 + 32 * told.length, margin: { l: 10, r: 16, t: 10, b: 50 },
    xaxis: { range: [-reach, reach], title: { text: "share of the tolerance" } }, yaxis: { automargin: true },
    shapes: [
      { type: "rect", xref: "x", yref: "paper", x0: -1, x1: 1, y0: 0, y1: 1, fillcolor: ink("--strong"), opacity: 0.13, line: { width: 0 }, layer: "below" },
      ...[-1, 1].map((x) => ({ type: "line", xref: "x", yref: "paper", x0: x, x1: x, y0: 0, y1: 1, line: { color: ink("--quiet"), dash: "dash", width: 2 } })),
    ],
  }, `Changes of ${told.length} errors as shares of their tolerances: ${told.map((row) => `${row.title} ${digits(2).format(row.change / row.tolerance)}`).reverse().join(", ")}`);
}

function costs(report) {
  const effect = report.weight_effect;
  const lines = [make("li", {}, `Every estimate comes out ${signed(withUncertainty(100 * effect.relative, 200 * effect.relative_u))} % (k = 2) off while nothing is corrected.`)];
  for (const product of effect.per_product) {
    const grams = product.mass_u_g === null ? digits(2).format(product.mass_g) : withUncertainty(product.mass_g, 2 * product.mass_u_g);
    const money = product.money_per_day === null ? "" : `; ${signed(digits(0).format(product.money_per_day))} a day at the price given`;
    lines.push(make("li", {}, make("b", {}, `${product.product}: ${signed(grams)} g a piece`), ` (${signed(digits(2).format(100 * product.relative))} %), ${product.pieces} pieces measured again${money}`));
  }
  return make("ul", { className: "findings" }, ...lines);
}

function effects(box, told) {
  const { report } = told;
  const parts = [...report.weight_effect.by_parameter].reverse();
  if (!parts.length) return box.parentElement.remove();
  const names = parts.map((part) => told.shown.find((row) => row.name === part.name)?.title ?? part.name);
  chart(box, [{
    type: "bar", orientation: "h", y: names, x: parts.map((part) => 100 * part.relative), marker: { color: ink("--strong") },
    error_x: { type: "data", array: parts.map((part) => 200 * part.relative_u), color: ink("--ink"), thickness: 2 },
    hovertemplate: "%{y}: %{x:.3f} %<extra></extra>",
  }], { height: 80 + 28 * parts.length, margin: { l: 10, r: 16, t: 10, b: 50 }, xaxis: { title: { text: "change of weight, %" }, zeroline: true }, yaxis: { automargin: true } },
  `Effect on weight: ${parts.map((part, at) => `${names[at]} ${digits(3).format(100 * part.relative)} percent`).reverse().join(", ")}`);
}

function swatch(lab, label) {
  const box = make("span", { className: "swatch", role: "img", ariaLabel: label });
  box.style.background = `lab(${lab[0]}% ${lab[1]} ${lab[2]})`;
  return box;
}

function colours(colour) {
  const verdict = VERDICTS[colour.verdict];
  const lab = (values) => values.map((value) => digits(1).format(value)).join(", ");
  const rows = colour.patches.map((patch) => make("tr", {},
    make("th", { scope: "row" }, `${digits(0).format(patch.x_mm)}, ${digits(0).format(patch.y_mm)}`),
    make("td", {}, swatch(patch.lab, "colour seen"), lab(patch.lab)), make("td", {}, swatch(patch.certified_lab, "colour certified"), lab(patch.certified_lab)),
    make("td", {}, digits(1).format(patch.de00)), make("td", {}, `${digits(0).format(100 * patch.saturated_fraction)} %`)));
  const words = [`${verdict.sign} ${verdict.words}: largest difference ${digits(1).format(colour.max_de00)} (CIEDE2000), tolerance ${digits(1).format(colour.tolerance_de00)}.`];
  if (colour.corrected_max_de00 !== null) words.push(`${digits(1).format(colour.corrected_max_de00)} would be left with a correction fitted to this scan.`);
  if (colour.registration_mm && colour.registration_u_mm) words.push(`Colour beside height: ${withUncertainty(colour.registration_mm[0], 2 * colour.registration_u_mm[0])} mm across, ${withUncertainty(colour.registration_mm[1], 2 * colour.registration_u_mm[1])} mm along (k = 2).`);
  const head = ["Patch at x, y, mm", "Seen L*, a*, b*", "Certified", "ΔE00", "Saturated"].map((text) => make("th", { scope: "col" }, text));
  return [make("h2", {}, "Colours"), make("p", {}, words.join(" ")),
    make("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: "Colour patches" }, make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)))];
}

function surface(it) {
  const mm = (value) => `${digits(3).format(value)} mm`, percent = (value) => `${digits(1).format(100 * value)} %`;
  const lines = [["Residuals of the fit, RMS", mm(it.residual_rms_mm)], ["Flatness measurement error", mm(it.flatness_mm)], ["Noise of a sample", mm(it.noise_mm)], ["Dropouts", percent(it.dropout_fraction)], ["Target seen", percent(it.seen_fraction)]];
  if (it.probing_form_mm !== null) lines.push(["Probing error of form", mm(it.probing_form_mm)]);
  if (it.probing_size_mm !== null) lines.push(["Probing error of size", mm(it.probing_size_mm)]);
  return make("dl", { className: "facts" }, ...lines.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value))));
}

function residualMap(box, map, told) {
  const rows = [];
  for (let at = 0; at < map.residual_mm.length; at += map.columns) rows.push(map.residual_mm.slice(at, at + map.columns));
  const largest = Math.max(0.01, ...map.residual_mm.filter((value) => value !== null).map(Math.abs));
  const reach = Math.ceil(100 * largest) / 100;
  const outline = told.outline_mm;
  chart(box, [{
    type: "heatmap", z: rows, x0: map.origin_mm[0] + map.cell_mm / 2, dx: map.cell_mm, y0: map.origin_mm[1] + map.cell_mm / 2, dy: map.cell_mm,
    zmin: -reach, zmax: reach, hoverongaps: false, colorscale: [[0, "#0072B2"], [0.5, "#f4f4f4"], [1, "#D55E00"]],
    colorbar: { title: { text: "mm", side: "top" }, thickness: 14 }, hovertemplate: "%{x:.0f} mm across, %{y:.0f} mm along: %{z:.3f} mm<extra></extra>",
  }, {
    type: "scatter", mode: "lines", x: outline.map((corner) => corner[0]), y: outline.map((corner) => corner[1]), line: { color: ink("--ink"), width: 2 }, hoverinfo: "skip",
  }], {
    height: 420, xaxis: { title: { text: "across the belt, mm" }, constrain: "domain", range: [0, told.belt_mm[0]] },
    yaxis: { title: { text: "along the belt, mm" }, scaleanchor: "x", constrain: "domain", range: [0, told.belt_mm[1]] },
  }, `Residuals over the target, within ± ${digits(2).format(reach)} mm`);
}
