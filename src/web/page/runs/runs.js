// Runs: whole archives measured, summed up and compared.
import { ask, failure, make, state } from "../kit.js";
import { compareRuns } from "./compare.js";
import { listRuns } from "./list.js";
import { showPieces } from "./pieces.js";
import { showMade, showRejected } from "./made.js";
import { showSummary } from "./summary.js";
import { address } from "./kit.js";

const PARTS = [
  { path: "", name: "Summary", show: showSummary },
  { path: "pieces", name: "Pieces", show: showPieces },
  { path: "rejected", name: "Rejected", show: showRejected },
  { path: "made", name: "Made with", show: showMade },
];

export function runs(main, opened, words, rest) {
  const stop = new AbortController();
  const view = make("div", { className: "runs-job" });
  main.replaceChildren(view);
  view.replaceChildren(state("Reading the runs …"));
  const [first, part = ""] = rest.map(decodeURIComponent);
  (async () => {
    if (!first) return listRuns(view, opened, stop.signal);
    const told = await (await ask("api/runs", stop.signal)).json();
    if (first === "compare") return compareRuns(view, opened, told, words, stop.signal);
    const run = told.runs.find((one) => one.id === first);
    if (!run) return view.replaceChildren(failure("This run is neither among those opened nor among those saved."), back());
    const chosen = PARTS.find((one) => one.path === part) ?? PARTS[0];
    const bar = make("nav", { className: "parts", ariaLabel: `Run ${run.name}` }, ...PARTS.map((one) => {
      const link = make("a", { href: address(run.id, one.path) }, one.path === "rejected" && run.rejected ? `Rejected (${run.rejected})` : one.name);
      if (one === chosen) link.setAttribute("aria-current", "page");
      return link;
    }));
    const box = make("div", { className: "run" });
    const compare = make("a", { href: `#/runs/compare?${new URLSearchParams({ after: run.id })}`, className: "button" }, "Compare");
    const tools = make("div", { className: "tools" }, ...(run.state === "finished" ? [compare] : []), back());
    view.replaceChildren(make("div", { className: "head" }, make("h2", {}, run.name), bar, tools), box);
    if (run.state === "damaged") box.append(failure(run.error));
    else if (run.state !== "finished" && chosen.path !== "made") box.append(state(run.state === "writing" ? "This run is being written. It can be read when it has ended." : "This run was stopped before its end. Go on with it from the list of runs, then it can be read."));
    else await chosen.show(box, { run, opened, words, tools, signal: stop.signal });
    document.body.dataset.run = "ready";
  })().catch((error) => { if (error.name !== "AbortError") view.append(failure(error.message)); });
  return () => stop.abort();
}

const back = () => make("a", { href: "#/runs", className: "button" }, "All runs");
