/* How a chart looks where it stands: the page's colours, and what a phone needs. The offline report and fleet
   page carry this script, the service serves it; it is the only place that says so. */
const calloutThemed = (() => {
  "use strict";
  const NARROW = 520; // px
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  // Colours come from the page's --role-* properties, so charts follow light, dark and print.
  function coloured(fig) {
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
    const layout = fig.layout;
    for (const shape of layout.shapes || []) shape.fillcolor = css("--role-spell") || shape.fillcolor;
    layout.font = { ...layout.font, color: css("--ink"), family: css("--chart-font") || "system-ui, sans-serif" };
    layout.hoverlabel = { bgcolor: css("--sheet") || css("--panel"), font: { color: css("--ink") } };
  }

  function fitted(layout, width) {
    // A finger that scrolls the page must not zoom the chart it passes.
    if (matchMedia("(pointer: coarse)").matches) layout.dragmode = false;
    if (width >= NARROW) return;
    layout.margin = { ...layout.margin, l: 44, r: 6 };
    // Few times that stand upright, rather than many on end that run into the panel below.
    for (const [name, axis] of Object.entries(layout)) if (/^xaxis/.test(name) && !axis.tickvals) Object.assign(axis, { nticks: 4, tickangle: 0 });
  }

  return function themed(fig, width) {
    coloured(fig);
    fitted(fig.layout, width);
    return fig;
  };
})();
