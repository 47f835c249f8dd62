// Fields of the form: each is tied to a value of the profile by its path, and shows what is wrong with it beside itself.
import { make } from "../kit.js";
import { at, keyOf, put } from "./state.js";

let numbers = 0;
const round = (value) => Number(value.toPrecision(12));

// The fields of a panel; `edit(profile, what)` takes a changed profile, `now()` gives the present one.
export class Fields {
  constructor(now, edit) { Object.assign(this, { now, edit, all: [] }); }
  clear() { this.all = []; }
  add(path, input, read, show) {
    const id = `tune-field-${++numbers}`, key = keyOf(path);
    const wrong = make("small", { className: "wrong", id: `${id}-wrong`, role: "alert" });
    input.id = id;
    input.setAttribute("aria-describedby", wrong.id);
    const field = { path, key, input, wrong, group: [input], show };
    const change = () => {
      const [value, words] = read();
      for (const one of this.all.filter((one) => one.wrong === field.wrong)) this.mark(one, words ?? "");
      if (words) return;
      this.edit(put(this.now(), path, value), key);
    };
    input.oninput = change;
    input.onblur = () => { if (!wrong.textContent) show(); };
    this.all.push(field);
    show();
    return field;
  }
  mark({ input, wrong }, words) { wrong.textContent = words; input.setAttribute("aria-invalid", String(Boolean(words))); }
  // The values of the profile, and no words of what was wrong; what is being typed stays.
  refresh(all) { for (const field of this.all) if (all || !field.group.includes(document.activeElement)) { field.show(); this.mark(field, ""); } }
  // Shows beside its field what the program found wrong; whether there is such a field.
  blame(key, words) {
    const found = this.all.find((field) => field.key === key) ?? this.all.find((field) => field.key.startsWith(`${key}.`) || field.key.startsWith(`${key}[`));
    if (found) this.mark(found, words);
    return Boolean(found);
  }
  // A number with its unit; `per` is what one of the shown unit is in the profile's; empty where `optional`.
  number(label, unit, path, { step = "any", min, per = 1, optional = false, hint = "" } = {}) {
    const input = make("input", { type: "number", step, inputMode: "decimal" });
    if (min !== undefined) input.min = min;
    const read = () => {
      if (input.validity.badInput) return [0, "not a number"];
      if (input.value === "") return optional ? [undefined] : [0, "a number is needed"];
      return [round(Number(input.value) * per)];
    };
    const show = () => { const value = at(this.now(), path); input.value = value === undefined || value === null ? "" : String(round(value / per)); };
    return this.labelled(label, unit, this.add(path, input, read, show), hint);
  }
  labelled(label, unit, field, hint) {
    const head = make("label", { htmlFor: field.input.id }, label);
    if (unit) head.append(make("span", { className: "unit" }, ` ${unit}`));
    return make("div", { className: "entry" }, head, field.input, ...(hint ? [make("small", {}, hint)] : []), field.wrong);
  }
  check(label, path, hint) {
    const input = make("input", { type: "checkbox" });
    const field = this.add(path, input, () => [input.checked], () => { input.checked = Boolean(at(this.now(), path)); });
    return make("div", { className: "entry tick" }, make("label", {}, input, label), ...(hint ? [make("small", {}, hint)] : []), field.wrong);
  }
  choice(label, path, options, hint) {
    const input = make("select", {}, ...options.map(([value, text]) => new Option(text, value)));
    const field = this.add(path, input, () => [input.value], () => { input.value = at(this.now(), path) ?? options[0][0]; });
    return this.labelled(label, "", field, hint);
  }
  // From and to of one limit; both empty where `optional`: no limit.
  range(label, unit, path, { per = 1, optional = false, step = "any" } = {}) {
    const inputs = ["from", "to"].map((end) => make("input", { type: "number", step, inputMode: "decimal", ariaLabel: `${label}${unit ? `, ${unit}` : ""}: ${end}` }));
    const read = () => {
      if (inputs.some((input) => input.validity.badInput)) return [0, "not a number"];
      const empty = inputs.filter((input) => input.value === "").length;
      if (empty === 2 && optional) return [undefined];
      if (empty) return [0, optional ? "both ends, or neither for no limit" : "both ends are needed"];
      const [low, high] = inputs.map((input) => round(Number(input.value) * per));
      return low > high ? [0, "from must not be above to"] : [[low, high]];
    };
    const fields = inputs.map((input, end) => {
      const show = () => { const value = at(this.now(), path)?.[end]; input.value = value === undefined ? "" : String(round(value / per)); };
      return this.add(path, input, read, show);
    });
    // What is wrong is wrong with both: it stands once, and goes from both.
    fields[1].wrong = fields[0].wrong;
    for (const field of fields) field.group = inputs;
    inputs[1].setAttribute("aria-describedby", fields[0].wrong.id);
    for (const input of inputs) input.onblur = () => { if (!fields[0].wrong.textContent && !inputs.includes(document.activeElement)) fields.forEach((field) => field.show()); };
    return make("div", { className: "entry range" }, make("span", { className: "name" }, label, make("span", { className: "unit" }, unit ? ` ${unit}` : "")), inputs[0], make("span", {}, "to"), inputs[1], fields[0].wrong);
  }
}
