// One scan: its map, what the pointer is on, a cut, one piece to be turned, and the piece table beside it.
import { ask, digits, failure, make, state, withUncertainty } from "../kit.js";
import { CLASS_COLOURS, FrameMap, decodeHeights, decodeOnto } from "./map.js";
import { drawSection } from "./section.js";
import { Solid, decodePiece } from "./solid.js";
import { HandTools } from "./tools.js";

const [d0, d1, d2] = [digits(0), digits(1), digits(2)];

export function look(view, scan, opened, words) {
  const stop = new AbortController();
  let map = null, tools = null, table = null, rows = new Map(), firstRow = 0, waiting = 0, chosen = 0, solid = null;
  const box = make("div", { className: "map" }, state("Reading heights …"));
  const read = make("div", { className: "read" }, "Point at the map to read it.");
  const cut = make("canvas", { role: "img", ariaLabel: "Cut through the surface along the drawn line" });
  const section = make("div", { className: "section", hidden: true }, cut);
  const bar = make("div", { className: "bar" }), layers = make("div", { className: "bar layers" });
  const turned = make("div", { className: "turned", hidden: true });
  const pieces = make("div", {}, state("Waiting for the heights …"));
  const side = make("div", { className: "side", tabIndex: 0, role: "region", ariaLabel: "Pieces" }, turned, pieces);
  view.replaceChildren(make("div", { className: "look" }, make("div", { className: "stage" }, bar, layers, box, read, section), side));

  const address = () => history.replaceState(null, "", `#/look/${scan.id}${chosen ? `?piece=${chosen}${solid ? "&turn=1" : ""}` : ""}`);
  const select = (piece, centre, scroll) => {
    chosen = piece;
    for (const [id, row] of rows) { row.classList.toggle("on", id === piece); if (id === piece) row.setAttribute("aria-current", "true"); else row.removeAttribute("aria-current"); }
    if (scroll) rows.get(piece)?.scrollIntoView({ block: "nearest" });
    map?.select(piece, centre);
    if (solid && piece) turn(piece); else address();
  };
  const readOut = (at) => {
    const cell = map.cell(at);
    if (!cell) return;
    const [row, column] = cell, index = row * map.about.columns + column;
    const z = map.heightAt(row, column), kind = map.marks?.[2 * map.codes.length + index];
    const rebuilt = map.rebuilt?.get(index);
    const height = Number.isNaN(z) ? "not seen" : `height ${d2.format(z)} mm${map.about.noise_mm ? ` (noise ${d2.format(map.about.noise_mm)})` : ""}`;
    const parts = [`x ${d1.format(at[0])} mm`, `y ${d1.format(at[1] + firstRow * map.about.pitch_along_mm)} mm`, height];
    if (rebuilt !== undefined) parts.push(`reconstructed ${d1.format(rebuilt)} mm`);
    if (map.piece(index)) parts.push(`piece ${map.piece(index)}`);
    if (kind !== undefined && kind !== 255) parts.push(table.classes[kind]);
    read.textContent = parts.join(" · ");
    Object.assign(read.dataset, { row, column });
    clearTimeout(waiting);
    if (map.colour) waiting = setTimeout(async () => {
      try {
        const { lab } = await (await ask(`api/scans/${scan.id}/point?row=${row}&column=${column}`, stop.signal)).json();
        if (lab) read.textContent = `${parts.join(" · ")} · L* ${d0.format(lab[0])} a* ${d0.format(lab[1])} b* ${d0.format(lab[2])}`;
      } catch { /* the next move asks again */ }
    }, 80);
  };
  const onMove = (what, at) => {
    if (what === "over") { readOut(at); return; }
    if (what === "press" && map.tool === "point") readOut(at);
    if (what === "pick" || (what === "press" && map.tool === "point")) {
      const cell = map.cell(at);
      if (cell) select(map.piece(cell[0] * map.about.columns + cell[1]), false, true);
    }
    tools.hear(what, at);
  };
  const slider = (name, layer) => {
    const input = make("input", { type: "range", min: 0, max: 1, step: 0.1, value: map.layers[layer] });
    let due = 0;
    input.oninput = () => {
      map.layers[layer] = Number(input.value);
      cancelAnimationFrame(due);
      due = requestAnimationFrame(() => map.compose());
    };
    return make("label", {}, name, input);
  };
  const setTools = () => {
    tools = new HandTools(map, (points) => { section.hidden = !points; if (points) drawSection(cut, map, points); });
    const button = (text, name, act) => make("button", { type: "button", ariaLabel: name, onclick: act }, text);
    bar.replaceChildren(button("+", "Zoom in", () => map.zoom(1.4)), button("−", "Zoom out", () => map.zoom(1 / 1.4)), button("All", "Show all", () => map.fit()), ...tools.buttons, tools.told);
    setLayers();
  };
  const setLayers = () => {
    layers.replaceChildren(slider("Shading", "shade"));
    if (map.colour) layers.append(slider("Colour", "colour"));
    if (map.marks && scan.colour) layers.append(slider("Classes", "classes"));
    layers.append(slider("Unseen", "marks"), legend());
  };
  // What the colours of heights stand for.
  const legend = () => {
    const strip = make("canvas", { width: opened.height_colours.length, height: 1, role: "img", ariaLabel: `Colours from 0 to ${d0.format(map.topMm)} mm above the belt` });
    const pen = strip.getContext("2d");
    opened.height_colours.forEach(([r, g, b], at) => { pen.fillStyle = `rgb(${r},${g},${b})`; pen.fillRect(at, 0, 1, 1); });
    return make("span", { className: "legend" }, "0", strip, `${d0.format(map.topMm)} mm`);
  };
  const binary = async (what) => {
    const answer = await ask(`api/scans/${scan.id}/${what}`, stop.signal);
    return [JSON.parse(answer.headers.get("x-cells")), new Uint8Array(await answer.arrayBuffer())];
  };
  // Shows a piece to be turned.
  const turn = async (piece) => {
    solid?.close();
    const canvas = make("canvas", { tabIndex: 0, role: "img", ariaLabel: `Piece ${piece} as a solid. Drag or arrow keys turn it, plus and minus zoom.` });
    const close = make("button", { type: "button", onclick: () => { solid?.close(); solid = null; turned.hidden = true; address(); } }, "Close");
    turned.replaceChildren(make("div", { className: "bar" }, make("span", {}, `Piece ${piece}: drag to turn. Pink: reconstructed.`), close), canvas);
    turned.hidden = false;
    try {
      const [about, bytes] = await binary(`pieces/${piece}`);
      solid = new Solid(canvas, decodePiece(bytes, about), map.about.pitch_across_mm, map.about.pitch_along_mm);
      document.body.dataset.solid = "ready";
    } catch (error) {
      if (error.name !== "AbortError") turned.replaceChildren(failure(`The piece cannot be shown: ${error.message}`));
    }
    address();
  };
  const fill = () => {
    const here = table.table.pieces.filter((piece) => table.here.includes(piece.piece));
    const body = make("tbody");
    rows = new Map();
    for (const piece of here) {
      const fat = piece.fat_fraction === null ? "–" : withUncertainty(100 * piece.fat_fraction, 100 * piece.fat_u_fraction);
      const pick = make("button", { type: "button", ariaLabel: `Piece ${piece.piece}: show on the map` }, String(piece.piece));
      const round = make("button", { type: "button", ariaLabel: `Piece ${piece.piece}: turn it`, onclick: (event) => { event.stopPropagation(); select(piece.piece, true, false); turn(piece.piece); } }, "turn");
      const flags = Array.isArray(piece.flags) ? piece.flags.join(" ") : piece.flags ?? "";
      const cells = [withUncertainty(piece.mass_g, piece.mass_u_g), withUncertainty(piece.volume_cm3, piece.volume_u_cm3), fat, withUncertainty(piece.length_mm, piece.length_u_mm), flags];
      const row = make("tr", {}, make("td", {}, pick, round), ...cells.map((text) => make("td", {}, text)));
      row.dataset.piece = piece.piece;
      row.onclick = () => select(piece.piece, true, false);
      rows.set(piece.piece, row);
      body.append(row);
    }
    const head = ["Piece", "Mass, g", "Volume, cm³", "Fat, %", "Length, mm", "Flags"].map((text) => make("th", { scope: "col" }, text));
    const legend = table.classes.map((name, at) => { const dot = make("span", { ariaHidden: "true" }, "■ "); dot.style.color = `rgb(${CLASS_COLOURS[at % CLASS_COLOURS.length]})`; return make("span", {}, dot, `${name}  `); });
    pieces.replaceChildren(make("table", {}, make("thead", {}, make("tr", {}, ...head)), body));
    if (!here.length) pieces.append(state("No piece was found in this scan."));
    pieces.append(make("p", { className: "state" }, `Profile: ${table.product}. `, ...(scan.colour ? legend : []), "Pink: reconstructed. Grey stripes: not seen."),
      make("p", { className: "bar" }, make("a", { href: `#/tune/${scan.id}` }, "Tune the profile on this scan")));
  };
  // A part that fails leaves what is there standing, and says which part it was.
  const part = async (what, get) => {
    try { await get(); } catch (error) {
      if (error.name === "AbortError") throw error;
      pieces.append(failure(`${what} cannot be shown: ${error.message}`));
    }
  };
  const measured = async () => {
    try {
      table = await (await ask(`api/scans/${scan.id}/pieces`, stop.signal)).json();
    } catch (error) {
      if (error.name === "AbortError") throw error;
      pieces.replaceChildren(failure(`The pieces are not measured: ${error.message}`), make("p", { className: "state" }, "Heights need no profile and are shown."));
      return;
    }
    firstRow = table.first_row ?? 0;
    fill();
    await part("Outlines, classes and what is reconstructed", async () => {
      // Until now the belt was that of this frame alone; from here on it is what the pieces were measured on.
      const [about, bytes] = await binary("heights/measured");
      map.reset(about, about.onto_known ? decodeOnto(map.codes, bytes) : decodeHeights(bytes, about));
      map.marks = (await binary("marks"))[1];
      const [{ count }, heights] = await binary("rebuilt");
      const numbers = new DataView(heights.buffer);
      map.rebuilt = new Map(Array.from({ length: count }, (_, at) => [numbers.getUint32(8 * at, true), numbers.getFloat32(8 * at + 4, true)]));
      map.compose();
      setLayers();
    });
    const wanted = Number(words.get("piece"));
    if (wanted) { select(wanted, true, true); if (words.get("turn")) await turn(wanted); }
    document.body.dataset.pieces = "ready";
    if (scan.colour) await part("Colour", async () => {
      const picture = await createImageBitmap(await (await ask(`api/scans/${scan.id}/colour`, stop.signal)).blob());
      const sheet = make("canvas", { width: picture.width, height: picture.height }), pen = sheet.getContext("2d");
      pen.drawImage(picture, 0, 0);
      map.colour = pen.getImageData(0, 0, picture.width, picture.height).data;
      setLayers();
      document.body.dataset.colour = "ready";
    });
  };
  (async () => {
    const [about, bytes] = await binary("heights");
    map = new FrameMap(box, about, decodeHeights(bytes, about), opened.height_colours, onMove);
    setTools();
    document.body.dataset.heights = "ready";
    pieces.replaceChildren(state("Measuring the pieces …"));
    await measured();
  })().catch((error) => { if (error.name !== "AbortError") box.replaceChildren(failure(`The heights cannot be shown: ${error.message}`)); });
  return () => { stop.abort(); clearTimeout(waiting); solid?.close(); map?.close(); };
}
