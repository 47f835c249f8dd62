// Files that the user drops or chooses, and how they are sent: one body, a line of JSON with names and sizes first.
import { make } from "./kit.js";

// Several files as one body.
export function bundle(files) {
  const list = files.map((file) => ({ name: file.name, size: file.size }));
  return new Blob([`${JSON.stringify(list)}\n`, ...files]);
}

// The files of a drop, those of dropped folders as well (one level deep: a scan is one folder).
async function dropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.some((entry) => entry.isDirectory)) return [...transfer.files];
  const read = (call) => new Promise((done, failed) => call(done, failed));
  const files = [];
  for (const entry of entries) {
    if (!entry.isDirectory) { files.push(await read((done, failed) => entry.file(done, failed))); continue; }
    const reader = entry.createReader();
    for (let some = await read((done, failed) => reader.readEntries(done, failed)); some.length; some = await read((done, failed) => reader.readEntries(done, failed))) {
      for (const one of some) if (one.isFile) files.push(await read((done, failed) => one.file(done, failed)));
    }
  }
  return files;
}

// A field that takes files by choosing or dropping; `take` gets a list of them. `options`: multiple, folder, accept.
export function fileField(label, take, options = {}) {
  const input = make("input", { type: "file", multiple: Boolean(options.multiple), accept: options.accept ?? "" });
  const box = make("label", { className: "drop" }, make("span", {}, label), input);
  const hand = (files) => { if (files.length) take(files); };
  input.onchange = () => { hand([...input.files]); input.value = ""; };
  box.ondragover = (event) => { event.preventDefault(); box.dataset.over = "1"; };
  box.ondragleave = () => delete box.dataset.over;
  box.ondrop = async (event) => { event.preventDefault(); delete box.dataset.over; hand(await dropped(event.dataTransfer)); };
  return box;
}
