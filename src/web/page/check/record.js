// Writing a check down: who and what to know, then the log's entry and the record to print and sign.
import { failure, make, send, state } from "../kit.js";

export function recordForm(told, opened, asked, signal) {
  const { report } = told;
  let seen = told.log.seen;
  const operator = make("input", { type: "text", autocomplete: "name", maxLength: 200, required: true });
  const note = make("textarea", { rows: 2, maxLength: 4000 });
  const again = told.log.same_scan.length
    ? [make("p", { className: "caution" }, `This scan is in the log already (entry ${told.log.same_scan.join(", ")}). Written again, its newest entry counts.`)] : [];
  const write = make("button", { type: "submit", className: "main" }, "Write the record");
  const answers = make("div", {});
  const form = make("form", { className: "record" },
    make("h2", {}, "Record"),
    make("p", { className: "facts" }, `Adds entry ${told.log.entries + 1} to the log of ${report.scanner} below ${opened.places.save_to}, and makes a record to print and sign.`),
    ...again,
    make("p", { className: "field" }, make("label", {}, make("span", {}, "Checked by"), operator)),
    make("p", { className: "field" }, make("label", {}, make("span", {}, "Note"), note)),
    write, answers);
  form.onsubmit = async (event) => {
    event.preventDefault();
    write.disabled = true;
    answers.replaceChildren(state("Writing …"));
    try {
      const kept = await (await send("api/check/record", { key: told.key, operator: operator.value, note: note.value, seen }, signal)).json();
      answers.replaceChildren(
        make("p", { className: "state", role: "status" }, `Entry ${kept.sequence} is in ${kept.log}, the record in ${kept.file}.`),
        ...kept.warnings.map(failure),
        make("p", { className: "bar" },
          make("a", { className: "button", href: `api/check/records/${encodeURIComponent(kept.record)}`, target: "_blank", rel: "noopener" }, "Open the record to print and sign"),
          make("a", { className: "button", href: `#/check/history/${encodeURIComponent(report.scanner)}` }, "History of the scanner")));
    } catch (error) {
      write.disabled = false;
      if (signal.aborted) return;
      if (error.status !== 409) { answers.replaceChildren(failure(`Nothing was written: ${error.message}`)); return; }
      // Somebody else wrote meanwhile, or the program was started anew: the check itself is made again and knows the newest entry.
      const look = make("a", { className: "button", href: `#/check/history/${encodeURIComponent(report.scanner)}` }, "Look at the history");
      const go = make("button", { type: "button" }, "Take it in, and keep my words");
      go.onclick = async () => {
        try {
          const fresh = await (await send("api/check/run", asked, signal)).json();
          Object.assign(told, fresh);
          seen = fresh.log.seen;
          answers.replaceChildren(state(`Now behind entry ${fresh.log.entries}. Write the record when you are ready.`));
          write.focus();
        } catch (problem) { answers.replaceChildren(failure(problem.message)); }
      };
      answers.replaceChildren(failure(`Nothing was written: ${error.message}`), make("p", { className: "bar" }, look, go));
    }
  };
  return form;
}
