// A reference target checked: pose, errors against tolerance, cost, history, record.
import { state } from "./kit.js";

export function check(view) {
  view.replaceChildren(state("Nothing to show yet."));
}
