/* Draws every <div class="chart" data-figure="ID"> from the JSON in <script type="application/json" id="ID">,
   as themed.js says it looks. No inline script or style is needed. */
(() => {
  "use strict";
  // No buttons inside: to a screen reader a chart is one picture, with its numbers in a table beside it.
  const OPTIONS = { responsive: true, displayModeBar: false };

  function draw(el, width) {
    const source = document.getElementById(el.dataset.figure);
    if (!source) return;
    const fig = calloutThemed(JSON.parse(source.textContent), width || el.clientWidth);
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
