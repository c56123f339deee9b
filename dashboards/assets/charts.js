// Draws each figure a page carries, and fits figures and tables to paper before printing.
"use strict";

const PAPER_PX = 880; // of an A4 page between its margins, once pages.css has shrunk it to 0.75

const plots = Array.from(document.querySelectorAll(".chart .plot"), (plot) => {
  const figure = JSON.parse(plot.closest(".chart").querySelector("script").textContent);
  Plotly.newPlot(plot, figure.data, figure.layout, { responsive: true, displayModeBar: false });
  return plot;
});

let opened = [];

addEventListener("beforeprint", () => {
  opened = Array.from(document.querySelectorAll("details:not([open])"));
  for (const details of opened) details.open = true;
  for (const plot of plots) Plotly.relayout(plot, { width: PAPER_PX });
});

addEventListener("afterprint", () => {
  for (const details of opened) details.open = false;
  for (const plot of plots) Plotly.relayout(plot, { width: null, autosize: true });
});
