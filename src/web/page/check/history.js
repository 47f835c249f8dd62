// All checks of a scanner: where each error stands, when it moved and why, where it is heading; events noted.
import { chart } from "../charts.js";
import { ask, dates, digits, failure, make, send, state, withUncertainty } from "../kit.js";
import { fileField } from "../files.js";
import { shown, signed, VERDICTS } from "./result.js";

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const STANDINGS = { "no checks": ["?", "unsure"], "as before": ["✓", "good"], "not as before": ["?", "unsure"], "out of tolerance": ["✕", "bad"] };

export function history(view, choices, scanner, signal) {
  const out = make("div", { className: "outcome" });
  const messages = make("div", {});
  const names = make("select", {}, new Option(choices.logs.length ? "Choose a scanner …" : "no log yet: write a record first", ""), ...choices.logs.map((name) => new Option(name, name)));
  names.value = choices.logs.includes(scanner) ? scanner : "";
  names.onchange = () => { if (names.value) location.hash = `#/check/history/${encodeURIComponent(names.value)}`; };
  const give = fileField("Or drop a log (SCANNER.jsonl) to look at; it is not kept", async ([file]) => {
    try {
      const told = await (await send(`api/check/history?name=${encodeURIComponent(file.name)}`, file, signal)).json();
      messages.replaceChildren();
      show(out, told, signal);
    } catch (error) { messages.replaceChildren(failure(`This log cannot be shown: ${error.message}`)); }
  }, { accept: ".jsonl" });
  const records = choices.records.slice(-12).reverse().map((name) => make("li", {}, make("a", { href: `api/check/records/${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name.replace(/\.html$/, ""))));
  const desk = make("div", { className: "desk" },
    make("h2", {}, "History"),
    make("p", { className: "field" }, make("label", {}, make("span", {}, "Scanner"), names)), give, messages,
    ...(records.length ? [make("h2", {}, "Records"), make("ul", { className: "records" }, ...records)] : []),
    make("p", { className: "field" }, make("a", { href: "#/check", className: "button" }, "Check a scan")));
  view.replaceChildren(make("div", { className: "two check" }, desk, out));
  if (!names.value) { out.replaceChildren(state(scanner ? `There is no log of ${scanner} here.` : "The history of a scanner grows with every record written.")); return; }
  out.replaceChildren(state("Reading the log …"));
  ask(`api/check/history/${encodeURIComponent(scanner)}`, signal).then((answer) => answer.json())
    .then((told) => show(out, told, signal))
    .catch((error) => { if (!signal.aborted) out.replaceChildren(failure(error.message)); });
}

function show(out, told, signal) {
  const [sign, mark] = STANDINGS[told.standing];
  const because = told.because.length ? `: ${told.because.join(", ")}` : "";
  const picture = make("div", {}), said = make("p", { className: "facts", role: "status" });
  const pick = make("select", {}, ...told.series.map((one, at) => new Option(one.title, at)));
  // What calls for attention comes first to the eye.
  const first = told.series.findIndex((one) => one.verdict === "out of tolerance" || one.calls_now.length);
  pick.value = String(Math.max(0, first));
  const draw = () => told.series[pick.value] && plot(picture, said, told.series[pick.value], told.events);
  pick.onchange = draw;
  const ends = (told.span ?? []).map((time) => dates.format(new Date(time)));
  const span = [...new Set(ends)].join(" to ");
  out.replaceChildren(
    make("p", { className: `verdict ${mark}` }, make("b", {}, make("span", { ariaHidden: "true" }, `${sign} `), `${told.standing[0].toUpperCase()}${told.standing.slice(1)}`), make("span", {}, `Scanner ${told.scanner}, at the newest check${because}.`)),
    make("p", { className: "facts" }, `${told.checks} ${told.checks === 1 ? "check" : "checks"}${span && `, ${span}`}. Log: ${told.log}.`),
    ...told.damage.map((text) => failure(`The log is not as it was written: ${text}`)),
    ...told.notices.map((text) => make("p", { className: "facts" }, text)),
    make("div", { className: "bar" }, make("label", {}, "Quantity", pick)),
    make("figure", {}, make("figcaption", {}, "Values with U (k = 2); dashed: tolerance; dotted: control limits; thin upright lines: events"), picture, said),
    overview(told, (at) => { pick.value = String(at); draw(); picture.scrollIntoView({ block: "nearest" }); }),
    ...changes(told), ...events(told, signal));
  draw();
}

function plot(box, said, one, events) {
  const time = one.time, calls = one.calls.map((call) => call.at);
  const line = (y, dash, colour, name) => ({ type: "scatter", mode: "lines", x: time, y, name, line: { color: ink(colour), dash, width: 2 }, hoverinfo: "skip", connectgaps: false });
  const traces = [
    line(one.lower, "dash", "--bad", "tolerance"), line(one.upper, "dash", "--bad", "tolerance"),
    line(one.control_lower, "dot", "--quiet", "limit"), line(one.control_upper, "dot", "--quiet", "limit"), line(one.centre, "solid", "--quiet", "centre"),
    { type: "scatter", mode: "lines+markers", x: time, y: one.value, line: { color: ink("--line"), width: 1 }, marker: { color: ink("--strong"), size: 9 }, error_y: { type: "data", array: one.u.map((u) => (u === null ? 0 : 2 * u)), color: ink("--strong"), thickness: 1.5 }, text: one.entry.map((entry) => `entry ${entry}`), hovertemplate: `%{x|%Y-%m-%d %H:%M}, %{text}: %{y:.5g} ${one.unit}<extra></extra>` },
    { type: "scatter", mode: "markers", x: calls.map((at) => time[at]), y: calls.map((at) => one.value[at]), text: one.calls.map((call) => call.rules.join(", ")), marker: { symbol: "diamond-open", size: 16, color: ink("--bad"), line: { width: 3 } }, hovertemplate: "%{text}<extra></extra>" },
  ];
  if (one.trend) for (const side of ["value", "low", "high"]) traces.push({ type: "scatter", mode: "lines", x: one.trend.line.map((at) => at.time), y: one.trend.line.map((at) => at[side]), line: { color: ink("--unsure"), width: side === "value" ? 3 : 1 }, hoverinfo: "skip" });
  const layout = {
    height: 380, xaxis: { type: "date" }, yaxis: { title: { text: `${one.title}${one.off_one ? ", off 1" : ""}, ${one.unit}` } },
    shapes: events.map((event) => ({ type: "line", xref: "x", yref: "paper", x0: event.time, x1: event.time, y0: 0, y1: 1, line: { color: ink("--quiet"), width: 2 } })),
    annotations: events.slice(-14).map((event) => ({ xref: "x", yref: "paper", x: event.time, y: 1, xanchor: "left", yanchor: "top", text: String(event.sequence), showarrow: false })),
  };
  const newest = one.value.length - 1;
  const about = `${one.title}: ${one.value.length} values, newest ${shown(one.value[newest], 2 * (one.u[newest] ?? 0))} ${one.unit}`;
  chart(box, traces, layout, about);
  const words = [one.centre[newest] === null ? "No control limits yet: at least 8 checks in a phase are needed." : ""];
  if (one.calls_now.length) words.push(`The charts call at the newest check: ${one.calls_now.join(", ")}.`);
  if (one.trend) words.push(`Trend: ${signed(withUncertainty(one.trend.per_month, one.trend.per_month_u))} ${one.unit} a month (k = 1).${meets(one.trend)}`);
  said.textContent = words.filter(Boolean).join(" ");
}

function meets(trend) {
  const it = trend.meets;
  if (!it) return "";
  const day = new Intl.DateTimeFormat(undefined, { dateStyle: "medium" });
  const at = (time, otherwise) => (time ? day.format(new Date(time)) : otherwise);
  return it.when ? ` Meets its tolerance: ${it.when}.` : ` Meets its tolerance on ${at(it.date, "")} (95 %: ${at(it.earliest, "…")} to ${at(it.latest, "later than ten years")}).`;
}

function overview(told, choose) {
  const rows = told.series.map((one, at) => {
    const newest = one.value.length - 1, verdict = VERDICTS[one.verdict];
    const button = make("button", { type: "button" }, one.title);
    button.onclick = () => choose(at);
    return make("tr", {}, make("th", { scope: "row" }, button),
      make("td", {}, `${shown(one.value[newest], 2 * (one.u[newest] ?? 0))} ${one.unit}`),
      make("td", { className: verdict?.mark ?? "" }, verdict ? `${verdict.sign} ${verdict.words.toLowerCase()}` : "–"),
      make("td", {}, one.calls_now.join(", ") || "–"),
      make("td", {}, one.trend ? `${signed(withUncertainty(one.trend.per_month, one.trend.per_month_u))} ${one.unit} a month` : "–"));
  });
  const head = ["Quantity", "Newest ± U", "Verdict", "Charts call", "Trend ± u"].map((text) => make("th", { scope: "col" }, text));
  return make("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: "All quantities" }, make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)));
}

function changes(told) {
  const all = told.series.flatMap((one) => one.changes.map((change) => ({ ...change, one }))).sort((a, b) => Date.parse(b.time) - Date.parse(a.time));
  if (!all.length) return [];
  return [make("h2", {}, "Lasting changes"), make("ul", { className: "findings" }, ...all.map(({ one, time, step, u, cause }) =>
    make("li", {}, `${dates.format(new Date(time))}: ${one.title} ${signed(withUncertainty(step, u))} ${one.unit} (k = 1); ${cause}`)))];
}

function events(told, signal) {
  const list = told.events.length
    ? make("ul", { className: "findings" }, ...[...told.events].reverse().map((event) => make("li", {}, `${dates.format(new Date(event.time))}: ${event.note}${event.operator ? ` (${event.operator})` : ""}, entry ${event.sequence}`)))
    : make("p", { className: "facts" }, "Nothing was noted yet.");
  const parts = [make("h2", {}, "Events"), list];
  if (!told.seen) return parts;
  const note = make("input", { type: "text", maxLength: 4000, required: true });
  const operator = make("input", { type: "text", maxLength: 200, autocomplete: "name" });
  const at = make("input", { type: "datetime-local" });
  const messages = make("div", {});
  const form = make("form", { className: "bar" }, make("label", {}, "What happened (belt changed, …)", note), make("label", {}, "When, if not now", at), make("label", {}, "Who", operator), make("button", { type: "submit" }, "Note it"));
  form.onsubmit = async (event) => {
    event.preventDefault();
    try {
      const when = at.value ? new Date(at.value).toISOString() : null;
      await send("api/check/events", { scanner: told.scanner, note: note.value, operator: operator.value || null, at: when, seen: told.seen }, signal);
      window.dispatchEvent(new HashChangeEvent("hashchange"));
    } catch (error) { messages.replaceChildren(failure(`Nothing was noted: ${error.message}${error.status === 409 ? " (reload this view)" : ""}`)); }
  };
  return [...parts, form, messages];
}
