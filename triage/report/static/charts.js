/* Draws every <div class="chart" data-figure="ID"> from the JSON in <script type="application/json" id="ID">.
   Colours come from the page's --role-* properties, so charts follow light, dark and print. No inline
   script or style is needed. */
(() => {
  "use strict";
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  // No buttons inside: to a screen reader a chart is one picture, with its numbers in a table beside it.
  const OPTIONS = { responsive: true, displayModeBar: false };

  function coloured(source) {
    const fig = JSON.parse(source);
    for (const trace of fig.data) {
      if (trace.type === "heatmap") {
        const stops = ["low", "half", "full"].map((name) => css("--share-" + name));
        if (stops.every(Boolean)) trace.colorscale = stops.map((colour, n) => [n / 2, colour]);
        continue;
      }
      const colour = css("--role-" + trace.meta);
      if (!colour) continue;
      if (trace.fillcolor) trace.fillcolor = colour;
      if (trace.line && trace.line.width !== 0) trace.line.color = colour;
      if (trace.marker) {
        trace.marker.color = colour;
        if (trace.marker.line) trace.marker.line.color = colour;
      }
    }
    for (const shape of fig.layout.shapes || []) shape.fillcolor = css("--role-spell") || shape.fillcolor;
    fig.layout.font = { ...fig.layout.font, color: css("--ink"), family: css("--chart-font") || "system-ui, sans-serif" };
    fig.layout.hoverlabel = { bgcolor: css("--panel"), font: { color: css("--ink") } };
    return fig;
  }

  function draw(el, width) {
    const source = document.getElementById(el.dataset.figure);
    if (!source) return;
    const fig = coloured(source.textContent);
    const narrow = (width || el.clientWidth) < 520;
    // A finger that scrolls the page must not zoom the chart it passes.
    if (matchMedia("(pointer: coarse)").matches) fig.layout.dragmode = false;
    if (narrow) {
      fig.layout.margin = { ...fig.layout.margin, l: 44, r: 6 };
      // Few times that stand upright, rather than many on end that run into the panel below.
      for (const [name, axis] of Object.entries(fig.layout)) if (/^xaxis/.test(name) && !axis.tickvals) Object.assign(axis, { nticks: 4, tickangle: 0 });
    }
    if (width) {
      fig.layout.width = width;
      fig.layout.height *= 0.8;
    }
    Plotly.react(el, fig.data, fig.layout, OPTIONS);
  }

  const all = () => [...document.querySelectorAll(".chart[data-figure]")];

  function drawAll() {
    const waiting = all();
    const next = () => {
      const el = waiting.shift();
      if (!el) { document.documentElement.dataset.charts = "drawn"; return; }
      draw(el);
      setTimeout(next, 0);
    };
    next();
  }

  if (typeof Plotly === "undefined") return;
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", drawAll);
  else drawAll();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => all().forEach((el) => draw(el)));
  const PAPER = 690; // px between the margins of A4
  addEventListener("beforeprint", () => all().forEach((el) => draw(el, PAPER)));
  addEventListener("afterprint", () => all().forEach((el) => draw(el)));
})();
