// The list of runs, a new one begun, and how far it is.
import { ask, failure, make, send, state } from "../kit.js";
import { address, count, fixed, span, when, whole } from "./kit.js";

const STATES = { finished: "Finished", stopped: "Stopped, can be resumed", writing: "Being written", damaged: "Damaged" };
const EVERY_MS = 1000;
// Runs that other programs write are looked at less often.
const OTHERS_EVERY_MS = 5000;

export async function listRuns(view, opened, signal) {
  const list = make("section", { className: "runs-list", ariaLabel: "Runs" });
  const side = make("section", { className: "runs-new", ariaLabel: "Measure" });
  const progress = make("div");
  const form = make("div");
  side.append(progress, form);
  let told = await (await ask("api/runs", signal)).json();
  view.replaceChildren(make("div", { className: "runs" }, list, side));
  let chosen = [];
  const begin = async (name, threads, resume) => {
    await send("api/runs/start", { name, threads, resume }, signal);
    told.job = { over: false };
    for (const run of told.runs) if (run.saved && run.name === name) run.state = "writing";
    showList();
    showForm(form, told, opened, begin);
    await follow();
  };
  const showList = () => {
    list.replaceChildren(make("h2", {}, "Runs"));
    if (!told.runs.length) {
      list.append(state("No run yet. A run measures all scans that are open into one folder of tables; it is then summed up and compared here."));
      return;
    }
    const compare = make("a", { className: "button", role: "link" }, "Compare two");
    const mark = () => {
      const two = chosen.length === 2;
      if (two) {
        const of = (id) => made(told.runs.find((run) => run.id === id));
        const [before, after] = [...chosen].sort((a, b) => of(a) - of(b));
        compare.href = `#/runs/compare?${new URLSearchParams({ before, after })}`;
      } else compare.removeAttribute("href");
      compare.setAttribute("aria-disabled", String(!two));
    };
    const made = (run) => Date.parse(run.started) || 0;
    const rows = [...told.runs].sort((a, b) => made(b) - made(a)).map((run) => line(run, told, chosen, mark, begin, list));
    list.append(...rows, make("div", { className: "bar" }, compare, make("span", {}, "Tick two finished runs to see what changed.")));
    mark();
  };
  const refresh = async () => {
    told = await (await ask("api/runs", signal)).json();
    const there = told.runs.map((run) => run.id);
    chosen = chosen.filter((id) => there.includes(id));
    showList();
    showForm(form, told, opened, begin);
  };
  // Asks how far the run is until it has ended. What was said last stays.
  let following = false;
  const follow = async () => {
    if (following) return;
    following = true;
    try {
      for (;;) {
        const job = await (await ask("api/runs/job", signal)).json();
        showJob(progress, job, signal);
        document.body.dataset.job = job?.phase ?? "none";
        if (!job || job.over) break;
        await new Promise((done) => setTimeout(done, EVERY_MS));
      }
    } finally { following = false; }
    await refresh();
  };
  showList();
  showForm(form, told, opened, begin);
  if (told.job?.over) showJob(progress, told.job, signal);
  document.body.dataset.run = "ready";
  if (told.job && !told.job.over) await follow();
  for (;;) {
    await new Promise((done) => setTimeout(done, OTHERS_EVERY_MS));
    if (signal.aborted) return;
    if (!following && told.runs.some((run) => run.state === "writing")) await refresh();
  }
}

function line(run, told, chosen, mark, begin, list) {
  const tick = make("input", { type: "checkbox", checked: chosen.includes(run.id), disabled: run.state !== "finished" });
  tick.setAttribute("aria-label", `Compare ${run.name}`);
  tick.onchange = () => {
    if (tick.checked) chosen.push(run.id); else chosen.splice(chosen.indexOf(run.id), 1);
    mark();
  };
  const facts = [];
  if (run.measured !== undefined && run.state !== "damaged") facts.push(run.recordings === null ? `${count(run.measured, "recording")} so far` : `${whole.format(run.measured)} of ${count(run.recordings, "recording")}`);
  if (run.pieces !== null && run.pieces !== undefined) facts.push(count(run.pieces, "piece"));
  if (run.rejected) facts.push(`${whole.format(run.rejected)} rejected`);
  if (run.products?.length) facts.push(names(run.products));
  const about = make("div", { className: "about" },
    make("a", { href: address(run.id), className: "name" }, run.name),
    make("span", { className: `state-${run.state}` }, `${STATES[run.state]} · ${when(run.ended ?? run.started)}`),
    make("small", {}, facts.join(" · ")));
  if (run.error) about.append(make("small", {}, run.error));
  const row = make("div", { className: "line" }, make("label", { className: "tick" }, tick), about);
  const again = run.state === "stopped" || run.state === "finished";
  if (again && run.resume === true && (!told.job || told.job.over)) {
    const button = make("button", { type: "button", ariaLabel: `${run.state === "stopped" ? "Go on with" : "Measure what is new in"} ${run.name}` }, run.state === "stopped" ? "Go on" : "Measure what is new");
    button.onclick = async () => {
      button.disabled = true;
      try { await begin(run.name, told.start.threads, run.version); } catch (error) {
        button.disabled = false;
        if (error.name !== "AbortError") row.after(failure(error.message));
      }
    };
    row.append(button);
  } else if (run.state === "stopped" && typeof run.resume === "string") about.append(make("small", {}, run.resume));
  return row;
}

function names(files) {
  const all = files.map((file) => file.name);
  return all.length > 4 ? `${all.slice(0, 3).join(", ")} and ${all.length - 3} more` : all.join(", ");
}

// A name that is still free: the day, and a number where it is needed.
function freeName(runs) {
  const today = new Date(), two = (value) => String(value).padStart(2, "0");
  const day = `run ${today.getFullYear()}-${two(today.getMonth() + 1)}-${two(today.getDate())}`;
  const taken = new Set(runs.map((run) => run.name));
  for (let number = 1; ; number++) {
    const name = number === 1 ? day : `${day} no ${number}`;
    if (!taken.has(name)) return name;
  }
}

function showForm(box, told, opened, begin) {
  const { start, job } = told;
  // What the user typed and where the focus is outlast a new look.
  const old = box.querySelector("input[type=text]");
  const typed = old && old.value !== old.dataset.offered ? old.value : null;
  const focused = document.activeElement === old;
  box.replaceChildren(make("h2", {}, "Measure what is open"));
  if (!start.can) { box.append(state(start.why_not)); return; }
  const busy = Boolean(job && !job.over);
  const offered = freeName(told.runs);
  const taken = told.runs.some((run) => run.name === typed);
  const name = make("input", { type: "text", value: taken ? offered : typed ?? offered, maxLength: 60, required: true, autocomplete: "off" });
  name.dataset.offered = offered;
  const threads = make("input", { type: "number", min: 1, max: 1024, step: 1, value: start.threads, required: true });
  const go = make("button", { type: "submit", className: "main", disabled: busy }, "Start");
  const wrong = make("div");
  const form = make("form", { className: "fields" }, make("label", {}, "Name", name), make("label", {}, "Threads", threads), go, wrong);
  form.onsubmit = async (event) => {
    event.preventDefault();
    wrong.replaceChildren();
    go.disabled = true;
    try { await begin(name.value, Number(threads.value), undefined); } catch (error) {
      go.disabled = false;
      if (error.name !== "AbortError") wrong.replaceChildren(failure(error.message));
    }
  };
  const list = make("dl", {});
  const fact = (what, text) => list.append(make("dt", {}, what), make("dd", {}, text));
  fact("Scans", `${whole.format(start.scans)} in ${count(start.recordings, "recording")}: ${start.archives.join(", ")}`);
  fact("Profiles", start.product ?? start.products);
  fact("Calibrations", start.calibrations ?? "none: scanners are taken as true");
  fact("Goes to", `${opened.places.save_to}/runs`);
  box.append(form, list);
  if (focused) name.focus();
}

const PHASES = { starting: "Starting", reading: "Reading the scans' descriptions", measuring: "Measuring", stopping: "Stopping: recordings under way are finished first", done: "Finished", stopped: "Stopped", failed: "Could not be done" };

// Made once and then changed, so that what has the focus keeps it.
function showJob(box, job, signal) {
  if (!job) { box.replaceChildren(); return; }
  if (box.dataset.number !== String(job.number)) {
    box.dataset.number = job.number;
    const stop = make("button", { type: "button" }, "Stop");
    stop.onclick = async () => {
      stop.disabled = true;
      try { await send("api/runs/stop", { number: job.number }, signal); } catch (error) { if (error.name !== "AbortError") box.append(failure(error.message)); }
    };
    box.replaceChildren(make("h2", {}, job.name), make("p", { role: "status", className: "phase" }),
      make("progress", { max: 1, ariaLabel: "Scans measured" }), make("p", { className: "facts" }), make("div", { className: "told" }), stop);
  }
  const [phase, bar, facts, told, stop] = [...box.children].slice(1);
  const words = PHASES[job.phase] + (job.over && job.took_s ? ` after ${span(job.took_s)}` : "") + (job.phase === "stopped" ? "; it can be gone on with" : "");
  if (phase.textContent !== words) phase.textContent = words;
  const reading = job.phase === "reading" || job.phase === "starting";
  bar.hidden = job.over;
  bar.max = Math.max(1, job.scans);
  if (reading) bar.removeAttribute("value"); else bar.value = job.scans_done;
  const parts = [];
  if (reading) parts.push(`${whole.format(job.scans_read)} scans read`);
  else {
    parts.push(`${whole.format(job.scans_done)} of ${count(job.scans, "scan")}, ${whole.format(job.recordings_done)} of ${count(job.recordings, "recording")}`);
    if (job.recordings_before) parts.push(`${whole.format(job.recordings_before)} done before`);
    if (!job.over && job.scans_per_s) parts.push(`${fixed(job.scans_per_s, 1)} scans a second`, `about ${span(job.left_s)} left`);
    parts.push(`${whole.format(job.rejected)} rejected${job.over ? "" : " so far"}`);
  }
  facts.textContent = parts.join(" · ");
  told.replaceChildren();
  if (job.error) told.append(failure(job.error));
  if (job.rejected_first.length) told.append(make("details", {}, make("summary", {}, "What was rejected"), make("ul", {}, ...job.rejected_first.map((it) => make("li", {}, `${it.input}: ${it.reason}`)))));
  if (job.phase === "done") told.append(make("a", { href: address(job.id), className: "button main" }, "Open the run"));
  stop.hidden = job.over;
  stop.disabled = job.phase === "stopping";
}
