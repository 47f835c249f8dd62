// A run or piece table beside a log of the checkweigher. Parts: agree_result.js (what came out), agree_piece.js (one piece, pairs set aside).
import { dropAll } from "../charts.js";
import { ask, failure, make, send, state } from "../kit.js";
import { fileField } from "../files.js";
import { result } from "./result.js";

// How each option of the comparison is called here; refusals name options as the command line does.
const FIELDS = {
  time: "Time column", date: "Date column", mass: "Mass column", lane: "Lane column", unit: "Unit", zone: "Time zone", day: "Day of the first row",
  "date-order": "Order of dates", decimal: "Decimal mark", "test-weight": "Test weights", "lag-within": "Farthest apart", "least-probability": "Least probability",
  "scale-sd-g": "Checkweigher's own spread", "within-g": "Count within", "nominal-g": "Nominal mass", class: "Class",
};
// The place where given files are kept says nothing to whoever gave them.
const words = (text) => text.replace(/\S*[/\\]received[/\\][^/\\]+[/\\]/, "").replaceAll(/--([a-z-]+)/g, (whole, name) => (FIELDS[name] ? `“${FIELDS[name]}”` : whole));
const TEXTS = ["time", "date", "mass", "lane", "unit", "zone", "day", "date_order", "decimal", "class", "checked"];
const NUMBERS = ["lag_within_s", "least_probability", "scale_sd_g", "nominal_g"];
const LISTS = ["test_weights_g", "within_g"];

// Addresses: #/agree?pieces=KEY&log=KEY&time=…&…
export function agree(view, opened, query) {
  const stop = new AbortController();
  view.replaceChildren(state("Looking for runs …"));
  ask("api/agree", stop.signal).then((answer) => answer.json())
    .then((choices) => desk(view, opened, choices, query, stop.signal))
    .catch((error) => { if (!stop.signal.aborted) view.replaceChildren(failure(error.message)); });
  return () => { stop.abort(); dropAll(view); };
}

const field = (label, input, hint) => make("p", { className: "field" }, make("label", {}, make("span", {}, label), input), ...(hint ? [make("small", {}, hint)] : []));

function desk(view, opened, choices, query, signal) {
  const messages = make("div", {});
  const tell = (text) => messages.replaceChildren(failure(text));
  const pieces = make("select", {}, new Option(choices.runs.length ? "Choose a run …" : "no run yet: give a table below", ""), ...choices.runs.map((run) => {
    const option = new Option(run.error ? `${run.name}: cannot be used` : `${run.name} · ${run.pieces} pieces`, run.key ?? "");
    option.disabled = Boolean(run.error);
    return option;
  }));
  const known = (key, label) => {
    if (![...pieces.options].some((option) => option.value === key)) pieces.append(new Option(label, key));
    pieces.value = key;
  };
  if (query.has("pieces")) known(query.get("pieces"), "given table");
  const givePieces = fileField("Or drop a piece table (.csv, .parquet, .json) here, or choose it", async ([file]) => {
    messages.replaceChildren(state("Reading the piece table …"));
    try {
      const told = await (await send(`api/agree/pieces?name=${encodeURIComponent(file.name)}`, file, signal)).json();
      known(told.key, `${told.name} · ${told.pieces} pieces`);
      messages.replaceChildren(state(`${told.name}: ${told.pieces} pieces.`));
    } catch (error) { tell(`This table was not taken: ${error.message}`); }
  }, { accept: ".csv,.parquet,.json" });

  let log = query.get("log") ?? "";
  const preview = make("pre", { className: "preview", tabIndex: 0, role: "region", ariaLabel: "First lines of the log" });
  const columns = make("datalist", { id: "log-columns" });
  const logName = make("p", { className: "facts" }, log ? "…" : "No log yet.");
  const sawLog = (told) => {
    log = told.key;
    logName.textContent = `Log: ${told.name}`;
    preview.textContent = told.lines.join("\n");
    preview.hidden = !told.lines.length;
    // The longest first line is the likeliest to be the head; its cells are offered, nothing is decided here.
    const cells = [...new Set(told.lines.flatMap((line) => line.split(/[,;\t]/)).map((cell) => cell.trim().replaceAll(/^"|"$/g, "")).filter((cell) => cell && !/^[\d\s.,:;TZ+-]+$/.test(cell)))];
    columns.replaceChildren(...cells.slice(0, 40).map((cell) => new Option(cell)));
    // Names that speak for themselves are put into the fields, where they can be seen and changed.
    const guess = (key, pattern, not) => { if (!inputs[key].value) inputs[key].value = cells.find((cell) => pattern.test(cell) && !not?.test(cell)) ?? ""; };
    guess("mass", /mass|weight|gewicht|poids|peso/i);
    guess("time", /time|zeit|uhr|heure|hora/i);
    if (!inputs.time.value) guess("time", /date|datum|fecha/i);
    guess("date", /^(date|datum|fecha)$/i, { test: (cell) => cell === inputs.time.value });
  };
  preview.hidden = true;
  const giveLog = fileField("Drop the checkweigher's log (a table of text) here, or choose it", async ([file]) => {
    messages.replaceChildren(state("Taking the log …"));
    try {
      sawLog(await (await send(`api/agree/logs?name=${encodeURIComponent(file.name)}`, file, signal)).json());
      messages.replaceChildren(state("The log is here. Say which column is what, if the names do not."));
    } catch (error) { tell(`This log was not taken: ${error.message}`); }
  });

  const column = (key) => { const input = make("input", { type: "text", value: query.get(key) ?? "" }); input.setAttribute("list", "log-columns"); return input; };
  const text = (key) => make("input", { type: "text", value: query.get(key) ?? "" });
  const choice = (key, ...options) => { const input = make("select", {}, ...options.map(([label, value]) => new Option(label, value))); input.value = query.get(key) ?? ""; return input; };
  const number = (key) => make("input", { type: "number", step: "any", value: query.get(key) ?? "" });
  const inputs = {
    time: column("time"), date: column("date"), mass: column("mass"), lane: column("lane"),
    unit: choice("unit", ["as the log says", ""], ["g", "g"], ["kg", "kg"], ["lb", "lb"], ["oz", "oz"]),
    zone: text("zone"), day: text("day"),
    date_order: choice("date_order", ["as the log says", ""], ["day, month", "day-month"], ["month, day", "month-day"]),
    decimal: choice("decimal", ["as the log says", ""], ["point", "point"], ["comma", "comma"]),
    test_weights_g: text("test_weights_g"),
    lag_within_s: number("lag_within_s"), least_probability: number("least_probability"),
    scale_sd_g: number("scale_sd_g"), within_g: text("within_g"), nominal_g: number("nominal_g"), class: text("class"),
    checked: choice("checked", ["no check", ""], ...choices.checked.map((name) => [name, name])),
  };
  if (log) ask(`api/agree/logs/${encodeURIComponent(log)}`, signal).then((answer) => answer.json()).then(sawLog).catch((error) => { logName.textContent = error.message; });
  const group = (title, open, ...fields) => make("details", { open }, make("summary", {}, title), ...fields);
  const any = (...keys) => keys.some((key) => query.get(key));
  const go = make("button", { type: "submit", className: "main" }, "Compare");
  const fields = make("div", { className: "fields" },
    make("h2", {}, "What to compare"),
    field("Pieces", pieces), givePieces,
    logName, giveLog, preview, columns,
    group("Columns of the log", true, field("Time (or date and time)", inputs.time, "Names of columns, as the log writes them."), field("Mass", inputs.mass), field("Date, where it stands apart", inputs.date), field("Lane", inputs.lane)),
    group("How it is written", any("unit", "zone", "day", "date_order", "decimal", "test_weights_g"), field("Unit of the masses", inputs.unit), field("Zone of local times", inputs.zone, "Europe/Berlin or UTC; needed where times have no offset."), field("Day of the first row, for times without a date", inputs.day, "As in 2026-03-04."), field("Order of dates such as 04/03/2026", inputs.date_order), field("Decimal mark", inputs.decimal), field("Test weights, g", inputs.test_weights_g, "As in 200; 500.")),
    group("What is known and asked", any("scale_sd_g", "within_g", "nominal_g", "class", "checked", "lag_within_s", "least_probability"), field("The checkweigher's own spread, g", inputs.scale_sd_g, "Standard deviation of its errors."), field("Count pairs within, g", inputs.within_g, "As in 2; 5."), field("Nominal mass of a portion, g", inputs.nominal_g), field("Class to hold against (OIML R 51)", inputs.class, "As in XIII(1)/1."), field("Last check of the scanner", inputs.checked, "Tells scales from densities."), field("Farthest that scan and weighing lie apart, s", inputs.lag_within_s, "Empty: 900 s."), field("Least probability of a match", inputs.least_probability, "Empty: 0.95.")));
  const form = make("form", { className: "desk" }, fields, make("div", { className: "doing" }, messages, go));
  const out = make("div", { className: "outcome", tabIndex: -1 });
  view.replaceChildren(make("div", { className: "two agree" }, form, out));

  form.onsubmit = (event) => {
    event.preventDefault();
    if (!pieces.value) return tell("Choose a run, or drop a piece table.");
    if (!log) return tell("Drop the checkweigher's log.");
    const asked = new URLSearchParams({ pieces: pieces.value, log });
    for (const [key, input] of Object.entries(inputs)) if (input.value.trim()) asked.set(key, input.value.trim());
    const address = `#/agree?${asked}`;
    if (address === location.hash) run(); else location.hash = address;
  };

  async function run() {
    const asked = { pieces: query.get("pieces"), log: query.get("log") };
    for (const key of TEXTS) if (query.get(key)) asked[key] = query.get(key);
    for (const key of NUMBERS) if (query.get(key)) asked[key] = Number(query.get(key));
    for (const key of LISTS) if (query.get(key)) asked[key] = query.get(key).split(/[;\s]+/).filter(Boolean).map(Number);
    go.disabled = true;
    messages.replaceChildren();
    const again = async (word) => {
      const kept = out.scrollTop;
      if (word) out.prepend(state(word));
      const told = await (await send("api/agree/compare", asked, signal)).json();
      result(out, told, opened, asked, signal, again);
      out.scrollTop = kept;
    };
    out.replaceChildren(state("Matching pieces and weighings …"));
    try { await again(); } catch (error) {
      if (!signal.aborted) out.replaceChildren(failure(`These files could not be compared: ${words(error.message)}`));
    } finally { go.disabled = false; }
  }
  if (query.has("pieces") && query.has("log")) run();
  else out.replaceChildren(make("section", { className: "prose" },
    make("h2", {}, "Do the estimates agree with the checkweigher, and if not, why?"),
    make("p", {}, "Bring a day's pieces and the checkweigher's log of the same day together; nobody has to number the pieces. Clocks that differ, pieces taken off, two on the scale at once and test weights are seen to; what is not sure is left out and counted."),
    make("p", {}, `Files given here are kept below ${opened.places.save_to}, so that this view's address goes on working.`)));
}
