// The frame of the page: asks once what was opened, and shows the view that the address names.
import { ask, failure, make } from "./kit.js";
import { agree } from "./agree/agree.js";
import { check } from "./check/check.js";
import { list } from "./look/list.js";
import { look } from "./look/look.js";
import { runs } from "./runs/runs.js";
import { tune } from "./tune/tune.js";

// The jobs, in the order of the bar. Each view fills `view`, and returns what to do on leaving (or nothing).
// show(view, opened, words, rest): words are the address's query, rest is what follows the job's name in its path.
const JOBS = [
  { path: "scans", name: "Scans", show: list },
  { path: "tune", name: "Tune", show: tune },
  { path: "check", name: "Check", show: check },
  { path: "agree", name: "Agree", show: agree },
  { path: "runs", name: "Runs", show: runs },
];

const view = document.getElementById("view");
const where = document.getElementById("where");
const jobs = document.getElementById("jobs");
let opened = null;
let leave = null;

function named(title, job) {
  where.textContent = title === job ? "" : title;
  document.title = `${title} – weighlight`;
  for (const link of jobs.children) {
    if (link.textContent === job) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
  }
}

function show() {
  leave?.();
  leave = null;
  for (const mark of Object.keys(document.body.dataset)) delete document.body.dataset[mark];
  const [path, query] = location.hash.slice(1).split("?");
  const words = new URLSearchParams(query);
  const [first, ...rest] = path.split("/").filter(Boolean);
  if (first === "look") {
    const scan = opened.scans[Number(rest[0])];
    named(scan?.name ?? "Unknown scan", "Scans");
    if (scan) leave = look(view, scan, opened, words);
    else view.replaceChildren(failure("This scan is not among those opened."));
  } else {
    const job = JOBS.find((one) => one.path === (first ?? "scans"));
    named(job?.name ?? "Unknown page", job?.name);
    if (job) leave = job.show(view, opened, words, rest);
    else view.replaceChildren(failure("There is no such page."));
  }
}

try {
  opened = await (await ask("api/scans")).json();
  jobs.replaceChildren(...JOBS.map((job) => make("a", { href: `#/${job.path}` }, job.name)));
  window.addEventListener("hashchange", () => { show(); view.focus({ preventScroll: true }); });
  show();
} catch (error) {
  view.replaceChildren(failure(`The program does not answer: ${error.message}. Is it still running?`));
}
