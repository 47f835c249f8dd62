// The parts of the form that are no colours: pieces, classes and their densities, weight, spec.
import { make } from "../kit.js";
import { CLASS_COLOURS } from "../look/map.js";
import { put } from "./state.js";

export function piecePanel(fields) {
  fields.clear();
  return [
    make("p", { className: "hint" }, "The first three say what a piece is: the scan is measured again for them."),
    fields.number("Least height", "mm", ["piece", "min_height_mm"], { step: 0.1, min: 0, hint: "A piece rises at least this far above the belt." }),
    fields.number("Least area", "cm²", ["piece", "min_area_cm2"], { step: 0.5, min: 0, hint: "Smaller is a scrap." }),
    fields.check("Part touching pieces", ["piece", "split_touching"]),
    fields.number("Least patch", "mm²", ["piece", "min_speck_mm2"], { step: 0.5, min: 0, hint: "Patches of a class smaller than this take the class around them; 0 keeps them all." }),
  ];
}

const PARTS = ["water", "ice", "protein", "fat", "carbohydrate", "fibre", "ash"];
const swatch = (k) => { const dot = make("span", { className: "dot", ariaHidden: "true" }); dot.style.background = `rgb(${CLASS_COLOURS[k % CLASS_COLOURS.length]})`; return dot; };

// A class keeps either a given density or a composition.
function densityOf(rule, kind) {
  const { density_kg_m3, composition, temperature_c, void_fraction, ...rest } = rule;
  return kind === "given" ? { ...rest, density_kg_m3: density_kg_m3 ?? 1000 } : { ...rest, composition: composition ?? { water: 0.7, protein: 0.2, fat: 0.1 } };
}

export function classPanel(fields, now, edit, temperature_c) {
  fields.clear();
  const profile = now(), out = [];
  const classes = (list, base) => edit({ ...now(), class: list, ...(base ? { base } : {}) }, null);
  const base = make("select", { id: "tune-base" }, ...profile.class.map((it) => new Option(it.name, it.name)));
  base.value = profile.base;
  base.onchange = () => {
    // What lies beneath every layer is no layer; what was beneath goes through now.
    const list = now().class.map((it) => { const { depth_mm, depth, ...rest } = it; return it.name === base.value ? { ...rest, depth: "through" } : depth_mm || depth ? it : { ...it, depth: "through" }; });
    classes(list, base.value);
  };
  out.push(make("div", { className: "entry" }, make("label", { htmlFor: "tune-base" }, "Base class"), base, make("small", {}, "Takes what no limit claims, and lies under every layer.")));
  profile.class.forEach((rule, k) => {
    const box = make("fieldset", {}, make("legend", {}, swatch(k), rule.name));
    const path = ["class", k], isBase = rule.name === profile.base;
    const row = make("div", { className: "row" });
    if (k > 0) row.append(make("button", { type: "button", onclick: () => { const list = [...now().class]; [list[k - 1], list[k]] = [list[k], list[k - 1]]; classes(list); } }, "Try before ", profile.class[k - 1].name));
    if (!isBase) row.append(make("button", { type: "button", onclick: () => classes(now().class.filter((_, i) => i !== k)) }, `Remove ${rule.name}`));
    const kind = make("select", { id: `tune-density-${k}` }, new Option("given", "given"), new Option("from composition", "composition"));
    kind.value = rule.composition ? "composition" : "given";
    kind.onchange = () => edit(put(now(), path, densityOf(now().class[k], kind.value)), null);
    box.append(make("div", { className: "entry" }, make("label", { htmlFor: kind.id }, "Density"), kind));
    if (rule.composition) {
      const parts = make("div", { className: "grid" }, ...PARTS.map((part) => fields.number(part[0].toUpperCase() + part.slice(1), "%", [...path, "composition", part], { per: 0.01, step: 0.1, min: 0, optional: true })));
      box.append(make("p", { className: "hint" }, "Shares of mass; they make 100 %."), parts,
        fields.number("Temperature", "°C", [...path, "temperature_c"], { step: 0.5, optional: true, hint: `Empty: the scan's product temperature${temperature_c === null ? ", which this scan does not state" : ` (${temperature_c} °C)`}.` }),
        fields.number("Pores", "% of volume", [...path, "void_fraction"], { per: 0.01, step: 0.1, min: 0, optional: true }));
    } else box.append(fields.number("Density", "kg/m³", [...path, "density_kg_m3"], { step: 1, min: 50 }));
    if (!isBase) {
      const depth = make("select", { id: `tune-depth-${k}` }, new Option("through to the belt", "through"), new Option("a layer over the base", "layer"));
      depth.value = rule.depth_mm !== undefined ? "layer" : "through";
      depth.onchange = () => { const { depth: _, depth_mm: __, ...rest } = now().class[k]; edit(put(now(), path, depth.value === "layer" ? { ...rest, depth_mm: 3 } : { ...rest, depth: "through" }), null); };
      box.append(make("div", { className: "entry" }, make("label", { htmlFor: depth.id }, "Reaches"), depth));
      if (rule.depth_mm !== undefined) box.append(fields.number("Layer", "mm", [...path, "depth_mm"], { step: 0.1, min: 0 }));
    }
    box.append(row);
    out.push(box);
  });
  const name = make("input", { id: "tune-new-class", pattern: "[a-z0-9_\\-]+", autocomplete: "off", spellcheck: false });
  const wrong = make("small", { className: "wrong", role: "alert" });
  const add = make("button", { type: "button" }, "Add class");
  add.onclick = () => {
    wrong.textContent = !/^[a-z0-9_-]+$/.test(name.value) ? "a to z, 0 to 9, - and _, as the name becomes part of column names" : now().class.some((it) => it.name === name.value) ? "there is a class of this name" : "";
    if (!wrong.textContent) classes([...now().class, { name: name.value, lab: { l: [0, 100], a: [-128, 128], b: [-128, 128] }, density_kg_m3: 1000, depth: "through" }]);
  };
  out.push(make("div", { className: "entry" }, make("label", { htmlFor: name.id }, "Another class"), name, add, make("small", {}, "It is tried last. The class named fat gives the fat share."), wrong));
  return out;
}

export function weightPanel(fields) {
  fields.clear();
  return [
    make("fieldset", {}, make("legend", {}, "Fit to weighed pieces"),
      make("p", { className: "hint" }, "1 and 0 until pieces have been weighed. Better than by hand: the command tune fits them to weighings."),
      fields.number("Scale", "", ["weight", "scale"], { step: 0.001, min: 0 }),
      fields.number("Offset", "g", ["weight", "offset_g"], { step: 0.1 }),
      fields.number("Uncertainty of density", "%", ["weight", "density_u_rel"], { per: 0.01, step: 0.1, min: 0, hint: "Relative, standard (k = 1)." })),
    make("fieldset", {}, make("legend", {}, "Spec"), make("p", { className: "hint" }, "A piece outside bears a flag. Both ends empty: no limit."),
      fields.range("Mass", "g", ["spec", "mass_g"], { optional: true }),
      fields.range("Length", "mm", ["spec", "length_mm"], { optional: true }),
      fields.range("Width", "mm", ["spec", "width_mm"], { optional: true }),
      fields.range("Largest height", "mm", ["spec", "max_height_mm"], { optional: true }),
      fields.range("Fat share", "%", ["spec", "fat_fraction"], { optional: true, per: 0.01 })),
  ];
}

export { swatch };
