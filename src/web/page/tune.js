// The product profile as a form, with what it does to a scan shown at once.
import { state } from "./kit.js";

export function tune(view) {
  view.replaceChildren(state("Nothing to show yet."));
}
