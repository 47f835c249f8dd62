// Charts: the library of the reports, loaded when the first chart is drawn.
import { make } from "./kit.js";

let library = null;

function load() {
  library ??= new Promise((done, failed) => {
    const script = make("script", { src: "plotting.js" });
    script.onload = () => done(window.Plotly);
    script.onerror = () => failed(new Error("the chart library did not load"));
    document.head.append(script);
  });
  return library;
}

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

// Draws traces into a box; `layout` is laid over the page's own: its colours, type and margins. Resolves to the chart's element,
// whose `on("plotly_click", …)` tells of clicks. `words` says for those who cannot see it what the chart shows.
export async function chart(box, traces, layout, words) {
  const plotting = await load();
  const axis = { gridcolor: ink("--line"), linecolor: ink("--ink"), zerolinecolor: ink("--line"), automargin: true };
  const own = {
    margin: { l: 60, r: 16, t: 10, b: 44 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: "system-ui, sans-serif", size: 16, color: ink("--ink") },
    showlegend: false, hovermode: "closest", ...layout,
  };
  for (const key of Object.keys({ xaxis: 0, yaxis: 0, ...layout }).filter((one) => /^[xy]axis\d*$/.test(one))) own[key] = { ...axis, ...own[key] };
  box.classList.add("chart");
  box.setAttribute("role", "img");
  box.setAttribute("aria-label", words);
  await plotting.react(box, traces, own, { displayModeBar: false, responsive: true });
  return box;
}

export const drop = (box) => window.Plotly?.purge(box);

// Lets go of all charts in a view that is left.
export const dropAll = (view) => view.querySelectorAll(".js-plotly-plot").forEach(drop);
