// Draws every [data-figure="id"] from the JSON in <script type="application/json" id="id">: a Plotly figure with
// data and layout. A text "var(--token)" anywhere in it becomes that token's colour. Colours, typeface and grid are
// ours, again after a change of theme. Pressing a point or bar whose customdata is an address ("/…") goes there.
const { Plotly } = globalThis;
const root = document.documentElement;

const resolve = (value, token) => {
  if (typeof value === "string") return value.replace(/var\((--[\w-]+)\)/g, (_, name) => token(name));
  if (Array.isArray(value)) return value.map((item) => resolve(item, token));
  if (value && typeof value === "object")
    return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, resolve(item, token)]));
  return value;
};

const dressed = (figure) => {
  const styles = getComputedStyle(root);
  const token = (name) => styles.getPropertyValue(name).trim();
  const { template: _, width: __, height: ___, ...layout } = resolve(figure.layout ?? {}, token);
  const axis = { gridcolor: token("--rule"), linecolor: token("--edge"), zerolinecolor: token("--edge"), tickcolor: token("--edge"), ticks: "outside", automargin: true };
  const axes = new Set(["xaxis", "yaxis", ...Object.keys(layout).filter((key) => /^[xy]axis\d*$/.test(key))]);
  for (const name of axes) layout[name] = { ...axis, ...layout[name] };
  return {
    data: resolve(figure.data ?? [], token),
    layout: {
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      colorway: Array.from({ length: 8 }, (_, i) => token(`--stage-${i}`)),
      margin: { t: 24, r: 20, b: 40, l: 48 },
      dragmode: false,
      hoverlabel: { bgcolor: token("--surface"), bordercolor: token("--ink"), font: { family: token("--font"), color: token("--ink") } },
      legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0, itemclick: false, itemdoubleclick: false },
      ...layout,
      autosize: true,
      font: { family: token("--font"), size: 14, color: token("--ink"), ...layout.font },
    },
  };
};

const address = (point) => {
  const told = Array.isArray(point?.customdata) ? point.customdata[0] : point?.customdata;
  return typeof told === "string" && /^\/(?!\/)/.test(told) ? told : null;
};

const drawn = new Map();
const draw = async (place, figure) => {
  const { data, layout } = dressed(figure);
  place.classList.add("is-drawn"); // before drawing: a place that is not shown has no size
  await Plotly.react(place, data, layout, { displayModeBar: false, responsive: true, doubleClick: false });
};

for (const place of document.querySelectorAll("[data-figure]")) {
  const source = document.getElementById(place.dataset.figure);
  if (!source) continue;
  try {
    if (!Plotly) throw new Error("the drawing script did not load");
    const told = JSON.parse(source.textContent);
    const figure = typeof told === "string" ? JSON.parse(told) : told;
    await draw(place, figure);
    drawn.set(place, figure);
    place.on("plotly_click", (event) => { const to = address(event.points[0]); if (to) location.assign(to); });
    place.on("plotly_hover", (event) => { place.classList.toggle("leads-on", Boolean(address(event.points[0]))); });
    place.on("plotly_unhover", () => { place.classList.remove("leads-on"); });
  } catch (error) {
    place.classList.remove("is-drawn");
    place.classList.add("is-failed");
    place.removeAttribute("role");
    place.textContent = "The chart could not be drawn. The table below says the same.";
    console.error("chart", place.dataset.figure, error);
  }
}

const again = () => { for (const [place, figure] of drawn) draw(place, figure); };
new MutationObserver(again).observe(root, { attributes: true, attributeFilter: ["data-theme"] });
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
