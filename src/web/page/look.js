// One scan: its map, what the pointer is on, a cut, and the piece table beside it.
import { ask, digits, failure, make, withUncertainty } from "./kit.js";
import { CLASS_COLOURS, FrameMap, decodeHeights } from "./map.js";
import { drawSection } from "./section.js";

const [d0, d1] = [digits(0), digits(1)];

export function look(view, scan, opened, words) {
  const stop = new AbortController();
  let map = null, table = null, rows = new Map(), firstRow = 0, waiting = 0;
  const box = make("div", { className: "map" }, make("p", { className: "state", role: "status" }, "Reading heights …"));
  const read = make("div", { className: "read" }, "Point at the map to read it.");
  const cut = make("canvas", { role: "img", ariaLabel: "Cut through the surface along the drawn line" });
  const section = make("div", { className: "section", hidden: true }, cut);
  const bar = make("div", { className: "bar" });
  const side = make("div", { className: "side", tabIndex: 0, role: "region", ariaLabel: "Pieces" }, make("p", { className: "state", role: "status" }, "Waiting for the heights …"));
  view.replaceChildren(make("div", { className: "look" }, make("div", { className: "stage" }, bar, box, read, section), side));

  const select = (piece, centre, scroll) => {
    for (const [id, row] of rows) { row.classList.toggle("on", id === piece); row.ariaSelected = String(id === piece); }
    if (scroll) rows.get(piece)?.scrollIntoView({ block: "nearest" });
    map?.select(piece, centre);
    history.replaceState(null, "", `#/look/${scan.id}${piece ? `?piece=${piece}` : ""}`);
  };
  const readOut = (at) => {
    const cell = map.cell(at);
    if (!cell) return;
    const [row, column] = cell, index = row * map.about.columns + column;
    const z = map.heightAt(row, column), kind = map.marks?.[2 * map.codes.length + index];
    const filled = map.marks?.[3 * map.codes.length + index] === 1;
    const parts = [`x ${d1.format(at[0])} mm`, `y ${d1.format(at[1] + firstRow * map.about.pitch_along_mm)} mm`,
      Number.isNaN(z) ? `not seen${filled ? ", reconstructed" : ""}` : `height ${digits(2).format(z)} mm${map.about.noise_mm ? ` (noise ${digits(2).format(map.about.noise_mm)})` : ""}`];
    if (map.piece(index)) parts.push(`piece ${map.piece(index)}`);
    if (kind !== undefined && kind !== 255) parts.push(table.classes[kind]);
    read.textContent = parts.join(" · ");
    clearTimeout(waiting);
    if (map.colour) waiting = setTimeout(async () => {
      try {
        const { lab } = await (await ask(`api/scans/${scan.id}/point?row=${row}&column=${column}`, stop.signal)).json();
        if (lab) read.textContent = `${parts.join(" · ")} · L* ${d0.format(lab[0])} a* ${d0.format(lab[1])} b* ${d0.format(lab[2])}`;
      } catch { /* the next move asks again */ }
    }, 80);
  };
  const onMove = (what, at) => {
    if (what === "line") { section.hidden = false; drawSection(cut, map, map.line); }
    if (what === "pick") {
      const cell = map.cell(at);
      if (cell) select(map.piece(cell[0] * map.about.columns + cell[1]), false, true);
    }
    if (what !== "line") readOut(at);
  };
  const slider = (name, layer) => {
    const input = make("input", { type: "range", min: 0, max: 1, step: 0.1, value: map.layers[layer] });
    input.onchange = () => { map.layers[layer] = Number(input.value); map.compose(); };
    return make("label", {}, name, input);
  };
  const tools = () => {
    const line = make("button", { type: "button", ariaPressed: "false" }, "Cut");
    line.onclick = () => { map.tool = map.tool === "line" ? "move" : "line"; line.ariaPressed = String(map.tool === "line"); };
    const button = (text, name, act) => make("button", { type: "button", ariaLabel: name, onclick: act }, text);
    bar.replaceChildren(button("+", "Zoom in", () => map.zoom(1.4)), button("−", "Zoom out", () => map.zoom(1 / 1.4)), button("All", "Show all", () => map.fit()), line,
      slider("Shading", "shade"));
    if (map.colour) bar.append(slider("Colour", "colour"));
    if (map.marks && scan.colour) bar.append(slider("Classes", "classes"));
    bar.append(slider("Unseen", "marks"));
  };
  const binary = async (what) => {
    const answer = await ask(`api/scans/${scan.id}/${what}`, stop.signal);
    return [JSON.parse(answer.headers.get("x-cells")), new Uint8Array(await answer.arrayBuffer())];
  };
  const fill = () => {
    const pieces = table.table.pieces.filter((piece) => table.here.includes(piece.piece));
    const head = ["Piece", "Mass, g", "Volume, cm³", "Fat, %", "Length, mm", "Flags"];
    const body = make("tbody");
    rows = new Map();
    for (const piece of pieces) {
      const fat = piece.fat_fraction === null ? "–" : withUncertainty(100 * piece.fat_fraction, 100 * piece.fat_u_fraction);
      const pick = make("button", { type: "button" }, String(piece.piece));
      const flags = Array.isArray(piece.flags) ? piece.flags.join(" ") : piece.flags ?? "";
      const row = make("tr", {}, make("td", {}, pick),
        ...[withUncertainty(piece.mass_g, piece.mass_u_g), withUncertainty(piece.volume_cm3, piece.volume_u_cm3), fat, withUncertainty(piece.length_mm, piece.length_u_mm), flags].map((text) => make("td", {}, text)));
      row.dataset.piece = piece.piece;
      row.onclick = () => select(piece.piece, true, false);
      rows.set(piece.piece, row);
      body.append(row);
    }
    side.replaceChildren(make("table", {}, make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col" }, text)))), body));
    if (!pieces.length) side.append(make("p", { className: "state" }, "No piece was found in this scan."));
    const legend = table.classes.map((name, at) => { const dot = make("span", {}, "■ "); dot.style.color = `rgb(${CLASS_COLOURS[at % CLASS_COLOURS.length]})`; return make("span", {}, dot, `${name}  `); });
    side.append(make("p", { className: "state" }, `Profile: ${table.product}. `, ...(scan.colour ? legend : []), "Pink: reconstructed. Grey stripes: not seen."));
  };
  (async () => {
    const [about, bytes] = await binary("heights");
    map = new FrameMap(box, about, decodeHeights(bytes, about), opened.height_colours, onMove);
    tools();
    document.body.dataset.heights = "ready";
    side.replaceChildren(make("p", { className: "state", role: "status" }, "Measuring the pieces …"));
    try {
      table = await (await ask(`api/scans/${scan.id}/pieces`, stop.signal)).json();
      firstRow = table.first_row ?? 0;
      map.marks = (await binary("marks"))[1];
      fill();
      map.compose();
      tools();
      const wanted = Number(words.get("piece"));
      if (wanted) select(wanted, true, true);
      document.body.dataset.pieces = "ready";
      if (scan.colour) {
        const picture = await createImageBitmap(await (await ask(`api/scans/${scan.id}/colour`, stop.signal)).blob());
        const sheet = make("canvas", { width: picture.width, height: picture.height }), pen = sheet.getContext("2d");
        pen.drawImage(picture, 0, 0);
        map.colour = pen.getImageData(0, 0, picture.width, picture.height).data;
        tools();
      }
    } catch (error) {
      if (error.name !== "AbortError") side.replaceChildren(failure(`The pieces are not measured: ${error.message}`), make("p", { className: "state" }, "Heights need no profile and are shown."));
    }
  })().catch((error) => { if (error.name !== "AbortError") box.replaceChildren(failure(`The heights cannot be shown: ${error.message}`)); });
  return () => { stop.abort(); clearTimeout(waiting); map?.close(); };
}
