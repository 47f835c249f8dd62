// Previews: one question at a time, always the latest; what came of it is told with the time it took.
import { digits, send } from "../kit.js";

const whole = digits(0);
// What the scan must be measured again for.
const found = ({ profile: { piece, learn } }) => JSON.stringify([piece.min_height_mm, piece.min_area_cm2, piece.split_touching, learn?.axis, learn?.range]);

export class Preview {
  constructor(scan, signal, onShown, onRefused, say) {
    Object.assign(this, { scan, signal, onShown, onRefused, say, has: 0, marks: null, wanted: null, running: null, last: null, lastFound: null });
  }
  async once(asked) {
    this.say("Measuring the pieces …");
    const answer = await (await send(`api/tune/${this.scan}/preview`, { ...asked, has: this.has }, this.signal)).arrayBuffer();
    const length = new DataView(answer).getUint32(0, true);
    const about = JSON.parse(new TextDecoder().decode(new Uint8Array(answer, 4, length)));
    const cells = about.rows * about.columns, from = 4 + length;
    const classes = new Uint8Array(answer, from, cells);
    if (about.number !== this.has) {
      const planes = new Uint8Array(answer, from + cells, 3 * cells);
      this.marks = new Uint8Array(4 * cells);
      this.marks.set(planes.subarray(0, 2 * cells));
      this.marks.fill(255, 2 * cells, 3 * cells);
      this.marks.set(planes.subarray(2 * cells), 3 * cells);
      this.has = about.number;
    }
    this.lastFound = found(asked);
    this.last = { about, classes, marks: this.marks };
    return this.last;
  }
  ask(asked) {
    this.wanted = { asked, since: performance.now() };
    this.running ??= this.run();
  }
  async run() {
    while (this.wanted && !this.signal.aborted) {
      const { asked, since } = this.wanted;
      this.wanted = null;
      try {
        const again = found(asked) !== this.lastFound;
        const told = await this.quiet(asked, again);
        this.onShown(told);
        const took = performance.now() - since;
        this.say(`Shown after ${whole.format(took)} ms${again ? ", measured again" : ""}.`);
        document.body.dataset.shown = String(1 + Number(document.body.dataset.shown ?? 0));
        document.body.dataset.took = took.toFixed(0);
        if (again) document.body.dataset.again = String(1 + Number(document.body.dataset.again ?? 0));
      } catch (error) { if (error.name !== "AbortError") this.onRefused(error); }
    }
    this.running = null;
  }
  async quiet(asked, again) {
    const say = this.say;
    if (again) say("Measuring again by other piece rules …");
    this.say = () => {};
    try { return await this.once(asked); } finally { this.say = say; }
  }
  // What is shown once all questions are answered.
  async settled() { while (this.running) await this.running; return this.last; }
}
