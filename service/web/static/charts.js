// Stored charts, zoomable: the charting library comes with the program and is loaded when needed.

let library = null;

function load() {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = "/static/plotly.min.js";
    script.onload = () => resolve(window.Plotly);
    script.onerror = () => reject(new Error("The charts cannot be loaded; reload the page."));
    document.head.append(script);
  });
  return library;
}

function colours() {
  const style = getComputedStyle(document.documentElement);
  const take = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ink: take("ink"), line: take("line"), now: take("now"), aim: take("aim"), floor: take("floor") };
}

function layout(title) {
  const { ink, line } = colours();
  const scale = Number.parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  const axis = { gridcolor: line, linecolor: ink, zeroline: false, automargin: true };
  return {
    paper_bgcolor: "transparent", plot_bgcolor: "transparent",
    font: { family: "Charter, Cambria, Georgia, serif", size: 14 * scale, color: ink },
    margin: { l: 50 * scale, r: 10, t: 30, b: 40 * scale }, height: 320 * scale,
    xaxis: axis, yaxis: { ...axis, title: { text: title } },
    legend: { orientation: "h", y: 1.02, yanchor: "bottom" },
  };
}

const SETTINGS = { responsive: true, displaylogo: false, displayModeBar: false };

export async function trend(place, { title, lines }) {
  const plot = await load();
  const pens = colours();
  await plot.react(place, lines.map((line, at) => ({
    name: line.name, x: line.x, y: line.y, type: "scatter",
    mode: line.marks ? "lines+markers" : "lines",
    line: { color: pens[line.pen ?? "now"], width: line.thin ? 0.8 : 2, dash: line.dash ? "dash" : "solid" },
    marker: { symbol: ["circle", "square", "diamond"][at % 3], size: 6 },
    fill: line.fill ? "tonexty" : "none", fillcolor: `${pens.floor}44`,
  })), layout(title), SETTINGS);
}

export async function profileChart(place, { points, glide, resonances }) {
  const plot = await load();
  const { now, floor, aim } = colours();
  const speed = (point) => point.fan_rpm ?? point.fan_duty_percent;
  const told = points.some((point) => point.fan_rpm !== null);
  const usable = (values) => values.filter((_, at) => glide.usable[at]);
  await plot.react(place, [
    { name: "glide, as read", x: usable(glide.speed), y: usable(glide.as_read_db), type: "scatter", mode: "markers", marker: { color: floor, size: 3 } },
    { name: "settled, the cooler alone", x: points.map(speed), y: points.map((point) => point.LAeq_db), type: "scatter", mode: "lines+markers",
      error_y: { type: "data", array: points.map((point) => point.U95_db), color: now }, line: { color: now }, marker: { symbol: "square", size: 8, color: now } },
  ], {
    ...layout("Level, dB(A)"),
    xaxis: { ...layout("").xaxis, title: { text: told ? "fan speed, rpm" : "fan duty, %" } },
    shapes: resonances.map(({ low, high }) => ({ type: "rect", xref: "x", yref: "paper", x0: low, x1: high, y0: 0, y1: 1, fillcolor: aim, opacity: 0.18, line: { width: 0 } })),
  }, SETTINGS);
}

// Matches of the same cooler make a curve: the level of the cooler alone over its fan speed.
export async function compareLevels(place, matches) {
  const curves = new Map();
  for (const match of matches) {
    if (match.LAeq_db === null) continue;
    curves.set(match.cooler, [...(curves.get(match.cooler) ?? []), match].sort((a, b) => a.fan_rpm - b.fan_rpm));
  }
  const items = [...curves].map(([cooler, own]) => ({
    cooler, speeds_rpm: own.map((match) => match.fan_rpm), levels_db: own.map((match) => match.LAeq_db), U95_db: own.map((match) => match.U95_db),
  }));
  const plot = await load();
  const pens = Object.values(colours()).slice(2);
  await plot.react(place, items.map((item, at) => ({
    name: item.cooler, x: item.speeds_rpm, y: item.levels_db, type: "scatter", mode: "lines+markers",
    error_y: { type: "data", array: item.U95_db },
    line: { color: pens[at % pens.length], dash: ["solid", "dash", "dot", "dashdot"][at % 4] },
    marker: { symbol: ["circle", "square", "diamond", "cross"][at % 4], size: 8 },
  })), { ...layout("Level of the cooler alone, dB(A)"), xaxis: { ...layout("").xaxis, title: { text: "fan speed, rpm" } } }, SETTINGS);
}
