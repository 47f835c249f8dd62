// What ran over the belt in one run: by product, hour and lane, against limits.
import { ask, failure, make, state, withUncertainty } from "../kit.js";
import { byHour, byLane, byProduct } from "./charts.js";
import { count, fixed, rate, remember, share, table, when, whole } from "./kit.js";

const LIMITS = [
  { key: "most_out_of_spec_percent", words: "Out of spec at most, %", kind: "most_out_of_spec_fraction", found: (value) => fixed(100 * value, 2, " %"), limit: (value) => `at most ${rate(100 * value)} % out of spec` },
  { key: "least_per_minute", words: "Pieces a minute at least", kind: "least_pieces_per_minute", found: (value) => rate(value), limit: (value) => `at least ${rate(value)} pieces a minute` },
  { key: "least_kg_per_hour", words: "kg an hour at least", kind: "least_kg_per_hour", found: (value) => rate(value), limit: (value) => `at least ${rate(value)} kg an hour` },
];
const VERDICTS = { kept: "Kept", missed: "Missed", undecided: "Undecided: too few pieces to say", unknown: "Not known" };
const named = (product) => product || "No product named";

export async function showSummary(box, { run, words, tools, signal }) {
  const head = make("p", { className: "state", role: "status" }, "Summing up …");
  const inputs = LIMITS.map((limit) => make("input", { type: "number", min: 0, step: "any", value: words.get(limit.key) ?? "" }));
  const form = make("form", { className: "fields limits" }, ...LIMITS.map((limit, at) => make("label", {}, limit.words, inputs[at])), make("button", { type: "submit" }, "Check limits"));
  const verdicts = make("div"), body = make("div");
  box.append(head, make("details", { className: "limit-part", open: inputs.some((input) => input.value !== "") }, make("summary", {}, "Check against limits"), form, verdicts), body);
  let chosen = words.get("product");
  const asked = () => Object.fromEntries(LIMITS.map((limit, at) => [limit.key, inputs[at].value]).filter(([, value]) => value !== ""));
  const load = async () => {
    const answer = await ask(`api/runs/one/${encodeURIComponent(run.id)}/summary?${new URLSearchParams(asked())}`, signal);
    return answer.json();
  };
  const save = make("a", { className: "button", download: `${run.name}.html` }, "Save as a page");
  const aim = () => { save.href = `api/runs/one/${encodeURIComponent(run.id)}/page?${new URLSearchParams(asked())}`; };
  const store = () => { remember(location.hash, { ...asked(), product: chosen }); aim(); };
  const judge = (summary) => {
    verdicts.replaceChildren();
    if (!summary.limits.length) return;
    verdicts.append(table("Against the limits", ["Product", "Limit", "Found", "Verdict"], summary.limits.map((it) => {
      const limit = LIMITS.find((one) => one.kind === it.limit);
      return [named(it.product), limit.limit(it.value), it.found === null ? "–" : limit.found(it.found), make("span", { className: `verdict ${it.verdict}` }, VERDICTS[it.verdict])];
    }), [0, 1, 3]));
  };
  const summary = await load();
  judge(summary);
  form.onsubmit = async (event) => {
    event.preventDefault();
    store();
    try { judge(await load()); } catch (error) { if (error.name !== "AbortError") verdicts.replaceChildren(failure(error.message)); }
  };
  aim();
  tools.prepend(save);
  head.textContent = `${summary.from ? `${when(summary.from)} to ${when(summary.to)} · ` : ""}${count(summary.recordings, "recording")}${summary.not_measured ? ` · ${whole.format(summary.not_measured)} could not be measured` : ""}`;
  if (!summary.products.length) { body.append(state("Nothing to sum up: no recording was measured.")); return; }
  if (!summary.products.some((one) => one.product === chosen)) chosen = null;
  const show = async () => {
    const product = summary.products.find((one) => one.product === chosen) ?? summary.products[0];
    const parts = make("div");
    if (summary.products.length > 1) parts.append(...overview(summary, product, (name) => { chosen = name; store(); show().then(() => document.getElementById("product-title").focus()); }));
    body.replaceChildren(parts);
    if (summary.products.length > 2) {
      const charts = make("div", { className: "charts" });
      parts.append(charts);
      await Promise.all(byProduct(charts, summary.products));
    }
    await showProduct(body, product);
    document.body.dataset.summary = product.product;
  };
  await show();
}

function groupCells(group) {
  return [whole.format(group.pieces), rate(group.pieces_per_minute), rate(group.kg_per_hour), fixed(group.mean_mass_g, 1), fixed(group.sd_mass_g, 1),
    fixed(group.mean_fat_fraction === null ? null : 100 * group.mean_fat_fraction, 1), fixed(group.sd_fat_fraction === null ? null : 100 * group.sd_fat_fraction, 1), share(group)];
}
const GROUP_HEAD = ["Pieces", "a minute", "kg an hour", "Mean mass, g", "Spread, g", "Mean fat, %", "Spread, %", "Out of spec (95 % limits)"];

function overview(summary, product, choose) {
  const rows = summary.products.map((one) => {
    const button = make("button", { type: "button", ariaPressed: String(one === product) }, named(one.product));
    button.onclick = () => choose(one.product);
    return [button, ...groupCells(one.all)];
  });
  return [table("Products: choose one to see its hours and lanes", ["Product", ...GROUP_HEAD], rows)];
}

function tile(name, value, more) {
  return make("div", { className: "tile" }, make("dt", {}, name), make("dd", {}, make("b", {}, value), make("small", {}, more ?? "")));
}

function shareTile(group) {
  const [at, ...limits] = share(group).split(" (");
  return [at, `${limits.length ? `95 % limits ${limits[0].slice(0, -1)} %; ` : ""}${whole.format(group.out_of_spec)} of ${count(group.pieces, "piece")}`];
}

async function showProduct(body, product) {
  const all = product.all, belt = product.belt;
  const title = make("h3", { id: "product-title", tabIndex: -1 }, named(product.product));
  const mean = withUncertainty(all.mean_mass_g, all.mean_mass_u_g);
  body.append(title, make("dl", { className: "tiles" },
    tile("Total", `${withUncertainty(all.total_kg, all.total_u_kg)} kg`, `${count(all.pieces, "piece")}`),
    tile("Mass of a piece", `${mean} g`, all.sd_mass_g === null ? "" : `spread of the pieces ${fixed(all.sd_mass_g, 1)} g`),
    ...(all.mean_fat_fraction === null ? [] : [tile("Fat", `${fixed(100 * all.mean_fat_fraction, 1)} %`, all.sd_fat_fraction === null ? "" : `spread of the pieces ${fixed(100 * all.sd_fat_fraction, 1)} %`)]),
    tile("Out of spec", ...shareTile(all)),
    tile("Rate while seen", `${rate(all.kg_per_hour)} kg/h`, `${rate(all.pieces_per_minute)} pieces a minute`),
    ...(belt ? [tile("Belt under pieces", `${fixed(100 * belt.area_fraction, 1)} %`, `of its area, and ${fixed(100 * belt.length_fraction, 1)} % of its ${fixed(belt.length_m, 1)} m`)] : [])));
  const charts = make("div", { className: "charts" });
  body.append(charts);
  // All boxes are there before the first is drawn: a chart takes the width that its box has then.
  await Promise.all([...byHour(charts, product), ...byLane(charts, product)]);
  const flags = Object.entries(product.flags);
  if (flags.length) body.append(table("Limits of the spec that pieces miss", ["Flag", "Pieces"], flags.map(([flag, many]) => [flag, whole.format(many)])));
  if (belt?.gaps_mm) {
    const gaps = belt.gaps_mm;
    body.append(make("p", {}, `Gaps along the belt: ${whole.format(belt.gaps)}; 5 % below ${fixed(gaps["5_percent"], 0)} mm, half below ${fixed(gaps.median, 0)} mm, 95 % below ${fixed(gaps["95_percent"], 0)} mm, longest ${fixed(gaps.longest, 0)} mm.`));
  }
  if (belt?.fullest_lane_ratio) body.append(make("p", {}, `The fullest lane carries ${fixed(belt.fullest_lane_ratio, 2)} times an even share.`));
  if (product.lanes.some((group) => group.lane !== null)) body.append(table("By lane", ["Lane", ...GROUP_HEAD], product.lanes.map((group) => [group.lane === null ? "no lane" : String(group.lane), ...groupCells(group)])));
  body.append(make("details", { open: product.hours.length <= 24 }, make("summary", {}, `By hour (${product.hours.length})`),
    table(`Hours of this device's clock (${Intl.DateTimeFormat().resolvedOptions().timeZone})`, ["Hour", ...GROUP_HEAD], product.hours.map((group) => [when(group.hour), ...groupCells(group)]))));
  body.append(make("p", { className: "quiet" }, "Spread: standard deviation of the pieces. ± : standard uncertainty (k = 1). Rates are by the time for which the belt was seen. In brackets: exact 95 % confidence limits (Clopper and Pearson); pieces of one batch are more alike than they assume."));
}
