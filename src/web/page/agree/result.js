// What a comparison came to: agreement in sentences, two charts, causes with advice, the matching, groups; points lead to pieces.
import { chart } from "../charts.js";
import { digits, failure, make, send, state } from "../kit.js";
import { asideList, piecePanel } from "./piece.js";

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
// More points than this make the charts slow; the rest are in every figure all the same.
const MOST_POINTS = 4000;
const GROUPS = { lane: "Lane", hour: "Hour", recording: "Recording", size: "Mass", product: "Product" };
const sentence = (text) => `${text[0].toUpperCase()}${text.slice(1)}.`;

// A value with the ends of its 95 % interval, as many digits as half its width deserves.
export function estimated(it, unit, signDisplay = "negative") {
  const half = (it.high - it.low) / 2;
  const places = half > 0 ? Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(half)))) : 2;
  const form = new Intl.NumberFormat(undefined, { minimumFractionDigits: places, maximumFractionDigits: places, signDisplay });
  return `${form.format(it.value)} ${unit} (${form.format(it.low)} to ${form.format(it.high)})`;
}

export function result(out, told, opened, asked, signal, again) {
  const { agreement, pairs } = told;
  const panel = make("section", { className: "piece", ariaLabel: "Piece", ariaLive: "polite" }, make("p", { className: "facts" }, "Choose a point in a chart, or a row below, to see the piece."));
  const show = (row, logRow) => piecePanel(panel, { row, logRow, told, asked, opened, signal, again });
  const masses = make("div", {}), differences = make("div", {});
  const key = (name, value, note) => make("div", {}, make("dt", {}, name), make("dd", {}, value), ...(note ? [make("dd", { className: "quiet" }, note)] : []));
  const limits = agreement.limits_g, relative = agreement.limits_fraction;
  const times = (it, factor) => ({ value: factor * it.value, low: factor * it.low, high: factor * it.high });
  const causes = told.in_words.causes;
  const saved = make("div", {});
  const save = make("button", { type: "button" }, "Save page and pairs");
  save.onclick = async () => {
    save.disabled = true;
    saved.replaceChildren(state("Saving …"));
    try {
      const kept = await (await send("api/agree/save", asked, signal)).json();
      saved.replaceChildren(make("p", { className: "state", role: "status" }, `Saved ${kept.page} and ${kept.pairs}. `, make("a", { href: `api/agree/saved/${encodeURIComponent(kept.name)}`, target: "_blank", rel: "noopener", className: "button" }, "Open the page to print")));
    } catch (error) { saved.replaceChildren(failure(`Nothing was saved: ${error.message}`)); }
    save.disabled = false;
  };
  const counts = told.matching;
  out.replaceChildren(
    make("dl", { className: "keys" },
      key("Off on average", estimated(limits.bias, "g", "exceptZero"), estimated(times(relative.bias, 100), "%", "exceptZero")),
      key("Spread (standard deviation)", estimated(limits.sd, "g"), estimated(times(relative.sd, 100), "%")),
      key("Pairs", digits(0).format(agreement.pairs), `${digits(0).format(counts.pieces.all)} pieces, ${digits(0).format(counts.weighings.all)} weighings`),
      ...(told.set_aside.length ? [key("Set aside by hand", digits(0).format(told.set_aside.length), "in no figure")] : [])),
    make("p", { className: "facts" }, "Differences are estimate minus weighing; brackets are 95 % intervals. Weights are estimates, not legal for trade."),
    ...told.in_words.set_aside.map((text) => make("p", { className: "caution" }, sentence(text))),
    make("h2", {}, "Why they differ"),
    ...(told.causes_not_looked_for ? [make("p", {}, `Not looked for: ${told.causes_not_looked_for}.`)] : causeList(told.causes, causes)),
    make("h2", {}, "Differences against the mean of both"),
    make("figure", {}, make("figcaption", {}, "Solid: bias; dashed: limits of agreement, between which 95 % of differences lie; dotted: their 95 % intervals; crosses: set aside"), differences),
    panel,
    make("h2", {}, "Estimate against weighing"),
    make("figure", {}, make("figcaption", {}, "Line: both equal"), masses),
    make("h2", {}, "Agreement in words"),
    make("ul", { className: "findings" }, ...told.in_words.agreement.map((text) => make("li", {}, sentence(text)))),
    groups(told.groups),
    make("h2", {}, "Matching"),
    matched(counts),
    make("ul", { className: "findings" }, ...told.in_words.matching.map((text) => make("li", {}, sentence(text)))),
    leftOver(counts, show),
    ...logs(told.logs),
    asideList(told, asked, signal, again, show),
    make("div", { className: "bar" }, save), saved);
  drawDifferences(differences, told, show);
  drawMasses(masses, told, show);
  return pairs;
}

// The server's sentences: lines that are indented belong to the cause above them; those after the last cause are about all of them.
function causeList(causes, words) {
  const list = make("ul", { className: "causes" }), rest = make("ul", { className: "findings" });
  let last = null;
  for (const line of words) {
    if (line.startsWith("  ") && last) last.append(make("p", {}, sentence(line.trim())));
    else if (list.children.length < causes.named.length) { last = make("li", {}, make("b", {}, sentence(line))); list.append(last); }
    else { last = null; rest.append(make("li", {}, sentence(line))); }
  }
  // Sizes as bars above the sentences: whoever looks from afar sees which is the large one.
  const sizes = causes.named.map((it) => it.effect_g);
  const reach = Math.max(0, ...sizes.map((it) => Math.abs(it.value)));
  sizes.forEach((size, at) => {
    const bar = make("span", { className: "size", role: "img", ariaLabel: `effect ${estimated(size, "g", "exceptZero")}` });
    bar.style.width = `${Math.max(1, 100 * Math.abs(size.value) / reach)}%`;
    list.children[at].prepend(make("span", { className: "sizes" }, bar));
  });
  return [list, rest];
}

function thinned(pairs, limits) {
  const count = pairs.piece_row.length;
  const all = [...pairs.piece_row.keys()];
  if (count <= MOST_POINTS) return all;
  const step = count / MOST_POINTS;
  const far = (at) => { const d = pairs.mass_g[at] - pairs.weighed_g[at]; return d < limits.lower.value || d > limits.upper.value; };
  let next = 0;
  return all.filter((at) => { if (at >= next) { next += step; return true; } return far(at); });
}

function points(told, x, y, unit) {
  const { pairs } = told;
  const shown = thinned(pairs, told.agreement.limits_g);
  const aside = told.set_aside_pairs;
  const of = (list, at, value) => list.map((it) => value(at(it)));
  const pair = (at) => ({ weighed_g: pairs.weighed_g[at], mass_g: pairs.mass_g[at], piece_row: pairs.piece_row[at], log_row: pairs.log_row[at] });
  const same = (it) => it;
  const trace = (list, at, marker) => ({
    type: "scatter", mode: "markers", x: of(list, at, x), y: of(list, at, y), marker,
    customdata: of(list, at, (it) => [it.piece_row, it.log_row]), hovertemplate: `piece row %{customdata[0]}, log row %{customdata[1]}<br>%{y:.2f} ${unit} at %{x:.1f} g<extra></extra>`,
  });
  return [
    trace(shown, pair, { color: ink("--strong"), size: shown.length > 800 ? 6 : 9, opacity: shown.length > 800 ? 0.55 : 0.8 }),
    trace(aside, same, { color: ink("--bad"), size: 13, symbol: "x-thin", line: { width: 3, color: ink("--bad") } }),
  ];
}

const level = (range, y, dash, colour, width = 2) => ({ type: "scatter", mode: "lines", x: range, y: [y, y], hoverinfo: "skip", line: { color: ink(colour), dash, width } });
const clicks = (box, show) => box.on("plotly_click", (event) => { const data = event.points[0]?.customdata; if (data) show(data[0], data[1]); });

async function drawDifferences(box, told, show) {
  const { limits_g: limits } = told.agreement;
  const mean = (it) => (it.weighed_g + it.mass_g) / 2;
  const traces = points(told, mean, (it) => it.mass_g - it.weighed_g, "g");
  const x = traces.flatMap((trace) => trace.x);
  const range = [Math.min(...x), Math.max(...x)];
  const lines = [level(range, 0, "solid", "--line", 1), level(range, limits.bias.value, "solid", "--good", 3)];
  for (const limit of [limits.lower, limits.upper]) lines.push(level(range, limit.value, "dash", "--bad"), level(range, limit.low, "dot", "--bad", 1), level(range, limit.high, "dot", "--bad", 1));
  const mark = (y, text) => ({ xref: "paper", x: 1, xanchor: "right", y, yanchor: "bottom", text, showarrow: false, bgcolor: ink("--panel") });
  await chart(box, [...traces, ...lines], {
    height: 420, xaxis: { title: { text: "mean of estimate and weighing, g" } }, yaxis: { title: { text: "estimate minus weighing, g" } },
    annotations: [mark(limits.bias.value, `bias ${digits(2).format(limits.bias.value)} g`), mark(limits.upper.value, `${digits(2).format(limits.upper.value)} g`), mark(limits.lower.value, `${digits(2).format(limits.lower.value)} g`)],
  }, `Differences of ${told.agreement.pairs} pairs: bias ${estimated(limits.bias, "g")}, limits of agreement ${digits(2).format(limits.lower.value)} to ${digits(2).format(limits.upper.value)} g`);
  clicks(box, show);
}

async function drawMasses(box, told, show) {
  const traces = points(told, (it) => it.weighed_g, (it) => it.mass_g, "g");
  const all = traces.flatMap((trace) => trace.x.concat(trace.y));
  const ends = [Math.min(...all), Math.max(...all)];
  traces.push({ type: "scatter", mode: "lines", x: ends, y: ends, hoverinfo: "skip", line: { color: ink("--quiet"), width: 2 } });
  await chart(box, traces, { height: 420, xaxis: { title: { text: "weighed, g" } }, yaxis: { title: { text: "estimated, g" } } }, `Estimate against weighing of ${told.agreement.pairs} pairs`);
  clicks(box, show);
}

function matched(counts) {
  const bar = (title, parts) => {
    const all = parts.reduce((sum, [, count]) => sum + count, 0);
    const strip = make("div", { className: "strip", role: "img", ariaLabel: `${title}: ${parts.map(([name, count]) => `${count} ${name}`).join(", ")}` });
    parts.forEach(([name, count], at) => {
      if (!count) return;
      const part = make("span", { className: `part p${at}`, title: `${count} ${name}` });
      part.style.flexGrow = String(count / all);
      strip.append(part);
    });
    return make("div", {}, make("p", { className: "facts" }, `${title}: `, ...parts.map(([name, count], at) => make("span", { className: "named" }, make("i", { className: `p${at}`, ariaHidden: "true" }), `${digits(0).format(count)} ${name}`))), strip);
  };
  const { pieces: p, weighings: w } = counts;
  return make("div", { className: "strips" },
    bar("Pieces", [["weighed alone", p.weighed_alone], ["weighed together with another", p.weighed_together], ["doubtful", p.doubtful], ["not weighed", p.not_weighed], ["outside the log", p.outside_log], ["without time or mass", p.unusable]]),
    bar("Weighings", [["of one piece", w.of_one_piece], ["of two pieces", w.of_two_pieces], ["doubtful", w.doubtful], ["without a piece", w.without_piece], ["test weights", w.test_weights], ["outside the scans", w.outside_scans]]));
}

function leftOver(counts, show) {
  const list = (title, rows) => {
    if (!rows.length) return [];
    const buttons = rows.slice(0, 200).map((row) => { const button = make("button", { type: "button" }, String(row)); button.onclick = () => show(row, null); return button; });
    return [make("details", {}, make("summary", {}, `${title} (${rows.length})`), make("p", { className: "rows" }, ...buttons, ...(rows.length > 200 ? [` and ${rows.length - 200} more`] : [])))];
  };
  const plain = (title, rows) => (rows.length ? [make("details", {}, make("summary", {}, `${title} (${rows.length})`), make("p", {}, rows.join(", ")))] : []);
  return make("div", {}, ...list("Pieces that are doubtful, by row", counts.piece_rows.doubtful), ...list("Pieces that were not weighed, by row", counts.piece_rows.not_weighed),
    ...plain("Weighings that are doubtful, by row of the log", counts.log_rows.doubtful), ...plain("Weighings without a piece, by row of the log", counts.log_rows.without_piece));
}

function groups(all) {
  if (!all.length) return make("div", {});
  const rows = all.map((group) => make("tr", {}, make("th", { scope: "row" }, `${GROUPS[group.by]} ${group.name.replace(/^lane /, "")}`),
    make("td", {}, digits(0).format(group.pairs)), make("td", {}, `${digits(1).format(group.mean_weighed_g)} g`),
    make("td", {}, group.limits_g ? estimated(group.limits_g.bias, "g") : "–"), make("td", {}, group.limits_g ? `${digits(2).format(group.limits_g.sd.value)} g` : "–")));
  const head = ["Group", "Pairs", "Mean weighed", "Bias (95 %)", "Spread"].map((text) => make("th", { scope: "col" }, text));
  return make("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: "Groups" }, make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)));
}

function logs(files) {
  return files.map((file) => make("details", {}, make("summary", {}, `How the log was read: ${file.path}`), make("ul", { className: "findings" },
    make("li", {}, `Time from “${file.columns.time}”${file.columns.date ? `, date from “${file.columns.date}”` : ""} (${file.time_form}); mass from “${file.columns.mass}” in ${file.unit} (${file.unit_from}), decimals after ${file.decimal_mark}${file.columns.lane ? `; lane from “${file.columns.lane}”` : ""}.`),
    make("li", {}, `${file.rows} rows: ${file.used} used, ${file.outside} far from the scans, ${file.repeated} repeated, ${file.zero_or_less} of zero or less, ${file.no_mass} without a mass, ${file.no_time} without a time, ${file.cut_off} cut off, ${file.out_of_order} out of order, ${file.hour_twice} in the hour that came twice.`))));
}
