/* Profiles, mud pressures and crossings along the bores of a layout: one small chart per bore, all at one scale. */
const Profiles = (() => {
  "use strict";
  const { svg, el, put, said, minus } = Dom;
  const WIDE = 560, LEFT = 46, RIGHT = 12, TALL = 175, FONT = 11.5;
  const STRETCH = [1, 1.5, 2, 3, 4, 5];
  const LEAST = 1e-6;

  const most = list => list.reduce((a, b) => Math.max(a, b), -Infinity);
  const least = list => list.reduce((a, b) => Math.min(a, b), Infinity);
  const known = list => list.filter(Dom.isFigure);
  const fixed = (value, digits) => minus(value.toFixed(digits));
  const path = (points, close) =>
    "M" + points.map(p => p[0].toFixed(1) + " " + p[1].toFixed(1)).join("L") + (close ? "z" : "");

  /* Round figures over a span, about as many as wanted. */
  const ticks = (low, high, wanted) => {
    const span = Math.max(high - low, 1e-9), power = 10 ** Math.floor(Math.log10(span / wanted));
    const step = [1, 2, 5, 10].map(m => m * power).find(s => span / s <= wanted + 0.5) || 10 * power;
    const found = [];
    for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-6; v += step) found.push(Number(v.toFixed(8)));
    return found;
  };
  const word = (at, words, given) => svg("text", {
    x: at[0].toFixed(1), y: at[1].toFixed(1), "font-size": FONT, ...given,
  }, words);
  const haloed = (at, words, given) => word(at, words, {
    stroke: "#fff", "stroke-width": 3, "paint-order": "stroke", "stroke-linejoin": "round", ...given,
  });

  /* Value of a table at a place along the plan. */
  const along = (s, values, at) => {
    let k = 1;
    while (k < s.length - 1 && s[k] < at) k += 1;
    const a = values[k - 1], b = values[k];
    if (!Dom.isFigure(a) || !Dom.isFigure(b)) return null;
    const share = s[k] > s[k - 1] ? Math.min(Math.max((at - s[k - 1]) / (s[k] - s[k - 1]), 0), 1) : 0;
    return a + (b - a) * share;
  };
  const pieces = (s, flags) => {
    const found = [];
    flags.forEach((flag, k) => {
      if (!flag) return;
      if (k && flags[k - 1]) found[found.length - 1][1] = s[k];
      else found.push([s[k], s[k]]);
    });
    return found;
  };

  /* A line to read figures off, that follows the pointer. */
  const reader = (chart, px, s, tall, tell) => {
    const mark = svg("path", { stroke: "#1c1a18", "stroke-width": 1, "stroke-dasharray": "3 2", visibility: "hidden" });
    const words = haloed([WIDE - RIGHT, 11], "", { "text-anchor": "end", "font-weight": "bold", visibility: "hidden" });
    chart.append(mark, words);
    const hide = () => [mark, words].forEach(n => n.setAttribute("visibility", "hidden"));
    chart.addEventListener("pointermove", event => {
      const box = chart.getBoundingClientRect();
      const at = ((event.clientX - box.left) / box.width * WIDE - LEFT) / px;
      const text = at >= s[0] && at <= s[s.length - 1] ? tell(at) : "";
      if (!text) { hide(); return; }
      const x = (LEFT + at * px).toFixed(1);
      mark.setAttribute("d", `M${x} 0V${tall}`);
      words.textContent = text;
      [mark, words].forEach(n => n.setAttribute("visibility", "visible"));
    });
    chart.addEventListener("pointerleave", hide);
  };

  /* How large a unit is drawn along and up, for all bores of a layout. */
  const scale = layout => {
    const long = most(layout.bores.map(b => b.s[b.s.length - 1]));
    const above = most(layout.bores.map(b => most(known(b.g))));
    const below = least(layout.bores.map(b => least(known(b.h))));
    const px = (WIDE - LEFT - RIGHT) / long, high = Math.max(above - below, 1e-6);
    const fits = STRETCH.filter(f => high * px * f <= TALL);
    const stretch = fits.length ? fits[fits.length - 1] : TALL / (high * px);
    return { long, above, below, px, py: px * stretch, stretch };
  };

  const letter = (c, colours, x, y, r) => [
    svg("circle", { cx: x, cy: y, r, fill: Dom.colour(c.colour, colours.soft), stroke: "#000", "stroke-width": 1.2 }),
  ];

  const profile = (b, sc, data) => {
    const { colours, units } = data, unit = units.length;
    const tall = 20 + (sc.above - sc.below) * sc.py + 34, base = 20 + sc.above * sc.py;
    const X = s => LEFT + s * sc.px, Y = h => base - h * sc.py;
    const chart = svg("svg", { viewBox: `0 0 ${WIDE} ${tall.toFixed(0)}`, role: "img", "aria-label": `Profile of ${b.id}` });
    const line = b.s.map((s, k) => [X(s), Y(b.h[k])]), top = b.s.map((s, k) => [X(s), Y(b.g[k])]);
    for (const h of ticks(sc.below, sc.above, 4)) {
      chart.append(svg("path", { d: `M${LEFT} ${Y(h).toFixed(1)}H${WIDE - RIGHT}`, stroke: "#e7e1d8" }),
        word([LEFT - 5, Y(h) + 4], minus(String(h)), { "text-anchor": "end" }));
    }
    const target = b.s.map((s, k) => [X(s), Y(b.g[k] - b.target)]);
    chart.append(svg("path", { d: path([...top, ...target.slice().reverse()], true), fill: colours.band }));
    for (const a of b.asked) {
      const up = a.s.map((s, k) => [X(s), Y(a.g[k])]), low = a.s.map((s, k) => [X(s), Y(a.g[k] - a.depth)]);
      chart.append(svg("path", { d: path([...up, ...low.reverse()], true), fill: colours.asked, stroke: colours.closed,
        "stroke-width": 0.7 }));
    }
    chart.append(svg("path", { d: path(target), fill: "none", stroke: colours.closed, "stroke-dasharray": "5 4" }));
    if (b.doubt) {
      const up = b.s.map((s, k) => [X(s), Y(b.h[k] + b.doubt.up[k])]), low = b.s.map((s, k) => [X(s), Y(b.h[k] - b.doubt.up[k])]);
      chart.append(svg("path", { d: path([...up, ...low.reverse()], true), fill: colours.light, "fill-opacity": 0.45 }));
    }
    chart.append(
      svg("path", { d: path(top), fill: "none", stroke: "#000", "stroke-width": 2.2 }),
      svg("path", { d: path(line), fill: "none", stroke: "#fff", "stroke-width": 5 }),
      svg("path", { d: path(line), fill: "none", stroke: colours.ink, "stroke-width": 1.4,
        "stroke-dasharray": b.there ? "2 2" : null }),
    );
    for (const [first, last] of pieces(b.s.map((_, k) => k), b.level)) {
      if (last > first) {
        chart.append(svg("path", { d: path(line.slice(first, last + 1)), fill: "none", stroke: colours.ink, "stroke-width": 4 }));
      }
    }
    b.rods.forEach(([number, s, h]) => {
      chart.append(svg("path", { d: `M${X(s).toFixed(1)} ${(Y(h) - 5).toFixed(1)}v10`, stroke: colours.ink }),
        word([X(s), Y(h) + 17], String(number), { "text-anchor": "middle", fill: colours.ink }));
    });
    const taken = [];
    for (const a of b.asked) {
      if ((a.s[a.s.length - 1] - a.s[0]) * sc.px < 26) continue;
      const k = Math.floor(a.s.length / 2), x = X(a.s[k]), wide = [...a.name].length * 5.7;
      const at = Math.min(Math.max(x, LEFT + wide / 2), WIDE - RIGHT - wide / 2);
      const row = [0, 1].find(n => !taken.some(t => t[2] === n && Math.abs(t[0] - at) < (t[1] + wide) / 2 + 6));
      if (row === undefined) continue;
      taken.push([at, wide, row]);
      chart.append(haloed([at, Y(a.g[k]) + 13 + 12 * row], said(a.name, 26), { "text-anchor": "middle", "font-size": 10.5 }));
    }
    for (const c of b.crossings) {
      if (c.at === null || c.how === "beside") continue;
      const x = X(c.s), y = Y(c.at);
      chart.append(svg("path", { d: `M${x.toFixed(1)} ${Y(c.crown).toFixed(1)}V${y.toFixed(1)}`, stroke: colours.text }));
      if (c.letter) {
        if (c.doubt) {
          chart.append(svg("ellipse", { cx: x, cy: y, rx: c.doubt * sc.px, ry: c.doubt * sc.py, fill: Dom.colour(c.colour, "#888"),
            "fill-opacity": 0.3 }));
        }
        chart.append(...letter(c, colours, x, y, 4.6), haloed([x + 8, y + 4], `${c.letter} ${c.gap.toFixed(1)}${c.known ? "" : "*"}`,
          { "font-weight": "bold", "font-size": 10.5 }));
      } else chart.append(svg("path", { d: `M${(x - 7).toFixed(1)} ${y.toFixed(1)}h14`, stroke: colours.text, "stroke-width": 1.6 }));
    }
    reader(chart, sc.px, b.s, tall, at => {
      const depth = along(b.s, b.g.map((g, k) => g - b.h[k]), at), drilled = along(b.s, b.d, at);
      if (depth === null || drilled === null) return "";
      return `drilled ${fixed(drilled, 0)} ${unit}, rod ${Math.floor(drilled / data.rod) + 1}, ${fixed(depth, 1)} ${unit} deep`;
    });
    return chart;
  };

  const figureOf = (b, unit, charts) => el("figure", { class: "bore" },
    el("figcaption", {}, el("b", {}, Dom.bdi(b.id, 60)), b.there ? " (in the ground)" : "",
      `  drilled ${fixed(b.drilled, 0)} ${unit}, level ${fixed(b.run, 0)} ${unit}, deepest ${fixed(b.deepest, 1)} ${unit}, ` +
      `in ${fixed(b.in, 0)} %, out ${fixed(b.out, 0)} %`), ...charts);

  const drawProfiles = (place, layout, data) => {
    const sc = scale(layout);
    put(place, ...layout.bores.map(b => figureOf(b, data.units.length, [profile(b, sc, data)])));
    return `Heights and lengths in ${data.units.length === "ft" ? "feet" : "metres"}, heights from the ground at the entry, drawn ` +
      `${Number(sc.stretch.toFixed(1))} times as large as lengths; all bores of the layout at one scale.`;
  };

  /* Pressure of the mud: what it needs, what the ground bears. */
  const pressure = (b, sc, data, top) => {
    const { colours, units } = data, m = b.mud, tall = 128, low = tall - 22, X = s => LEFT + s * sc.px;
    const Y = p => low - Math.min(p / top, 1.06) * (low - 16);
    const chart = svg("svg", { viewBox: `0 0 ${WIDE} ${tall}`, role: "img", "aria-label": `Mud pressure along ${b.id}` });
    for (const p of ticks(0, top, 3)) {
      chart.append(svg("path", { d: `M${LEFT} ${Y(p).toFixed(1)}H${WIDE - RIGHT}`, stroke: "#e7e1d8" }),
        word([LEFT - 5, Y(p) + 4], String(p), { "text-anchor": "end" }));
    }
    for (const s of ticks(0, sc.long, 8)) {
      chart.append(word([X(s), tall - 6], String(s), { "text-anchor": "middle" }),
        svg("path", { d: `M${X(s).toFixed(1)} ${low}v4`, stroke: colours.closed }));
    }
    chart.append(svg("path", { d: `M${LEFT} ${low}H${X(sc.long)}`, stroke: colours.closed }));
    const ends = pieces(b.s, m.judged.map(j => !j));
    for (const [first, last] of ends) {
      chart.append(svg("rect", { x: X(first), y: 16, width: Math.max((last - first) * sc.px, 1), height: low - 16, fill: colours.asked,
        "fill-opacity": 0.75 }));
      if ((last - first) * sc.px > 46) {
        chart.append(haloed([X((first + last) / 2), low - 6], "returns", { "text-anchor": "middle", "font-size": 10.5 }));
      }
    }
    const put2 = (values, given) => chart.append(svg("path", { d: path(b.s.map((s, k) => [X(s), Y(values[k] ?? 0)])), fill: "none", ...given }));
    put2(m.weighs, { stroke: colours.closed, "stroke-width": 1.3, "stroke-dasharray": "2 3" });
    put2(m.harsh, { stroke: colours.light, "stroke-width": 1.6 });
    put2(m.bears, { stroke: "#000", "stroke-width": 2, "stroke-dasharray": "8 4" });
    put2(m.needs, { stroke: colours.ink, "stroke-width": 2.6 });
    for (const [what, colour, sign] of [["tight", colours.thin, "\u2296"], ["over", colours.fail, "\u2715"]]) {
      for (const [first, last] of pieces(b.s, m[what])) {
        chart.append(svg("rect", { x: X(first), y: low - 5, width: Math.max((last - first) * sc.px, 2), height: 5, fill: colour }),
          haloed([X((first + last) / 2), low - 9], sign, { "text-anchor": "middle", fill: colour, "font-weight": "bold" }));
      }
    }
    const say = p => fixed(p, p < 10 ? 1 : 0);
    reader(chart, sc.px, b.s, low, at => {
      const needs = along(b.s, m.needs, at), bears = along(b.s, m.bears, at);
      return needs === null || bears === null ? "" :
        `${fixed(at, 0)} ${units.length}: needs ${say(needs)}, ground bears ${say(bears)} ${units.pressure}`;
    });
    return chart;
  };

  /* Crossings by their index, on a scale of powers of ten, and where nobody stands over the head. */
  const crossings = (b, sc, data) => {
    const { colours, units } = data, tall = 84, low = tall - 20, X = s => LEFT + s * sc.px;
    const Y = v => low - (Math.log10(Math.max(v, LEAST)) + 6) / 6 * (low - 16);
    const chart = svg("svg", { viewBox: `0 0 ${WIDE} ${tall}`, role: "img", "aria-label": `Crossings of ${b.id} by their index` });
    for (const power of [-6, -4, -2, 0]) {
      const y = Y(10 ** power);
      chart.append(svg("path", { d: `M${LEFT} ${y.toFixed(1)}H${X(sc.long)}`, stroke: power === -6 ? colours.closed : "#e7e1d8" }),
        word([LEFT - 5, y + 4], power === 0 ? "1" : power === -6 ? "\u2264 1e-6" : power === -2 ? "0.01" : "1e-4", { "text-anchor": "end", "font-size": 10 }));
    }
    for (const [first, last] of b.doubt ? b.doubt.blind : []) {
      const wide = Math.max((last - first) * sc.px, 1);
      chart.append(svg("rect", { x: X(first), y: 16, width: wide, height: low - 16, fill: colours.asked, "fill-opacity": 0.75 }));
      if (wide > 60) chart.append(haloed([X((first + last) / 2), low - 5], "no locate", { "text-anchor": "middle", "font-size": 10.5 }));
    }
    const taken = [];
    for (const c of b.crossings) {
      const x = X(c.s), y = Y(c.index ?? 0), none = c.index === null;
      chart.append(svg("path", { d: `M${x.toFixed(1)} ${low}V${y.toFixed(1)}`, stroke: colours.text, "stroke-width": 1.4 }));
      chart.append(...(c.letter ? letter(c, colours, x, y, 4.6)
        : [svg("rect", { x: x - 4, y: y - 4, width: 8, height: 8, fill: "#fff", stroke: colours.text, "stroke-width": 1.4 })]));
      const text = `${c.letter ? c.letter + " " : ""}${said(c.name, 18)}${none ? "" : ` ${c.index < LEAST ? "<1e-6" : Number(c.index.toPrecision(2))}`}`;
      const wide = text.length * 5.6, at = Math.min(x + 8, WIDE - RIGHT - wide);
      const row = [0, 1, 2, 3].find(n => !taken.some(t => t[2] === n && at < t[1] && at + wide > t[0])) ?? 0;
      taken.push([at, at + wide, row]);
      chart.append(haloed([at, 12 + 12 * row], text, { "font-size": 10.5 }),
        svg("path", { d: `M${x.toFixed(1)} ${y.toFixed(1)}L${at.toFixed(1)} ${9 + 12 * row}`, stroke: colours.soft, "stroke-width": 0.6 }));
    }
    for (const s of ticks(0, sc.long, 8)) chart.append(word([X(s), tall - 5], String(s), { "text-anchor": "middle" }));
    if (b.doubt) {
      reader(chart, sc.px, b.s, low, at => {
        const up = along(b.s, b.doubt.up, at), side = along(b.s, b.doubt.side, at);
        return up === null || side === null ? "" :
          `${fixed(at, 0)} ${units.length}: head within ${fixed(side, 1)} sideways, ${fixed(up, 1)} ${units.length} up or down`;
      });
    }
    return chart;
  };

  const drawPressures = (place, layout, data) => {
    const sc = scale(layout), muds = layout.bores.filter(b => b.mud).map(b => b.mud);
    const needs = most(muds.map(m => most(known([...m.needs, ...m.harsh]))));
    const bears = most(muds.map(m => most(known(m.bears.filter((_, k) => m.judged[k])))));
    const top = 1.08 * Math.max(needs, Math.min(Number.isFinite(bears) ? bears : needs, 2.5 * needs), 1e-6);
    put(place, ...layout.bores.map(b => figureOf(b, data.units.length, [
      b.mud ? pressure(b, sc, data, top) : el("p", { class: "soft" }, b.there ? "Drilled already: no mud." : "Mud pressure was not computed."),
      crossings(b, sc, data),
    ])));
    return `Along each bore in plan, ${data.units.length}; pressures in ${data.units.pressure}, all bores of the layout at one scale.`;
  };

  /* A layout as a picture of a stamp's size. */
  const stamp = (layout, data) => {
    const outline = data.scene.outline, g = data.scene.ground;
    const box = [g.x[0], g.y[0], g.x[g.x.length - 1], g.y[g.y.length - 1]];
    const wide = 220, px = wide / (box[2] - box[0]), tall = Math.min((box[3] - box[1]) * px, 320);
    const P = (x, y) => [(x - box[0]) * px, tall - (y - box[1]) * px];
    const chart = svg("svg", { viewBox: `0 0 ${wide} ${tall.toFixed(0)}`, role: "img", "aria-label": `Plan of ${layout.id}` });
    const add = (xs, ys, given, close) => chart.append(svg("path", { d: path(xs.map((x, k) => P(x, ys[k])), close), fill: "none", ...given }));
    for (const a of data.scene.areas) {
      for (const e of a.edges.slice(0, 1)) add(e[0], e[1], { fill: a.fill || "none", stroke: Dom.colour(a.colour, "#999"), "stroke-width": 0.7 }, true);
    }
    for (const b of data.scene.blocks) add(b.edges[0][0], b.edges[0][1], { fill: data.colours.building, stroke: data.colours.building_edge }, true);
    add(outline[0], outline[1], { stroke: "#000", "stroke-width": 1.6, "stroke-dasharray": "9 2 2 2 2 2" }, true);
    const pad = layout.pad;
    add(pad.map(p => p[0]), pad.map(p => p[1]), { fill: "#fff", stroke: data.colours.ink, "stroke-width": 1.4 }, true);
    if (layout.header.length) {
      add(layout.header.map(p => p[0]), layout.header.map(p => p[1]), { stroke: data.colours.ink, "stroke-dasharray": "3 2" });
    }
    for (const b of layout.bores) {
      add(b.x, b.y, { stroke: "#fff", "stroke-width": 4 });
      add(b.x, b.y, { stroke: data.colours.ink, "stroke-width": 0.9 });
      for (const [first, last] of pieces(b.s.map((_, k) => k), b.level)) {
        add(b.x.slice(first, last + 1), b.y.slice(first, last + 1), { stroke: data.colours.ink, "stroke-width": 2.6 });
      }
    }
    return chart;
  };

  return { drawProfiles, drawPressures, stamp, ticks, scale };
})();
