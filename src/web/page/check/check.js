// A reference target checked: what to check with, and what came out. Parts: check_result.js, check_record.js, check_history.js.
import { dropAll } from "../charts.js";
import { ask, dates, failure, make, send, state } from "../kit.js";
import { bundle, fileField } from "../files.js";
import { history } from "./history.js";
import { result } from "./result.js";

// Addresses: #/check?scan=3&target=KEY&… (or received=NAME in place of scan), #/check/history/SCANNER, #/check/history.
export function check(view, opened, words, rest) {
  const stop = new AbortController();
  view.replaceChildren(state("Looking for targets and logs …"));
  ask("api/check", stop.signal).then((answer) => answer.json()).then((choices) => {
    if (rest[0] === "history") history(view, choices, rest[1], stop.signal);
    else desk(view, opened, choices, words, stop.signal);
  }).catch((error) => { if (!stop.signal.aborted) view.replaceChildren(failure(error.message)); });
  return () => { stop.abort(); dropAll(view); };
}

const field = (label, input, hint) => make("p", { className: "field" },
  make("label", {}, make("span", {}, label), input), ...(hint ? [make("small", {}, hint)] : []));

// Scans without a product come first: a target is none.
function scanOptions(opened) {
  const byTime = [...opened.scans].sort((one, other) => Date.parse(other.captured) - Date.parse(one.captured));
  const option = (scan) => new Option(`${scan.scanner} · ${dates.format(new Date(scan.captured))} · ${scan.name}`, `scan=${scan.id}`);
  const groups = [["Without a product (targets lie among these)", byTime.filter((scan) => !scan.product)], ["With a product", byTime.filter((scan) => scan.product)]];
  return groups.filter(([, scans]) => scans.length).map(([label, scans]) => make("optgroup", { label }, ...scans.map(option)));
}

function desk(view, opened, choices, words, signal) {
  const messages = make("div", {});
  const tell = (text) => messages.replaceChildren(failure(text));
  const scans = make("select", {}, new Option("Choose a scan …", ""), ...scanOptions(opened));
  const targets = make("select", {}, ...targetOptions(choices.targets));
  const temperature = make("input", { type: "number", min: "-60", max: "150", step: "any", value: words.get("t") ?? "" });
  const products = make("select", {}, new Option("in percent only", ""), ...choices.products.map((name) => new Option(`measure ${name} twice`, name)));
  const price = make("input", { type: "number", min: "0", step: "any", value: words.get("price") ?? "" });
  const tonnes = make("input", { type: "number", min: "0", step: "any", value: words.get("tonnes") ?? "" });
  const go = make("button", { type: "submit", className: "main" }, "Check");

  const received = (name, label) => {
    const value = `received=${name}`;
    if (![...scans.options].some((option) => option.value === value)) scans.prepend(new Option(label ?? `given: ${name}`, value));
    scans.value = value;
  };
  if (words.has("received")) received(words.get("received"));
  else if (words.has("scan")) scans.value = `scan=${words.get("scan")}`;
  if (words.has("target")) {
    if (!choices.targets.some((target) => target.key === words.get("target"))) targets.append(new Option("given target", words.get("target")));
    targets.value = words.get("target");
  }
  if (words.has("product")) products.value = words.get("product");

  const giveScan = fileField("Drop a scan's folder or files here, or choose its files", async (files) => {
    messages.replaceChildren(state("Taking the scan …"));
    try {
      const told = await (await send("api/check/scans", bundle(files), signal)).json();
      received(told.received, `given: ${files.length} ${files.length === 1 ? "file" : "files"}`);
      messages.replaceChildren(state("The scan is here."));
    } catch (error) { tell(`The scan was not taken: ${error.message}`); }
  }, { multiple: true });
  const giveTarget = fileField("Or give a target's description (.toml)", async ([file]) => {
    try {
      const told = await (await send(`api/check/targets?name=${encodeURIComponent(file.name)}`, file, signal)).json();
      targets.append(new Option(`${told.name} (given)`, told.key));
      targets.value = told.key;
      messages.replaceChildren(state(`Target ${told.name} is here.`));
    } catch (error) { tell(`The target was not taken: ${error.message}`); }
  }, { accept: ".toml" });

  const fields = make("div", { className: "fields" },
    make("h2", {}, "What to check"),
    field("Scan of the target", scans),
    giveScan,
    field("Target", targets),
    giveTarget,
    field("Temperature of the target, °C", temperature, "Its expansion is then taken off; empty: not stated."),
    field("What a change costs", products, opened.places.products ? "On the scans of this scanner that were opened." : "Open with --products to count grams."),
    make("details", { open: Boolean(price.value || tonnes.value) }, make("summary", {}, "Money a day"), field("Price of a kilogram", price), field("Production of a day, t", tonnes)),
    make("p", { className: "field" }, make("a", { href: "#/check/history", className: "button" }, "History of a scanner")));
  const form = make("form", { className: "desk" }, fields, make("div", { className: "doing" }, messages, go));
  const out = make("div", { className: "outcome", tabIndex: -1 });
  view.replaceChildren(make("div", { className: "two check" }, form, out));

  form.onsubmit = (event) => {
    event.preventDefault();
    if (!scans.value) return tell("Choose a scan, or drop one.");
    if (!targets.value) return tell("Choose a target, or give its description.");
    const asked = new URLSearchParams(scans.value);
    asked.set("target", targets.value);
    for (const [key, input] of [["t", temperature], ["product", products], ["price", price], ["tonnes", tonnes]]) if (input.value) asked.set(key, input.value);
    const address = `#/check?${asked}`;
    if (address === location.hash) run(); else location.hash = address;
  };

  async function run() {
    const number = (key) => (words.has(key) ? Number(words.get(key)) : null);
    go.disabled = true;
    messages.replaceChildren();
    out.replaceChildren(state(words.has("product") ? "Fitting the target, then measuring the pieces twice …" : "Fitting the target …"));
    try {
      const asked = {
        scan: number("scan"), received: words.get("received"), target: words.get("target"), target_temperature_c: number("t"),
        product: words.get("product"), price_per_kg: number("price"), tonnes_per_day: number("tonnes"),
      };
      const told = await (await send("api/check/run", asked, signal)).json();
      result(out, told, opened, asked, signal);
    } catch (error) {
      if (!signal.aborted) out.replaceChildren(failure(`The check could not be made: ${error.message}`));
    } finally { go.disabled = false; }
  }
  if (words.has("target") && (words.has("scan") || words.has("received"))) run();
  else out.replaceChildren(welcome(choices, opened));
}

function targetOptions(targets) {
  if (!targets.length) return [new Option("none found: give one below", "")];
  return targets.map((target) => {
    const option = new Option(target.error ? `${target.file}: cannot be used` : `${target.name} · ${target.bodies} bodies, ${target.patches} patches`, target.key ?? "");
    option.disabled = Boolean(target.error);
    return option;
  });
}

function welcome(choices, opened) {
  const damaged = choices.targets.filter((target) => target.error).map((target) => failure(target.error));
  return make("section", { className: "prose" },
    make("h2", {}, "Is the scanner still true?"),
    make("p", {}, "Lay the reference target on the belt, anyhow, and scan it. Choose the scan and the target here: each error of the scanner is compared with the calibration in force, its uncertainty taken into account."),
    make("p", {}, opened.places.calibrations ? `Calibrations: ${opened.places.calibrations}` : "No calibrations were opened (--calibrations DIR): a check compares with a perfect scanner."),
    make("p", { className: "caution" }, "Stop and lock out belt, blades and presses before reaching in to lay or fetch the target. Do not look along the laser line."),
    ...damaged);
}
