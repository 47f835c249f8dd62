// What every view uses: elements, questions to the program, numbers as the user writes them.

// Makes an element with properties and children.
export function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key in element) element[key] = value; else element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

// A refusal in the server's words, with its status and whatever else it told.
export class Refusal extends Error {
  constructor(status, words, told) {
    super(words);
    Object.assign(this, { status, told });
  }
}

async function answered(answer) {
  if (answer.ok) return answer;
  const text = await answer.text();
  let words = text, told = null;
  try { told = JSON.parse(text); words = told.error; } catch { /* the guard answers in plain words */ }
  throw new Refusal(answer.status, words, told);
}

// Asks the server; a refusal becomes an error with the server's words.
export const ask = async (path, signal) => answered(await fetch(path, { signal }));

// Has the server change or work something out: the body is JSON, or a Blob as it is.
export async function send(path, body, signal, method = "POST") {
  const headers = { "x-weighlight": "1" };
  const plain = body === undefined || body instanceof Blob;
  if (!plain) headers["content-type"] = "application/json";
  return answered(await fetch(path, { method, headers, body: plain ? body : JSON.stringify(body), signal }));
}

export const failure = (text) => make("p", { className: "error", role: "alert" }, text);
export const state = (text) => make("p", { className: "state", role: "status" }, text);

// Numbers and dates in the user's own style.
export const digits = (count) => new Intl.NumberFormat(undefined, { minimumFractionDigits: count, maximumFractionDigits: count, signDisplay: "negative" });
export const dates = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });

// A value with its standard uncertainty: two digits of the uncertainty, the value to the same place.
export function withUncertainty(value, u) {
  if (value === null || value === undefined) return "–";
  if (!(u > 0)) return digits(1).format(value);
  const places = Math.max(0, 1 - Math.floor(Math.log10(u)));
  const form = digits(Math.min(places, 6));
  return `${form.format(value)} ± ${form.format(u)}`;
}
