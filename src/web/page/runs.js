// Whole archives measured, summed up and compared.
import { state } from "./kit.js";

export function runs(view) {
  view.replaceChildren(state("Nothing to show yet."));
}
