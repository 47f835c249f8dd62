(async () => {
  "use strict";
  const own = document.currentScript.nonce;
  const figures = [...document.querySelectorAll("figure.chart")];
  if (!figures.length) return;
  try {
    const packed = document.getElementById("packed-script").textContent;
    const bytes = Uint8Array.from(atob(packed), (c) => c.charCodeAt(0));
    const plain = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.nonce = own;
    script.textContent = await new Response(plain).text();
    document.head.append(script);
    for (const figure of figures) {
      const spec = JSON.parse(figure.querySelector("script").textContent);
      for (const trace of spec.data) if (trace.x === "shared") trace.x = spec.shared;
      await window.Plotly.newPlot(figure.querySelector(".plot"), spec.data, spec.layout, {
        displaylogo: false,
        showSendToCloud: false,
        plotlyServerURL: "",
        modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"],
      });
    }
    document.documentElement.dataset.charts = "drawn";
  } catch (problem) {
    for (const figure of figures) {
      const told = document.createElement("p");
      told.textContent = "This browser cannot draw the chart; the tables hold all its numbers. (" + problem + ")";
      const plot = figure.querySelector(".plot");
      plot.style.height = "auto";
      plot.replaceChildren(told);
    }
  }
})();
