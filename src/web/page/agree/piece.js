// One piece of a comparison: its row, its scan where that was opened; setting its pair aside with a reason, and taking it back.
import { ask, dates, digits, failure, make, send, state, withUncertainty } from "../kit.js";

const TITLES = {
  recording: "Recording", scan: "Scan", piece: "Piece", lane: "Lane", time: "Scanned", x_mm: "Across", y_mm: "Along", length_mm: "Length", width_mm: "Width", max_height_mm: "Largest height",
  mean_height_mm: "Mean height", area_cm2: "Footprint", volume_cm3: "Volume", fat_mass_fraction: "Fat of the mass", mass_g: "Mass", filled_fraction: "Reconstructed", flags: "Flags",
};
// Which column holds the uncertainty of which.
const UNCERTAINTY = { mass_g: "mass_u_g", volume_cm3: "volume_u_cm3", area_cm2: "area_u_cm2", length_mm: "length_u_mm", width_mm: "width_u_mm" };

function shown(name, piece) {
  const value = piece[name];
  if (value === null || value === undefined || value === "") return "–";
  if (name === "time") return dates.format(new Date(value));
  if (Array.isArray(value)) return value.join(" ") || "none";
  if (name.endsWith("_fraction")) return `${digits(1).format(100 * value)} %`;
  const unit = name.match(/_(mm|cm2|cm3|g)$/)?.[1].replace("cm2", "cm²").replace("cm3", "cm³");
  if (!unit) return String(value);
  const u = piece[UNCERTAINTY[name]];
  return `${u ? withUncertainty(value, u) : digits(1).format(value)} ${unit}`;
}

export async function piecePanel(panel, { row, logRow, told, asked, opened, signal, again }) {
  panel.replaceChildren(state(`Piece of row ${row} …`));
  try {
    const { piece } = await (await ask(`api/agree/pieces/${encodeURIComponent(asked.pieces)}/${row}`, signal)).json();
    const at = told.pairs.piece_row.indexOf(row);
    const aside = told.set_aside_pairs.find((it) => it.piece_row === row);
    const weighed = at >= 0 ? told.pairs.weighed_g[at] : aside?.weighed_g;
    const facts = Object.keys(TITLES).map((name) => make("div", {}, make("dt", {}, TITLES[name]), make("dd", {}, shown(name, piece))));
    if (weighed !== undefined) {
      facts.unshift(make("div", {}, make("dt", {}, "Weighed"), make("dd", {}, `${digits(1).format(weighed)} g`)),
        make("div", {}, make("dt", {}, "Estimate minus weighing"), make("dd", {}, `${withUncertainty(piece.mass_g - weighed, piece.mass_u_g)} g`)));
    }
    if (at >= 0) facts.push(make("div", {}, make("dt", {}, "Match is right with"), make("dd", {}, told.pairs.probability[at] > 0.999 ? "more than 99.9 %" : `${digits(1).format(100 * told.pairs.probability[at])} %`)));
    const scan = opened.scans.find((one) => one.name === piece.scan);
    const look = scan
      ? make("p", { className: "seen" }, make("a", { href: `#/look/${scan.id}?piece=${piece.piece}` }, make("img", { src: `api/scans/${scan.id}/picture`, alt: `Small picture of scan ${scan.name}` }), " Look at the piece"))
      : make("p", { className: "facts" }, "Its scan is not among those opened.");
    panel.replaceChildren(make("h2", {}, `Piece of row ${row}${logRow ? `, weighing of row ${logRow}` : ""}`), look, make("dl", { className: "facts" }, ...facts),
      ...(logRow ? [aside ? backForm({ row, logRow, told, asked, signal, again }) : asideForm({ row, logRow, told, asked, signal, again })] : []));
    panel.scrollIntoView({ block: "nearest" });
  } catch (error) { if (!signal.aborted) panel.replaceChildren(failure(error.message)); }
}

// Sends a change of the pairs set aside; a change made elsewhere meanwhile is shown, not overwritten.
async function change(messages, context, more) {
  const { row, logRow, told, asked, signal, again } = context;
  try {
    await send("api/agree/aside", { pieces: asked.pieces, log: asked.log, piece_row: row, log_row: logRow, seen: told.seen, ...more }, signal);
    await again("Comparing again …");
  } catch (error) {
    if (signal.aborted) return;
    const parts = [failure(`Nothing was changed: ${error.message}`)];
    if (error.status === 409) {
      const fresh = make("button", { type: "button" }, "Show the newest state");
      fresh.onclick = () => again("Comparing again …").catch((problem) => messages.replaceChildren(failure(problem.message)));
      parts.push(fresh);
    }
    messages.replaceChildren(...parts);
  }
}

function asideForm(context) {
  const reason = make("input", { type: "text", required: true, maxLength: 500 });
  const by = make("input", { type: "text", maxLength: 200, autocomplete: "name" });
  const messages = make("div", {});
  const form = make("form", { className: "bar" }, make("label", {}, "Reason (fell off, water on it, …)", reason), make("label", {}, "Who", by), make("button", { type: "submit" }, "Set this pair aside"));
  form.onsubmit = (event) => { event.preventDefault(); change(messages, context, { reason: reason.value, by: by.value || null }); };
  return make("div", {}, form, messages);
}

function backForm(context) {
  const messages = make("div", {});
  const button = make("button", { type: "button" }, "Take it back: let this pair count again");
  button.onclick = () => change(messages, context, { reason: null });
  return make("div", {}, make("p", { className: "bar" }, button), messages);
}

// All pairs that are or were set aside.
export function asideList(told, asked, signal, again, show) {
  const all = told.set_aside_all;
  if (!all.length) return make("div", {});
  const rows = all.map((it) => {
    const look = make("button", { type: "button" }, String(it.piece_row));
    look.onclick = () => show(it.piece_row, it.log_row);
    const messages = make("div", {});
    const back = make("button", { type: "button" }, "Take back");
    back.onclick = () => change(messages, { row: it.piece_row, logRow: it.log_row, told, asked, signal, again }, { reason: null });
    return make("tr", {}, make("th", { scope: "row" }, look), make("td", {}, String(it.log_row)), make("td", { className: "words" }, it.reason), make("td", {}, it.by ?? "–"), make("td", {}, dates.format(new Date(it.at))),
      make("td", {}, it.taken_back ? `taken back ${dates.format(new Date(it.taken_back))}` : back, messages));
  });
  const head = ["Piece row", "Log row", "Reason", "Who", "When", "Now"].map((text) => make("th", { scope: "col" }, text));
  return make("section", {}, make("h2", {}, "Pairs set aside by hand"),
    make("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: "Pairs set aside by hand" }, make("table", { className: "aside" }, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows))));
}
