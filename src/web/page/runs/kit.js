// What the views of runs share: numbers, tables, figures, the bar of a run.
import { dates, digits, make } from "../kit.js";
import { chart } from "../charts.js";

const three = new Intl.NumberFormat(undefined, { maximumSignificantDigits: 3 });
const two = new Intl.NumberFormat(undefined, { maximumSignificantDigits: 2 });
export const whole = digits(0);

// A rate or the like: three digits.
export const rate = (value, unit = "") => (value === null || value === undefined ? "–" : `${three.format(value)}${unit}`);
export const fixed = (value, places, unit = "") => (value === null || value === undefined ? "–" : `${digits(places).format(value)}${unit}`);
export const count = (value, one, many = `${one}s`) => `${whole.format(value)} ${value === 1 ? one : many}`;
export const when = (text) => (text ? dates.format(new Date(text)) : "–");

// A change: its sign always, but for nought.
export function signed(value, places, unit = "") {
  if (value === null || value === undefined) return "–";
  const form = new Intl.NumberFormat(undefined, { minimumFractionDigits: places, maximumFractionDigits: places, signDisplay: "exceptZero" });
  return `${form.format(value)}${unit}`;
}

// The share out of spec with its exact limits.
export function share(group) {
  if (group.out_of_spec_fraction === null) return "–";
  const [at, low, high] = [group.out_of_spec_fraction, group.out_of_spec_low_fraction, group.out_of_spec_high_fraction].map((it) => two.format(100 * it));
  return `${at} % (${low} to ${high})`;
}

// A time span in the unit that suits it.
export function span(seconds) {
  if (seconds < 100) return `${whole.format(seconds)} s`;
  return seconds < 6000 ? `${whole.format(seconds / 60)} min` : `${digits(1).format(seconds / 3600)} h`;
}

// A time in UTC as the chart library takes it for local time, for axes that read like the user's clock.
export function localTime(text) {
  const at = new Date(text);
  return new Date(at.getTime() - 60000 * at.getTimezoneOffset()).toISOString().slice(0, 19);
}

// A table in a box that can be scrolled, under its caption; cells are texts or elements. Columns of `words` hold text and stand on the left.
export function table(caption, head, rows, words = [0]) {
  const cell = (content, at) => {
    if (at === 0) return make("th", { scope: "row", className: "words" }, content);
    return make("td", words.includes(at) ? { className: "words" } : {}, content);
  };
  const titles = head.map((text, at) => make("th", { scope: "col", className: words.includes(at) ? "words" : "" }, text));
  const body = rows.map((row) => make("tr", {}, ...row.map(cell)));
  const whole = make("table", { ariaLabel: caption }, make("thead", {}, make("tr", {}, ...titles)), make("tbody", {}, ...body));
  return make("div", { className: "captioned" }, make("p", { className: "caption" }, caption), make("div", { className: "wide", tabIndex: 0, role: "region", ariaLabel: caption }, whole));
}

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

const HEIGHT_PX = 260;

// A chart under its caption. Resolves when it is drawn; one that cannot be drawn says so.
export async function figure(into, caption, traces, layout, words) {
  const box = make("div");
  box.style.height = `${HEIGHT_PX}px`;
  into.append(make("figure", {}, make("figcaption", {}, caption), box));
  try {
    const font = { family: "system-ui, sans-serif", size: 16, color: colour("--ink") };
    await chart(box, traces, { height: HEIGHT_PX, font, ...layout }, words);
  } catch (error) {
    box.replaceChildren(make("p", { className: "error", role: "alert" }, `No chart: ${error.message}`));
  }
}

export const address = (id, part = "", query = "") => `#/runs/${encodeURIComponent(id)}${part ? `/${part}` : ""}${query ? `?${query}` : ""}`;

// Puts the state of a view into the address without leaving the view.
export function remember(path, values) {
  const words = new URLSearchParams(Object.entries(values).filter(([, value]) => value !== "" && value !== null && value !== undefined && value !== false));
  const query = words.toString();
  history.replaceState(null, "", `${path.split("?")[0]}${query ? `?${query}` : ""}`);
}

// Text to be copied, with a button that does it.
export function copyable(text) {
  const told = make("span", { role: "status" });
  const button = make("button", { type: "button" }, "Copy");
  button.onclick = async () => {
    try { await navigator.clipboard.writeText(text); told.textContent = "Copied"; } catch { told.textContent = "Mark the text and copy it"; }
  };
  return make("p", { className: "copy" }, make("code", {}, text), button, told);
}
