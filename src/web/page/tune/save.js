// Saving: what differs and what it does to this scan are shown first; the name is a new one.
import { failure, make, send } from "../kit.js";
import { SUMS } from "./result.js";

const AXES = { l: "lightness L*", a: "green to red a*", b: "blue to yellow b*" };
const NAMES = {
  min_height_mm: "least height, mm", min_area_cm2: "least area, cm²", split_touching: "part touching pieces", min_speck_mm2: "least patch, mm²",
  density_kg_m3: "density, kg/m³", temperature_c: "temperature, °C", void_fraction: "pores, share of volume", depth: "reaches", depth_mm: "layer, mm",
  scale: "scale", offset_g: "offset, g", density_u_rel: "uncertainty of density, relative", mass_g: "mass, g", length_mm: "length, mm", width_mm: "width, mm", max_height_mm: "largest height, mm", fat_fraction: "fat share",
};

// class.fat.lab.l in words.
export function inWords(key) {
  const [room, ...rest] = key.split(".");
  const last = rest.at(-1), plain = (name) => NAMES[name] ?? name.replaceAll("_", " ");
  if (key === "class") return "order of classes";
  if (room === "class" && rest[1] === "lab") return `${rest[0]}: ${AXES[rest[2]] ?? "limits"}`;
  if (room === "class") return `${rest[0]}: ${rest[1] === "composition" ? "share of " : ""}${plain(last)}`;
  return last ? `${room}: ${plain(last)}` : plain(room);
}

const value = (text) => (text === null ? "none" : text.replace(/^\[(.*)\]$/, (_, inner) => inner.split(", ").join(" to ")).replace(/(\d)\.0(?!\d)/g, "$1").replaceAll('"', ""));

// asked(): what every request says: scan, profile, what it is based on. before, now: what previews told.
export async function saveDialog({ scan, asked, basedOn, folder, before, now, onSaved }) {
  const told = await (await send(`api/tune/${scan}/changes`, asked)).json();
  const dialog = make("dialog", { className: "saving", ariaLabel: "Save as a new profile" });
  const close = make("button", { type: "button", onclick: () => dialog.close() }, "Cancel");
  const wrong = make("div");
  const rows = told.changes.map((it) => make("tr", {}, make("th", { scope: "row" }, inWords(it.key)), make("td", {}, value(it.before)), make("td", {}, value(it.after))));
  const effect = SUMS.map(([name, show, differ]) => make("tr", {}, make("th", { scope: "row" }, name), make("td", {}, show(before)), make("td", {}, show(now)), make("td", {}, differ(before, now))));
  const name = make("input", { id: "tune-file", value: told.file, autocomplete: "off", spellcheck: false });
  const save = make("button", { type: "submit", className: "go" }, "Save");
  const columns = (...texts) => make("thead", {}, make("tr", {}, make("td", {}), ...texts.map((text) => make("th", { scope: "col" }, text))));
  const form = make("form", { method: "dialog" }, make("h2", {}, "Save as a new profile"));
  if (!rows.length) form.append(make("p", {}, "Nothing differs from the profile it started from."));
  else form.append(make("h3", {}, "What changes"), make("table", {}, columns("Old", "New"), make("tbody", {}, ...rows)));
  form.append(make("h3", {}, "What it does to this scan"), make("table", {}, columns("Started from", "Now", "Change"), make("tbody", {}, ...effect)));
  if (told.drops_fit) form.append(make("p", { className: "notice" }, "The old profile says which weighings it was fitted to. This one weighs otherwise, so that it says so no more: compare it with weighings before you rely on it."));
  form.append(make("div", { className: "entry wide" }, make("label", { htmlFor: name.id }, "File"), name, make("small", {}, `In ${folder}. Named after product and day of the scan; a file that is there is never replaced. What was opened stays as it is.`)), wrong,
    make("div", { className: "row" }, save, close));
  form.onsubmit = async (event) => {
    event.preventDefault();
    save.disabled = true;
    wrong.replaceChildren();
    try {
      const saved = await (await send(`api/tune/${scan}/save`, { ...asked, based_on: basedOn, file: name.value })).json();
      const done = make("button", { type: "button", className: "go", onclick: () => dialog.close() }, "Done");
      form.replaceChildren(make("h2", { role: "status" }, "Saved"), make("p", { className: "path" }, saved.saved), make("p", {}, "Measure with it:"), make("pre", { tabIndex: 0 }, `weighlight measure SCAN --product "${saved.saved}"`),
        make("p", {}, make("a", { href: `#/tune/${scan}?from=${encodeURIComponent(saved.file)}`, onclick: () => dialog.close() }, "Go on from the saved profile")), make("div", { className: "row" }, done));
      done.focus();
      document.body.dataset.saved = saved.file;
      onSaved(saved);
    } catch (error) {
      wrong.replaceChildren(failure(error.message));
      save.disabled = false;
      if (error.status === 409) name.focus();
    }
  };
  dialog.append(form);
  dialog.onclose = () => dialog.remove();
  document.body.append(dialog);
  dialog.showModal();
  name.focus();
  return dialog;
}
