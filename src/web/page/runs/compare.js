// What changed between two runs.
import { ask, failure, make, state } from "../kit.js";
import { colour, count, figure, fixed, signed, table, whole } from "./kit.js";

const LISTED = 25;

export async function compareRuns(view, opened, told, words, signal) {
  const finished = told.runs.filter((run) => run.state === "finished");
  const select = (which) => {
    const it = make("select", {}, new Option("Choose a run", ""), ...finished.map((run) => new Option(run.name, run.id)));
    it.value = finished.some((run) => run.id === words.get(which)) ? words.get(which) : "";
    it.onchange = go;
    return it;
  };
  function go() { if (before.value && after.value) location.hash = `#/runs/compare?${new URLSearchParams({ before: before.value, after: after.value })}`; }
  const before = select("before"), after = select("after");
  const turn = make("button", { type: "button" }, "Swap");
  turn.onclick = () => { [before.value, after.value] = [after.value, before.value]; go(); };
  const box = make("div", { className: "run" });
  const tools = make("div", { className: "tools" }, make("a", { href: "#/runs", className: "button" }, "All runs"));
  view.replaceChildren(make("div", { className: "head" }, make("h2", {}, "What changed"), make("label", {}, "Before", before), make("label", {}, "After", after), turn, tools), box);
  document.body.dataset.run = "ready";
  if (!before.value || !after.value) { box.append(state(finished.length < 2 ? "Two finished runs over the same scans are needed; make another, or open one: weighlight open RUN" : "Choose two finished runs over the same scans.")); return; }
  box.append(state("Comparing …"));
  const pair = { before: before.value, after: after.value };
  const { diff, bars } = await (await ask(`api/runs/compare?${new URLSearchParams(pair)}`, signal)).json();
  const names = [before, after].map((it) => it.selectedOptions[0].textContent);
  tools.prepend(make("a", { className: "button", download: `${names.join(" to ")}.html`, href: `api/runs/compare/page?${new URLSearchParams(pair)}` }, "Save as a page"));
  box.replaceChildren(verdict(diff));
  settings(box, diff);
  await charts(box, diff, bars);
  groups(box, diff);
  moved(box, diff, opened, pair, signal);
  document.body.dataset.diff = "ready";
}

function verdict(diff) {
  const all = diff.all;
  const words = diff.same ? "Nothing changed: both runs say the very same of every piece."
    : `${whole.format(all.pairs - all.same)} of ${count(all.pairs, "piece")} changed. The mass of all pieces together: ${signed(all.total_relative === null ? null : 100 * all.total_relative, 3)} %.`;
  const more = [`${count(diff.recordings, "recording")} in both`];
  if (diff.inputs_differ) more.push(`${whole.format(diff.inputs_differ)} of them from other input files`);
  if (diff.only_before.length) more.push(`${count(diff.only_before.length, "recording")} before only`);
  if (diff.only_after.length) more.push(`${count(diff.only_after.length, "recording")} after only`);
  more.push(`${whole.format(all.only_before)} pieces before only, ${whole.format(all.only_after)} after only`);
  if (all.out_now || all.in_now) more.push(`${whole.format(all.out_now)} out of spec now, ${whole.format(all.in_now)} in spec now`);
  return make("div", { role: "status" }, make("p", { className: "lead" }, words), make("p", {}, `${more.join("; ")}.`));
}

function settings(box, diff) {
  if (!diff.settings.length) { box.append(make("p", {}, "The runs were made alike.")); return; }
  box.append(table("How they were made differs in", ["What", "Before", "After"], diff.settings.map((it) => [it.what, it.before ?? "none", it.after ?? "none"]), [0, 1, 2]));
}

async function charts(box, diff, bars) {
  const drawn = [];
  const into = make("div", { className: "charts" });
  box.append(into);
  for (const [caption, unit, factor, it] of [
    ["Change of a piece's mass as a share of its mass before", "%", 100, bars.mass_relative],
    ["Change of a piece's fat share", "%", 100, bars.fat_fraction],
  ]) {
    if (!it) continue;
    const most = it.counts.indexOf(Math.max(...it.counts));
    drawn.push(figure(into, caption, [{
      type: "bar", x: it.middles.map((value) => factor * value), y: it.counts, width: factor * it.width, marker: { color: colour("--strong") }, hovertemplate: `%{x:.3f} ${unit}: %{y} pieces<extra></extra>`,
    }], { xaxis: { title: { text: unit } }, yaxis: { title: { text: "pieces" }, rangemode: "tozero" }, bargap: 0 },
    `${caption}: most pieces near ${signed(factor * it.middles[most], 2)} ${unit}.`));
  }
  const weeks = Object.entries(diff.weeks);
  if (weeks.length > 1) {
    drawn.push(figure(into, "Change of the mass in all by week", [{
      type: "bar", x: weeks.map(([week]) => week), y: weeks.map(([, tally]) => 100 * (tally.total_relative ?? NaN)), marker: { color: colour("--strong") }, hovertemplate: "%{x}: %{y:+.3f} %<extra></extra>",
    }], { xaxis: { type: "category" }, yaxis: { title: { text: "%" } } }, `Change of the mass in all by week: ${weeks.map(([week, tally]) => `${week} ${signed(100 * (tally.total_relative ?? NaN), 2)} %`).join(", ")}.`));
  }
  // All boxes are there before the first is drawn: a chart takes the width that its box has then.
  await Promise.all(drawn);
}

function groups(box, diff) {
  const percent = (value) => (value === null ? null : 100 * value);
  const row = (name, tally) => [name, whole.format(tally.pairs), whole.format(tally.same), signed(tally.mass_g.mean, 3), signed(percent(tally.total_relative), 3), signed(tally.volume_cm3.mean, 3),
    signed(percent(tally.fat_fraction.mean), 2), whole.format(tally.only_before), whole.format(tally.only_after), whole.format(tally.out_now), whole.format(tally.in_now)];
  const rows = [row("All", diff.all)];
  for (const [what, list] of [["Product", diff.products], ["Scanner", diff.scanners], ["Week", diff.weeks]]) rows.push(...Object.entries(list).map(([name, tally]) => row(`${what} ${name}`, tally)));
  box.append(table("By product, scanner and week", ["", "Pieces", "Same", "Mean change, g", "Mass in all, %", "Mean change, cm³", "Mean fat change, %", "Before only", "After only", "Out now", "In now"], rows));
  const flags = [[diff.all.flags_gained, "gained"], [diff.all.flags_lost, "lost"]].flatMap(([list, which]) => Object.entries(list).map(([flag, many]) => `${flag} ${which} by ${count(many, "piece")}`));
  if (flags.length) box.append(make("p", {}, `Flags: ${flags.join("; ")}.`));
}

function moved(box, diff, opened, pair, signal) {
  if (!diff.most_moved.length) return;
  const shown = make("section", { className: "pair", ariaLabel: "Before and after" });
  const open = new Map(opened.scans.map((scan) => [`${scan.recording}\n${scan.name}`, scan.id]));
  const buttons = [];
  const show = (at) => {
    buttons.forEach((button, other) => { button.ariaPressed = String(other === at); });
    const piece = diff.most_moved[at];
    const side = (which, name, number) => {
      const place = make("div", { className: "side-picture" }, state("Measuring the frame again …"));
      picture(place, { ...pair, at, side: which }, `Pieces of scan ${piece.scan} ${name}, piece ${number} among them`, signal);
      return make("figure", {}, make("figcaption", {}, `${name}: piece ${number}`), place);
    };
    const id = open.get(`${piece.recording}\n${piece.scan}`);
    shown.replaceChildren(make("h3", {}, `${piece.recording}, piece ${piece.piece_after}: ${signed(piece.mass_change_g, 2)} g`),
      make("div", { className: "sides" }, side("before", "Before", piece.piece_before), side("after", "After", piece.piece_after)));
    if (id !== undefined) shown.append(make("p", {}, make("a", { href: `#/look/${id}?piece=${piece.piece_after}` }, "Look at it in its scan")));
  };
  const rows = diff.most_moved.slice(0, LISTED).map((piece, at) => {
    const button = make("button", { type: "button", ariaPressed: "false" }, `${piece.recording}, ${piece.piece_after}`);
    button.onclick = () => { show(at); shown.scrollIntoView({ block: "start" }); };
    buttons.push(button);
    const gained = piece.flags_after.filter((flag) => !piece.flags_before.includes(flag)).map((flag) => `+${flag}`);
    const lost = piece.flags_before.filter((flag) => !piece.flags_after.includes(flag)).map((flag) => `−${flag}`);
    return [button, `${piece.scanner}, ${piece.day}`, fixed(piece.mass_before_g, 2), fixed(piece.mass_after_g, 2), signed(piece.mass_change_g, 2), fixed(piece.mass_u_after_g, 2),
      signed(piece.fat_change_fraction === null ? null : 100 * piece.fat_change_fraction, 2), [...gained, ...lost].join(" ")];
  });
  box.append(shown, table("Pieces whose mass changed most; choose one to see it before and after", ["Recording, piece", "Scanner, day", "Before, g", "After, g", "Change, g", "u after, g", "Fat change, %", "Flags"], rows, [0, 1, 7]));
  show(0);
}

async function picture(place, query, words, signal) {
  try {
    const bytes = await (await ask(`api/runs/compare/picture?${new URLSearchParams(query)}`, signal)).blob();
    const address = URL.createObjectURL(bytes);
    signal.addEventListener("abort", () => URL.revokeObjectURL(address), { once: true });
    place.replaceChildren(make("img", { src: address, alt: words }));
    document.body.dataset.pictures = "ready";
  } catch (error) {
    if (error.name !== "AbortError") place.replaceChildren(failure(`No picture: ${error.message}`));
  }
}
