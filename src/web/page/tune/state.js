// The state of tuning: profile and painted strokes, with a history to go back and forth in, and their place in the address.

// A value by its path, such as ["class", 0, "lab", "l"].
export const at = (profile, path) => path.reduce((value, step) => value?.[step], profile);

// The same profile with another value at a path; `undefined` takes it out.
export function put(profile, path, value) {
  const [step, ...rest] = path;
  const copy = Array.isArray(profile) ? [...profile] : { ...profile };
  const inner = rest.length ? put(copy[step] ?? {}, rest, value) : value;
  if (inner === undefined && !Array.isArray(copy)) delete copy[step]; else copy[step] = inner;
  return copy;
}

// A path as the program names it: class[0].lab.l
export const keyOf = (path) => path.map((step, i) => (typeof step === "number" ? `[${step}]` : (i ? "." : "") + step)).join("");

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
const isTable = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

// What differs, as [path, value]; lists other than equally long ones of tables are taken whole.
export function difference(before, after, path = []) {
  if (same(before, after)) return [];
  const tables = (list) => Array.isArray(list) && list.every(isTable);
  if (isTable(before) && isTable(after)) {
    const keys = new Set([...Object.keys(before), ...Object.keys(after)]);
    return [...keys].flatMap((key) => difference(before[key], after[key], [...path, key]));
  }
  if (tables(before) && tables(after) && before.length === after.length) return before.flatMap((one, i) => difference(one, after[i], [...path, i]));
  return [[path, after ?? null]];
}

export const withDifference = (profile, changes) => changes.reduce((now, [path, value]) => put(now, path, value ?? undefined), profile);

// Steps that can be undone. Changes of one thing that follow each other closely are one step.
export class Steps {
  constructor(first) { this.steps = [first]; this.at = 0; this.what = null; this.when = 0; }
  get now() { return this.steps[this.at]; }
  get first() { return this.steps[0]; }
  set(change, what) {
    const step = { ...this.now, ...change };
    if (same(step, this.now)) return false;
    const together = what && what === this.what && this.at > 0 && performance.now() - this.when < 1000;
    this.steps.length = this.at + (together ? 0 : 1);
    this.steps.push(step);
    this.at = this.steps.length - 1;
    this.what = what; this.when = performance.now();
    return true;
  }
  go(by) {
    const to = this.at + by;
    if (to < 0 || to >= this.steps.length) return false;
    this.at = to; this.what = null;
    return true;
  }
}

// The address of a state, so that it can be opened again.
export function address(scan, from, base, profile, more) {
  const words = new URLSearchParams(more);
  if (from) words.set("from", from);
  const changes = difference(base, profile);
  if (changes.length) words.set("set", JSON.stringify(changes));
  const text = words.toString();
  return `#/tune/${scan}${text ? `?${text}` : ""}`;
}

export function fromAddress(base, words) {
  try {
    const changes = JSON.parse(words.get("set") ?? "[]");
    return Array.isArray(changes) ? withDifference(base, changes) : base;
  } catch { return base; }
}
