// How a run was made, and what is not in it.
import { ask, make, state } from "../kit.js";
import { copyable, count, table, when } from "./kit.js";

export async function showRejected(box, { run, signal }) {
  const { rejected } = await (await ask(`api/runs/one/${encodeURIComponent(run.id)}/rejected`, signal)).json();
  if (!rejected.length) { box.append(state("Every input was measured.")); return; }
  box.append(state(`${count(rejected.length, "input")} could not be used. Mend them and go on with the run: they are then measured.`),
    table("Rejected inputs", ["Input", "Recording", "Reason"], rejected.map((row) => [row.input, row.recording || "not known", row.reason]), [0, 1, 2]));
}

export function showMade(box, { run }) {
  const list = make("dl", {});
  const fact = (what, text) => { if (text) list.append(make("dt", {}, what), make("dd", {}, text)); };
  fact("Folder", run.path);
  fact("Started", when(run.started));
  fact("Ended", run.ended ? when(run.ended) : "cut short, or still being written");
  fact("Program version", run.program);
  fact("Scans from", run.archives?.join(", "));
  if (run.shard && run.shard !== "1/1") fact("Part", run.shard);
  box.append(list);
  const files = (caption, rows, from) => table(caption, from ? ["Scanner", "Holds from", "File", "BLAKE3"] : ["Product", "File", "BLAKE3"],
    rows.map((it) => [it.name, ...(from ? [when(it.valid_from)] : []), it.file, make("code", {}, it.blake3.slice(0, 16))]), [0, 1, 2, 3]);
  if (run.products?.length) box.append(files("Product profiles", run.products, false));
  if (run.calibrations?.length) box.append(files("Calibrations", run.calibrations, true));
  else if (run.calibrations) box.append(state("No calibrations: scanners were taken as true."));
  if (run.open_with) box.append(make("p", {}, "Its scans are still there. To look at them together with the run:"), copyable(run.open_with));
}
