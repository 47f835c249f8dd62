// What a profile makes of the scan: sums beside those of the profile the page started from, and the pieces.
import { digits, make, withUncertainty } from "../kit.js";

const d0 = digits(0);
const percent = (share) => (share === null || share === undefined ? null : 100 * share);

// A difference, to the place of the uncertainty it is looked at with.
export function change(before, after, u) {
  if (before === null || after === null || before === undefined || after === undefined) return "–";
  const places = u > 0 ? Math.max(0, Math.min(6, 1 - Math.floor(Math.log10(u)))) : 1;
  const form = new Intl.NumberFormat(undefined, { minimumFractionDigits: places, maximumFractionDigits: places, signDisplay: "exceptZero" });
  return form.format(after - before);
}

export const SUMS = [
  ["Pieces", (it) => d0.format(it.pieces), (a, b) => change(a.pieces, b.pieces, 10)],
  ["Mass of all, g", (it) => withUncertainty(it.mass_g, it.mass_u_g), (a, b) => change(a.mass_g, b.mass_g, b.mass_u_g)],
  ["Fat of the surface, %", (it) => withUncertainty(percent(it.fat_fraction), percent(it.fat_u_fraction)), (a, b) => change(percent(a.fat_fraction), percent(b.fat_fraction), percent(b.fat_u_fraction))],
  ["Outside the spec", (it) => d0.format(it.outside_spec), (a, b) => change(a.outside_spec, b.outside_spec, 10)],
];

export function sums(before, now) {
  const body = make("tbody");
  for (const [name, show, differ] of SUMS) {
    const moved = show(before) !== show(now);
    body.append(make("tr", { className: moved ? "moved" : "" }, make("th", { scope: "row" }, name), make("td", {}, show(before)), make("td", {}, show(now)), make("td", {}, moved ? differ(before, now) : "")));
  }
  return make("table", { className: "sums" }, make("thead", {}, make("tr", {}, make("td", {}), ...["Started from", "Now", "Change"].map((text) => make("th", { scope: "col" }, text)))), body);
}

export function pieceTable(before, now, selected, onPick) {
  if (!now.length) return [make("p", { className: "state" }, "By this profile no piece has its middle in this scan.")];
  // Pieces are the same ones only if they lie in the same place: other piece rules number them anew.
  const old = new Map(before.map((it) => [`${it.x_mm} ${it.y_mm}`, it]));
  const head = ["Piece", "Mass, g", "Change", "Fat, %", "Change", "Flags"];
  const body = make("tbody");
  for (const piece of now) {
    const was = old.get(`${piece.x_mm} ${piece.y_mm}`);
    const pick = make("button", { type: "button", onclick: () => onPick(piece.piece) }, String(piece.piece));
    const row = make("tr", {}, make("td", {}, pick),
      ...[withUncertainty(piece.mass_g, piece.mass_u_g), was ? change(was.mass_g, piece.mass_g, piece.mass_u_g) : "new",
        withUncertainty(percent(piece.fat_fraction), percent(piece.fat_u_fraction)), was ? change(percent(was.fat_fraction), percent(piece.fat_fraction), percent(piece.fat_u_fraction)) : "new",
        (piece.flags ?? []).join(" ")].map((text) => make("td", {}, text)));
    row.classList.toggle("on", piece.piece === selected);
    body.append(row);
  }
  return [make("table", {}, make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col" }, text)))), body),
    make("p", { className: "hint" }, `${d0.format(now.length)} pieces with their middle in this scan. Changes are against the profile started from.`)];
}
