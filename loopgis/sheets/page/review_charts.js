/* The trade-off picture and the water's course, by the chart library. */
const Charts = (() => {
  "use strict";
  const { el, put, minus } = Dom;
  const FONT = '"DejaVu Sans", Verdana, Arial, sans-serif';
  const SETTINGS = { displayModeBar: false, displaylogo: false, responsive: true, scrollZoom: false, doubleClick: "reset" };
  const WIDE_SPAN = 50;

  /* Wide screens across a room get larger type. */
  const PAPER = 690;
  let paper = false;
  const size = () => (paper ? 11 : window.innerWidth >= 1800 ? 19 : 15);
  const tall = (screen, printed) => (paper ? printed : window.innerWidth >= 1800 ? screen * 1.22 : screen);
  /* On paper every chart is as wide as the page, with smaller type. */
  const toPaper = on => { paper = on; };
  /* The chart library takes a few tags in its texts: none of ours gets through. */
  const plain = (text, most = 60) => Dom.said(text, most).replace(/[<>&]/g, sign => ({ "<": "\u2039", ">": "\u203a", "&": "+" })[sign]);

  const frame = (more = {}) => ({
    font: { family: FONT, size: size(), color: "#1c1a18" },
    paper_bgcolor: "#fff", plot_bgcolor: "#fff", showlegend: false, hovermode: "closest", dragmode: false,
    hoverlabel: { bgcolor: "#fff", bordercolor: "#1c1a18", font: { family: FONT, size: size() }, align: "left" },
    margin: { l: 78, r: 24, t: 20, b: 62 }, uirevision: "kept", ...(paper ? { width: PAPER, autosize: false } : { autosize: true }), ...more,
  });
  const axis = (words, more = {}) => ({
    title: { text: plain(words), standoff: 10 }, gridcolor: "#e7e1d8", zeroline: false, linecolor: "#6b635a", ticks: "outside",
    tickcolor: "#6b635a", automargin: true, fixedrange: true, separatethousands: true, ...more,
  });

  const span = values => {
    const found = values.filter(Dom.isFigure), low = Math.min(...found), high = Math.max(...found);
    return { low, high, log: low > 0 && high / low > WIDE_SPAN };
  };
  const scaled = (values, extra) => {
    const { low, high, log } = span([...values, ...extra]);
    if (log) return { type: "log", range: [Math.log10(low) - 0.15, Math.log10(high) + 0.15] };
    const room = Math.max((high - low) * 0.14, Math.abs(high) * 0.004, 1e-9);
    return { type: "linear", range: [low - room, high + room] };
  };
  const told = value => minus(Math.abs(value) >= 1000 ? Math.round(value).toLocaleString("en-US") : String(Number(value.toPrecision(3))));

  /* Where every layout lies by two figures; gives those that have no such figure. */
  const tradeOff = (place, data, keys, chosen) => {
    const now = `${keys.join(" ")} ${size()}`;
    if (place.dataset.keys === now) {
      const points = place.data[2].customdata;
      return Plotly.restyle(place, {
        "marker.color": [points.map(n => (n === chosen ? data.colours.ink : "#ffffff"))],
      }, [2]).then(() => left(data, points));
    }
    const { axes, least } = data.chart, [across, up] = keys.map(k => axes[k]);
    const shown = data.layouts.map((y, n) => n).filter(n => Dom.isFigure(across.values[n]) && Dom.isFigure(up.values[n]));
    const x = shown.map(n => across.values[n]), y = shown.map(n => up.values[n]);
    const bounded = keys[0] === "drilled" || keys[1] === "drilled" ? shown.filter(n => Dom.isFigure(least[n])) : [];
    const bounds = bounded.map(n => (keys[0] === "drilled"
      ? { x: [least[n], across.values[n]], y: [up.values[n], up.values[n]] }
      : { x: [across.values[n], across.values[n]], y: [least[n], up.values[n]] }));
    const big = size() + 3;
    const traces = [
      {
        name: "bound", type: "scatter", mode: "lines+markers", hoverinfo: "skip", line: { color: "#6b635a", width: 3, dash: "dot" },
        marker: { symbol: keys[0] === "drilled" ? "line-ns-open" : "line-ew-open", size: 20, color: "#6b635a",
          line: { width: 3, color: "#6b635a" } },
        x: bounds.flatMap(b => [...b.x, null]), y: bounds.flatMap(b => [...b.y, null]),
      },
      {
        name: "unbeaten", type: "scatter", mode: "markers", hoverinfo: "skip",
        x: shown.filter(n => data.layouts[n].pareto).map(n => across.values[n]),
        y: shown.filter(n => data.layouts[n].pareto).map(n => up.values[n]),
        marker: { symbol: "circle-open", size: 32, color: data.colours.ink, line: { width: 2.2, color: data.colours.ink } },
      },
      {
        name: "layouts", type: "scatter", mode: "markers+text", x, y, customdata: shown,
        text: shown.map(n => `\u2002${plain(data.layouts[n].id, 20)}\u2002`), textposition: spots(x, y),
        textfont: { size: big, color: data.colours.ink, weight: 700 },
        marker: {
          symbol: shown.map(n => (data.layouts[n].pattern === "fan" ? "triangle-up" : "square")), size: 20,
          color: shown.map(n => (n === chosen ? data.colours.ink : "#ffffff")), line: { width: 2.6, color: data.colours.ink },
        },
        cliponaxis: false,
        hovertext: shown.map((n, k) => [
          plain(data.layouts[n].id, 20) + ", " + plain(data.layouts[n].pattern, 20), `${plain(across.words)}: ${told(x[k])}`,
          `${plain(up.words)}: ${told(y[k])}`, data.layouts[n].pareto ? "unbeaten" : "", "press to choose it",
        ].filter(t => t).join("<br>")),
        hoverinfo: "text",
      },
    ];
    const better = a => (a.better ? `${a.words} (${a.better} is better)` : a.words);
    const layout = frame({
      xaxis: axis(better(across), scaled(x, bounds.flatMap(b => b.x))), yaxis: axis(better(up), scaled(y, bounds.flatMap(b => b.y))),
      hoverdistance: 40, height: tall(420, 300),
    });
    for (const [a, whole] of [["xaxis", across.whole], ["yaxis", up.whole]]) if (whole) Object.assign(layout[a], { dtick: 1 });
    const first = !place.dataset.keys;
    place.dataset.keys = now;
    return Plotly.react(place, traces, layout, SETTINGS).then(() => {
      if (first) {
        place.on("plotly_click", event => {
          const point = event.points.find(p => Number.isInteger(p.customdata));
          if (point) place.dispatchEvent(new CustomEvent("picked", { detail: point.customdata }));
        });
      }
      return left(data, shown);
    });
  };
  const left = (data, shown) => data.layouts.map((_, n) => n).filter(n => !shown.includes(n));

  /* A name goes to the side of its point where the fewest other points and names are; in pixels of a usual chart. */
  const spots = (x, y) => {
    const along = (values, wide) => {
      const low = Math.min(...values), high = Math.max(...values);
      return values.map(v => (high > low ? (v - low) / (high - low) : 0.5) * wide);
    };
    const px = along(x, 400), py = along(y, 260), taken = px.map((v, k) => [v - 17, py[k] - 17, v + 17, py[k] + 17]);
    const sides = {
      "middle right": (u, v) => [u + 14, v - 11, u + 76, v + 11], "middle left": (u, v) => [u - 76, v - 11, u - 14, v + 11],
      "top center": (u, v) => [u - 31, v + 14, u + 31, v + 38], "bottom center": (u, v) => [u - 31, v - 38, u + 31, v - 14],
    };
    const hits = box => taken.filter(t => box[0] < t[2] && box[2] > t[0] && box[1] < t[3] && box[3] > t[1]).length;
    return px.map((u, k) => {
      const best = Object.entries(sides).map(([side, box]) => [side, box(u, py[k])])
        .reduce((a, b) => (hits(b[1]) < hits(a[1]) ? b : a));
      taken.push(best[1]);
      return best[0];
    });
  };

  /* Entering water of all the years, its limits, its coldest and its warmest. */
  const water = (place, data, heat) => {
    const t = heat.mean.map((_, n) => (n + 1) / 12), degree = data.units.temperature;
    const yearly = (values, pick) => {
      const found = [];
      for (let n = 0; n < values.length; n += 12) {
        const year = values.slice(n, n + 12).map((v, k) => [v, n + k]).filter(p => Dom.isFigure(p[0]));
        if (year.length) found.push(year.reduce((a, b) => (pick(a[0], b[0]) === a[0] ? a : b)));
      }
      return { x: found.map(p => t[p[1]]), y: found.map(p => p[0]) };
    };
    const cold = yearly(heat.heating, Math.min), hot = yearly(heat.cooling, Math.max);
    const say = v => `${minus(v.toFixed(1))} ${degree}`;
    const traces = [
      { type: "scatter", mode: "lines", x: t, y: heat.low, line: { width: 0 }, hoverinfo: "skip" },
      { type: "scatter", mode: "lines", x: t, y: heat.high, line: { width: 0 }, fill: "tonexty", fillcolor: "#e6dfd3", hoverinfo: "skip" },
      { name: "mean", type: "scatter", mode: "lines", x: t, y: heat.mean, line: { color: data.colours.ink, width: 2 },
        hovertemplate: `year %{x:.1f}: %{y:.1f} ${degree}<extra>month's mean</extra>` },
      { name: "coldest", type: "scatter", mode: "markers", ...cold, marker: { symbol: "triangle-down", size: 11, color: data.colours.ink },
        hovertemplate: `year %{x:.1f}: %{y:.1f} ${degree}<extra>heating peak</extra>` },
      { name: "warmest", type: "scatter", mode: "markers", ...hot,
        marker: { symbol: "triangle-up", size: 11, color: "#fff", line: { color: data.colours.ink, width: 2 } },
        hovertemplate: `year %{x:.1f}: %{y:.1f} ${degree}<extra>cooling peak</extra>` },
    ];
    const shapes = [], notes = [];
    const [least, most] = heat.limits;
    for (const [limit, words, anchor] of [[least, "not colder than", "top"], [most, "not warmer than", "bottom"]]) {
      if (!Dom.isFigure(limit)) continue;
      shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, y0: limit, y1: limit, line: { color: "#1c1a18", width: 2.4, dash: "dash" } });
      notes.push({ xref: "paper", x: 0.5, xanchor: "center", y: limit, yanchor: anchor, showarrow: false, text: `${words} ${say(limit)}`,
        font: { size: size() } });
    }
    for (const [mark, words, up] of [[heat.coldest, "coldest", 1], [heat.warmest, "warmest", -1]]) {
      if (!mark) continue;
      const late = mark[0] > heat.years * 0.7;
      notes.push({ x: mark[0], y: mark[1], ax: late ? -90 : 90, ay: up * 34, arrowhead: 2, arrowwidth: 1.8, arrowcolor: "#1c1a18",
        text: `<b>${words} ${say(mark[1])}</b><br>year ${Math.ceil(mark[0] - 1e-6)}`, bgcolor: "#ffffffe0", borderpad: 3 });
    }
    const every = [...heat.low, ...heat.high, ...heat.limits].filter(Dom.isFigure);
    const low = Math.min(...every), high = Math.max(...every), room = (high - low) * 0.14;
    return Plotly.react(place, traces, frame({
      xaxis: axis("years of operation, from January on", { range: [0, heat.years], dtick: heat.years > 12 ? 2 : 1 }),
      yaxis: axis(`water entering the heat pump, ${degree}`, { range: [low - room, high + room] }), shapes, annotations: notes,
      height: tall(460, 330),
    }), SETTINGS);
  };

  const choice = (label, data, value, change) => {
    const list = el("select", { "aria-label": label }, ...data.chart.order.map(k =>
      el("option", { value: k, selected: k === value }, data.chart.axes[k].words)));
    list.addEventListener("change", () => change(list.value));
    return el("label", {}, label + " ", list);
  };

  return { tradeOff, water, toPaper, choice, plain, put, size, SETTINGS, FONT };
})();
