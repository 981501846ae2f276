// Charts load when they come into view; plotly itself with the first of them; themed.js says how they look.
"use strict";

// The roof with each input's day takes the place of the plain plan once it is computed.
for (const place of document.querySelectorAll("[data-fragment]")) {
  fetch(place.dataset.fragment, { credentials: "same-origin" })
    .then((answer) => (answer.ok ? answer.text() : Promise.reject(new Error(answer.status))))
    .then((html) => { place.innerHTML = html; })
    .catch(() => {});
}

(() => {
  const charts = document.querySelectorAll("[data-chart]");
  if (!charts.length) return;
  let library = null;

  function plotly() {
    if (!library) {
      library = new Promise((done, failed) => {
        const script = document.createElement("script");
        script.src = charts[0].dataset.library;
        script.onload = () => done(window.Plotly);
        script.onerror = () => failed(new Error("the chart library did not load"));
        document.head.append(script);
      });
    }
    return library;
  }

  async function draw(box) {
    const note = box.querySelector("p");
    try {
      const answer = await fetch(box.dataset.chart, { credentials: "same-origin" });
      if (!answer.ok) throw new Error((await answer.text()).slice(0, 200));
      const figure = await answer.json();
      const Plotly = await plotly();
      const meta = figure.layout.meta || {};
      if (note) note.remove();
      calloutThemed(figure, box.clientWidth);
      figure.layout.autosize = true;
      delete figure.layout.width;
      box.style.height = (figure.layout.height || 320) + 4 + "px";
      const options = { responsive: true, displaylogo: false, displayModeBar: false };
      await Plotly.newPlot(box, figure.data, figure.layout, options);
      if (meta.alt) box.setAttribute("aria-label", meta.alt);
      const said = document.createElement("p");
      said.className = "hint";
      said.textContent = meta.caption || "";
      const numbers = document.createElement("a");
      numbers.href = box.dataset.chart + "?as=csv";
      numbers.textContent = "The numbers (CSV)";
      said.append(" ", numbers);
      box.after(said);
      box.dataset.drawn = "yes";
    } catch (problem) {
      if (note) note.textContent = "No chart: " + problem.message;
      box.dataset.drawn = "no";
    }
  }

  const watcher = new IntersectionObserver((seen) => {
    for (const entry of seen) {
      if (entry.isIntersecting) { watcher.unobserve(entry.target); draw(entry.target); }
    }
  }, { rootMargin: "300px" });
  for (const box of charts) watcher.observe(box);
})();
