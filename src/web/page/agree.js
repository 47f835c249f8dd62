// A run beside a log of the checkweigher: matching, differences, causes.
import { state } from "./kit.js";

export function agree(view) {
  view.replaceChildren(state("Nothing to show yet."));
}
