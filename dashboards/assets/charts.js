// Draws each figure a page carries: its data as they are, its looks as said here, in the colours of
// the style sheet. Draws anew where those change, and fits figures and tables to paper.
"use strict";

const PAPER_PX = 880; // of an A4 page between its margins, once pages.css has shrunk it to 0.75
const LETTER_PX = 8; // of a title, about
const EDGES_PX = 110; // beside what is drawn of lines and bars
const TICK_PX = 28; // of a month below an axis
const DRAWN_SHARE = 0.55; // of a narrow chart's width, beside its labels
const NARROW_PX = 500; // a chart whose legend has a line for each name
const LEGEND_LINE_PX = 19;
const root = document.documentElement;

const ONE_TO_SIX = [1, 2, 3, 4, 5, 6];
const SYMBOLS = ["circle", "square", "diamond", "triangle-up", "x", "star"];
const HOVER_ROW = "%{y}: %{x:.1f} %{fullData.name}<extra></extra>";
const HOVER_STEP = "%{x}: %{y:.1f}<extra>%{fullData.name}</extra>";

// A colour of the style sheet.
const ink = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();

const marks = (color, symbol, more) => ({
  mode: "markers",
  cliponaxis: false,
  marker: { symbol, size: 12, color, line: { width: 2, color }, ...more },
  hovertemplate: HOVER_ROW,
});

const limits = (color) => ({
  mode: "lines+markers",
  line: { color, width: 2 },
  marker: { symbol: "line-ns-open", size: 9, color, line: { width: 2 } },
  hoverinfo: "skip",
});

const outcome = (name, shape, line = `on-${name}`) => ({
  orientation: "h",
  textposition: "inside",
  insidetextanchor: "middle",
  textangle: 0,
  constraintext: "none",
  textfont: { color: ink(`on-${name}`) },
  marker: {
    color: ink(name),
    line: { color: ink("ink"), width: 0.6 },
    pattern: { shape, bgcolor: ink(name), fgcolor: ink(line), solidity: 0.1, size: 8 },
  },
  hovertemplate: "%{y}: %{text} %{fullData.name}<extra></extra>",
});

const bar = (color) => ({
  marker: { color, line: { color: ink("ink"), width: 0.6 } },
  hovertemplate: "%{x}: %{y} %{fullData.name}<extra></extra>",
});

// A level that holds for a whole step.
const stairs = (dash) => ({
  mode: "lines",
  line: { color: ink("ink"), width: 1, dash, shape: "hvh" },
  hoverinfo: "skip",
});

const numbered = (name, look) => Object.fromEntries(ONE_TO_SIX.map((n) => [`${name}-${n}`, look(n)]));

// What each look is, by its meaning.
const looks = () => ({
  better: outcome("better", ""),
  unchanged: outcome("unchanged", ""),
  worse: outcome("worse", "/"),
  "not-better": outcome("unchanged", "\\", "quiet"),
  "not-measured": outcome("not-measured", ".", "line"),
  seen: marks(ink("seen"), "circle"),
  "seen-hollow": marks(ink("seen"), "circle-open"),
  "seen-limits": limits(ink("seen")),
  harm: marks(ink("harm"), "circle"),
  "harm-hollow": marks(ink("harm"), "circle-open"),
  "harm-limits": limits(ink("harm")),
  chance: marks(ink("chance"), "diamond-tall", { size: 13, line: { width: 0 } }),
  bounds: { mode: "lines", line: { color: ink("line"), width: 12 }, hoverinfo: "skip" },
  reference: marks(ink("beside"), "square"),
  between: { mode: "lines", line: { color: ink("ink"), width: 2 }, hoverinfo: "skip", showlegend: false },
  level: {
    ...bar(ink("seen")),
    orientation: "h",
    textposition: "outside",
    cliponaxis: false,
    hovertemplate: "%{y}: %{x}<extra></extra>",
  },
  control: {
    mode: "lines+markers",
    cliponaxis: false,
    line: { color: ink("seen"), width: 1 },
    marker: { size: 9, color: ink("seen") },
    hovertemplate: HOVER_STEP,
  },
  "control-level": stairs("dot"),
  "control-limits": stairs("dash"),
  "control-beyond": marks(ink("care"), "diamond", { size: 15 }),
  ...numbered("line", (n) => ({
    mode: "lines+markers",
    cliponaxis: false,
    line: { color: ink(`series-${n}`), width: 2 },
    marker: { symbol: SYMBOLS[n - 1], size: 9 },
    hovertemplate: HOVER_STEP,
  })),
  ...numbered("stroke", (n) => ({
    mode: "lines",
    line: { color: ink(`series-${n}`), width: 1 },
    hoverinfo: "skip",
    showlegend: false,
  })),
  ...numbered("mark", (n) => marks(ink(`series-${n}`), SYMBOLS[n - 1], { line: { width: 1, color: ink("card") } })),
  ...numbered("bar", (n) => bar(ink(`series-${n}`))),
  ...numbered("part", (n) => bar(ink(`part-${n}`))), // within one another, four of them
});

const layouts = () => ({
  font: { family: "inherit", size: 14, color: ink("ink") },
  margin: { l: 8, r: 22, t: 8, b: 8 },
  paper_bgcolor: "rgba(0,0,0,0)",
  plot_bgcolor: "rgba(0,0,0,0)",
  legend: {
    orientation: "h",
    x: 0,
    y: 1.02,
    yanchor: "bottom",
    traceorder: "normal",
    itemclick: false,
    itemdoubleclick: false,
  },
  uniformtext: { mode: "hide", minsize: 11 },
  dragmode: false,
  hoverlabel: { bgcolor: ink("card"), bordercolor: ink("ink"), font: { size: 14, color: ink("ink") } },
  xaxis: axis(),
  yaxis: axis(),
});

const axis = () => ({
  title: { standoff: 12 },
  gridcolor: ink("line"),
  zeroline: false,
  automargin: true,
  fixedrange: true,
});

// Rows of labels stand a little off what is drawn.
const rows = () => ({ ticks: "outside", ticklen: 8, tickcolor: "rgba(0,0,0,0)" });

// A title in lines short enough for a narrow chart.
function folded(title, width) {
  const lines = [""];
  for (const word of title.split(" ")) {
    const longer = `${lines.at(-1)} ${word}`.trim();
    if (longer.length * LETTER_PX <= width) lines[lines.length - 1] = longer;
    else lines.push(word);
  }
  return lines.join("<br>");
}

// Months thinned out to as many as a narrow chart has room for, each with its year if they have one.
function thinned(axis, width) {
  const every = Math.ceil((axis.tickvals.length * TICK_PX) / width);
  if (every <= 1) return axis;
  const kept = axis.tickvals.filter((_, place) => place % every === 0);
  const texts = axis.ticktext && kept.map((month) => month.replace(" ", "<br>"));
  return { ...axis, tickvals: kept, ticktext: texts };
}

// Where all would lie if they were alike.
const level = (at) => [
  { type: "line", yref: "paper", x0: at, x1: at, y0: 0, y1: 1, line: { color: ink("ink"), width: 1, dash: "dot" } },
];

const isNamed = (trace) => trace.showlegend !== false;
const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);

function merged(base, more) {
  const both = { ...base };
  for (const [key, value] of Object.entries(more)) {
    both[key] = isObject(value) && isObject(base[key]) ? merged(base[key], value) : value;
  }
  return both;
}

function draw(plot, width) {
  const figure = JSON.parse(plot.closest(".chart").querySelector("script").textContent);
  const look = looks();
  const data = figure.data.map((trace) => merged(look[trace.look], trace));
  const layout = merged(layouts(), figure.layout);
  if (layout.yaxis.categoryarray) layout.yaxis = merged(rows(), layout.yaxis);
  if ("level" in layout) layout.shapes = level(layout.level);
  if (width) layout.width = width;
  const across = width || plot.clientWidth;
  if (across < NARROW_PX) layout.height += LEGEND_LINE_PX * (data.filter(isNamed).length - 1);
  const drawn = across * DRAWN_SHARE;
  layout.xaxis.title.text = folded(layout.xaxis.title.text, drawn);
  if (layout.xaxis.tickvals) layout.xaxis = thinned(layout.xaxis, across - EDGES_PX);
  layout.yaxis.title.text = folded(layout.yaxis.title.text || "", layout.height * DRAWN_SHARE);
  Plotly.react(plot, data, layout, { responsive: !width, displayModeBar: false });
}

// What is not shown has no width to be drawn in, so it is drawn once it is.
function drawAll(width) {
  for (const plot of document.querySelectorAll(".chart .plot")) {
    if (!plot.closest("[hidden]")) draw(plot, width);
  }
}

let opened = [];

addEventListener("beforeprint", () => {
  opened = Array.from(document.querySelectorAll("details:not([open])"));
  for (const details of opened) details.open = true;
  root.classList.add("paper");
  drawAll(PAPER_PX);
});

addEventListener("afterprint", () => {
  for (const details of opened) details.open = false;
  root.classList.remove("paper");
  drawAll();
});

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => drawAll());
addEventListener("chosen", () => drawAll());

drawAll();
