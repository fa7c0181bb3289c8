/* The site in three dimensions, by the chart library: ground, blocks, lines, zones, and the bores of the layout that is chosen. */
const Scene = (() => {
  "use strict";
  const SIDES = 6, WIDE = 0.0042, THIN = 0.0019;
  const VIEWS = {
    corner: { eye: { x: -0.69, y: -1.09, z: 0.8 }, up: { x: 0, y: 0, z: 1 }, center: { x: -0.03, y: -0.1, z: -0.2 } },
    above: { eye: { x: 0, y: -0.001, z: 1.45 }, up: { x: 0, y: 1, z: 0 }, center: { x: 0, y: 0, z: 0 } },
    side: { eye: { x: 0, y: -1.5, z: 0.12 }, up: { x: 0, y: 0, z: 1 }, center: { x: 0, y: 0, z: 0 } },
    below: { eye: { x: -0.55, y: -1.15, z: -0.42 }, up: { x: 0, y: 0, z: 1 }, center: { x: 0, y: 0, z: 0 } },
  };

  /* Is there anything that can draw it; old tablets and some browsers have it switched off. */
  const able = () => {
    try {
      const canvas = document.createElement("canvas");
      return Boolean(canvas.getContext("webgl2") || canvas.getContext("webgl"));
    } catch {
      return false;
    }
  };

  /* Several lines as one, broken where one ends. */
  const joined = lines => {
    const all = [[], [], []];
    for (const line of lines) [0, 1, 2].forEach(n => all[n].push(...line[n], null));
    return { x: all[0], y: all[1], z: all[2] };
  };
  const line = (lines, colour, width, more = {}) => ({
    type: "scatter3d", mode: "lines", ...joined(lines), line: { color: colour, width, dash: more.dash || "solid" },
    hoverinfo: "skip", connectgaps: false, ...more.given,
  });
  const shape = (bodies, colour, more = {}) => {
    const all = { x: [], y: [], z: [], i: [], j: [], k: [] };
    for (const b of bodies) {
      const first = all.x.length;
      for (const key of ["x", "y", "z"]) for (const v of b[key]) all[key].push(v);
      for (const key of ["i", "j", "k"]) for (const v of b[key]) all[key].push(v + first);
    }
    return { type: "mesh3d", ...all, color: colour, hoverinfo: "skip", flatshading: true,
      lighting: { ambient: 0.72, diffuse: 0.5, specular: 0.02, roughness: 0.9 }, lightposition: { x: -1000, y: 1000, z: 2000 }, ...more };
  };
  const words = (places, texts, colour, more = {}) => ({
    type: "scatter3d", mode: "text", x: places.map(p => p[0]), y: places.map(p => p[1]), z: places.map(p => p[2]),
    text: texts.map(t => Charts.plain(t, 40)), textfont: { color: colour, size: Charts.size() - 1, family: Charts.FONT, weight: 700 },
    hoverinfo: "skip", ...more,
  });

  /* A tube round a line; heights are stretched afterwards, so it is flattened before. */
  const tube = (x, y, z, radius, stretch) => {
    const body = { x: [], y: [], z: [], i: [], j: [], k: [] }, count = x.length;
    for (let n = 0; n < count; n += 1) {
      const a = Math.max(n - 1, 0), b = Math.min(n + 1, count - 1);
      const dx = x[b] - x[a], dy = y[b] - y[a], flat = Math.hypot(dx, dy) || 1e-9, dz = (z[b] - z[a]) * stretch;
      const long = Math.hypot(flat, dz), u = [-dy / flat, dx / flat, 0];
      const v = [-dz * dx / flat / long, -dz * dy / flat / long, flat / long];
      for (let s = 0; s < SIDES; s += 1) {
        const turn = 2 * Math.PI * s / SIDES, c = Math.cos(turn) * radius, d = Math.sin(turn) * radius;
        body.x.push(x[n] + u[0] * c + v[0] * d);
        body.y.push(y[n] + u[1] * c + v[1] * d);
        body.z.push(z[n] + v[2] * d / stretch);
      }
    }
    for (let n = 0; n < count - 1; n += 1) {
      for (let s = 0; s < SIDES; s += 1) {
        const p = n * SIDES + s, q = n * SIDES + (s + 1) % SIDES;
        body.i.push(p, q); body.j.push(q, q + SIDES); body.k.push(p + SIDES, p + SIDES);
      }
    }
    return body;
  };

  const pieces = flags => {
    const found = [];
    flags.forEach((flag, k) => {
      if (k && flags[k - 1] === flag) found[found.length - 1][1] = k;
      else found.push([k, k, flag]);
    });
    return found;
  };
  const mix = (a, b, share) => "#" + [1, 3, 5].map(k => Math.round(
    parseInt(a.slice(k, k + 2), 16) * (1 - share) + parseInt(b.slice(k, k + 2), 16) * share).toString(16).padStart(2, "0")).join("");

  /* The ground as triangles between its cells; where the raster knows nothing there is a hole. */
  const hill = g => {
    const body = { x: [], y: [], z: [], i: [], j: [], k: [], intensity: [] }, wide = g.x.length;
    g.z.forEach((row, r) => row.forEach((z, c) => {
      body.x.push(g.x[c]);
      body.y.push(g.y[r]);
      body.z.push(z ?? 0);
      body.intensity.push(g.light[r][c] ?? 1);
    }));
    const known = (r, c) => Dom.isFigure(g.z[r][c]);
    for (let r = 0; r + 1 < g.z.length; r += 1) {
      for (let c = 0; c + 1 < wide; c += 1) {
        if (!(known(r, c) && known(r, c + 1) && known(r + 1, c) && known(r + 1, c + 1))) continue;
        const n = r * wide + c;
        body.i.push(n, n + 1);
        body.j.push(n + 1, n + wide + 1);
        body.k.push(n + wide, n + wide);
      }
    }
    return body;
  };

  /* What stays when another layout is chosen. */
  const still = (data, state) => {
    const { scene, colours } = data, traces = [];
    if (state.ground !== "off") {
      traces.push({
        ...hill(scene.ground), colorscale: [[0, colours.ground[0]], [1, colours.ground[1]]], cmin: 0.35, cmax: 1, showscale: false,
        type: "mesh3d", hoverinfo: "skip", opacity: state.ground === "clear" ? 0.34 : 1, flatshading: false,
        lighting: { ambient: 1, diffuse: 0, specular: 0, fresnel: 0 },
      }, line(scene.contours, colours.contour, 1));
    }
    const fills = [...new Set(scene.areas.map(a => a.fill).filter(f => f))];
    for (const fill of fills) {
      traces.push(shape(scene.areas.filter(a => a.fill === fill).map(a => a.body), Dom.colour(fill, "#ffffff"),
        { lighting: { ambient: 1, diffuse: 0, specular: 0 }, opacity: state.ground === "clear" ? 0.6 : 1 }));
    }
    const kinds = [...new Set(scene.areas.map(a => `${a.colour} ${a.dash}`))];
    for (const kind of kinds) {
      const mine = scene.areas.filter(a => `${a.colour} ${a.dash}` === kind);
      traces.push(line(mine.flatMap(a => a.edges), Dom.colour(mine[0].colour, colours.closed), 2.5, { dash: mine[0].dash ? "dash" : "solid" }));
    }
    traces.push(shape(scene.blocks, colours.building), line(scene.blocks.flatMap(b => b.edges), colours.building_edge, 3));
    traces.push(line(scene.lot, "#000000", 7));
    const lines = scene.lines;
    traces.push(line(lines.map(v => [v.line[0], v.line[1], v.line[2].map(z => z - lift(data))]), "#000000", 9));
    for (const colour of [...new Set(lines.map(v => v.colour))]) {
      const mine = lines.filter(v => v.colour === colour);
      const trace = line(mine.map(v => v.line), Dom.colour(colour, colours.closed), 5.5);
      trace.hoverinfo = "text";
      trace.text = mine.flatMap(v => [...v.line[0].map(() => Charts.plain(`${v.name}, ${v.told}`)), ""]);
      traces.push(trace);
    }
    const letters = lines.flatMap(v => v.letters.map(p => [p, v.letter]));
    const told = [...letters, ...scene.points.map(p => [p.at, p.name]), ...scene.names.map(p => [p.at, p.name]),
      [last(scene.bar.line), scene.bar.words], [last(scene.bar.north), "N"]];
    traces.push(words(told.map(p => p[0]), told.map(p => p[1]), "#000000", { textposition: "top center" }));
    traces.push({ type: "scatter3d", mode: "markers", x: scene.points.map(p => p.at[0]), y: scene.points.map(p => p.at[1]),
      z: scene.points.map(p => p.at[2]), hoverinfo: "skip",
      marker: { symbol: "square", size: 6, color: "#ffffff", line: { color: "#000000", width: 2 } } });
    traces.push(line([scene.bar.line, scene.bar.north], "#000000", 6));
    for (const [closed, on] of [[true, state.closed], [false, state.below]]) {
      const mine = scene.zones.filter(zone => zone.closed === closed);
      if (!on || !mine.length) continue;
      traces.push(shape(mine.flatMap(z => z.bodies), closed ? colours.closed : mix(colours.closed, "#ffffff", 0.35),
        { opacity: closed ? 0.3 : 0.22, lighting: { ambient: 1, diffuse: 0, specular: 0 } }));
      traces.push(line(mine.flatMap(z => z.edges), colours.closed, 2, { dash: closed ? "solid" : "dot" }));
      if (closed) traces.push(line(mine.flatMap(z => z.hatch), colours.closed, 1.6));
      const places = mine.flatMap(z => z.at.map(p => [p, z.words]));
      traces.push(words(places.map(p => p[0]), places.map(p => p[1]), "#000000", { textposition: "top center" }));
    }
    return traces;
  };
  const last = v => [0, 1, 2].map(n => v[n][v[n].length - 1]);

  /* Bores, pad, header and exits of one layout; those of the others as thin lines. */
  const moving = (data, chosen, state) => {
    const { colours, scene } = data, y = data.layouts[chosen], g = scene.ground;
    const reach = Math.max(g.x[g.x.length - 1] - g.x[0], g.y[g.y.length - 1] - g.y[0]), unit = data.units.length;
    const full = [], thin = [], there = [];
    for (const b of y.bores) {
      for (const [first, end, flag] of pieces(b.level)) {
        const until = Math.min(end + 1, b.x.length - 1) + 1;
        const body = tube(b.x.slice(first, until), b.y.slice(first, until), b.z.slice(first, until), reach * (flag ? WIDE : THIN), state.stretch);
        (b.there ? there : flag ? full : thin).push(body);
      }
    }
    const others = data.layouts.flatMap((v, n) => (n === chosen ? [] : v.bores.map(b => [b.x, b.y, b.z])));
    const lit = { flatshading: false, lighting: { ambient: 0.66, diffuse: 0.6, specular: 0.25, roughness: 0.5 } };
    const axisLine = line(y.bores.map(b => [b.x, b.y, b.z]), colours.ink, 2.5);
    axisLine.hoverinfo = "text";
    axisLine.text = y.bores.flatMap(b => [...b.d.map((d, k) => Charts.plain(
      `${b.id}: drilled ${d.toFixed(0)} ${unit}, ${(b.g[k] - b.h[k]).toFixed(1)} ${unit} deep${b.level[k] ? ", level run" : ""}`)), ""]);
    const pad = [0, 1, 2].map(n => y.pad.map(p => (n < 2 ? p[n] : heightAt(g, p[0], p[1]) + lift(data) * 2)));
    const header = y.header.length ? [[0, 1, 2].map(n => y.header.map(p => p[n]))] : [];
    const ends = y.bores.map(b => [b.x[b.x.length - 1], b.y[b.y.length - 1], b.z[b.z.length - 1] + lift(data) * 3]);
    const entries = y.bores.map(b => [b.x[0], b.y[0], b.z[0] + lift(data) * 3]);
    const met = y.bores.flatMap(b => b.crossings.filter(c => c.how !== "beside").map(c => [b, c]));
    return [
      shape(full, colours.ink, lit), shape(thin, colours.ink, lit), shape(there, colours.closed, lit), axisLine,
      { ...line(others, colours.light, 3), visible: state.others && others.length > 0 },
      { type: "mesh3d", x: pad[0].slice(0, -1), y: pad[1].slice(0, -1), z: pad[2].slice(0, -1), i: [0, 0], j: [1, 2], k: [2, 3],
        color: "#ffffff", opacity: 0.9, hoverinfo: "skip", lighting: { ambient: 1, diffuse: 0 }, visible: pad[0].length === 5 },
      line([pad], colours.ink, 6), line(header, colours.ink, 6, { dash: "dash" }),
      { ...words(ends, apart(ends, y.bores.map(b => b.number), reach * 0.022), colours.ink, { textposition: "top center" }), mode: "markers+text",
        textfont: { color: colours.ink, size: Charts.size() + (y.bores.length > 16 ? 0 : 3), family: Charts.FONT, weight: 700 },
        marker: { symbol: "circle", size: 9, color: "#ffffff", line: { color: colours.ink, width: 3 } } },
      { type: "scatter3d", mode: "markers", x: entries.map(p => p[0]), y: entries.map(p => p[1]), z: entries.map(p => p[2]), hoverinfo: "skip",
        marker: { symbol: "diamond", size: 5, color: colours.ink } },
      { type: "scatter3d", mode: "markers", x: met.map(([, c]) => c.x), y: met.map(([, c]) => c.y), z: met.map(([, c]) => c.z), hoverinfo: "text",
        text: met.map(([b, c]) => Charts.plain(`${b.id} passes ${c.how} ${c.name}${c.gap === null ? "" : `, ${c.gap.toFixed(1)} ${unit} clear`}`)),
        marker: { symbol: "diamond-open", size: 6, color: colours.text } },
    ];
  };
  /* Numbers of exits, without those that would stand in one that is there already. */
  const apart = (places, texts, least) => {
    const taken = [];
    return places.map((p, k) => {
      if (taken.some(t => Math.hypot(t[0] - p[0], t[1] - p[1]) < least)) return "";
      taken.push(p);
      return texts[k];
    });
  };
  const lift = data => (data.units.length === "ft" ? 0.4 : 0.12);
  const heightAt = (g, x, y) => {
    const near = (list, v) => Math.min(Math.max(Math.round((v - list[0]) / (list[1] - list[0])), 0), list.length - 1);
    return g.z[near(g.y, y)][near(g.x, x)] ?? 0;
  };

  const extent = data => {
    const g = data.scene.ground, zs = g.z.flat().filter(Dom.isFigure);
    let low = zs.reduce((a, b) => Math.min(a, b), Infinity), high = zs.reduce((a, b) => Math.max(a, b), -Infinity);
    for (const y of data.layouts) for (const b of y.bores) for (const v of b.z) { low = Math.min(low, v); high = Math.max(high, v); }
    const roof = Math.max(high, ...data.scene.blocks.map(b => Math.max(...b.z)));
    return { x: [g.x[0], g.x[g.x.length - 1]], y: [g.y[0], g.y[g.y.length - 1]], z: [low - 1, roof + 1] };
  };

  const layoutOf = (data, state, seen) => {
    const e = extent(data), wide = [e.x, e.y, e.z].map(v => v[1] - v[0]), whole = Math.max(wide[0], wide[1]);
    const hidden = range => ({ visible: false, range, autorange: false });
    return {
      font: { family: Charts.FONT, size: Charts.size() }, margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, paper_bgcolor: "#fff",
      autosize: true,
      hoverlabel: { bgcolor: "#fff", bordercolor: "#1c1a18", font: { family: Charts.FONT, size: Charts.size(), color: "#1c1a18" } },
      scene: {
        xaxis: hidden(e.x), yaxis: hidden(e.y), zaxis: hidden(e.z), bgcolor: "#fff", dragmode: "turntable", aspectmode: "manual",
        aspectratio: { x: 1.55 * wide[0] / whole, y: 1.55 * wide[1] / whole, z: 1.55 * wide[2] * state.stretch / whole },
        camera: JSON.parse(JSON.stringify(seen || VIEWS.corner)),
      },
    };
  };

  /* The same figures as long as nothing was switched: then the library need not look at them again. */
  let kept = { said: "", traces: [] };
  const stillKept = (data, state) => {
    const said = JSON.stringify([state.ground, state.closed, state.below]);
    if (kept.said !== said) kept = { said, traces: still(data, state) };
    return kept.traces;
  };

  const draw = (place, data, chosen, state) => Plotly.react(
    place, [...moving(data, chosen, state), ...stillKept(data, state)], layoutOf(data, state, place.layout?.scene?.camera), { ...Charts.SETTINGS, plotGlPixelRatio: Math.min(window.devicePixelRatio || 1, 2) });

  /* Nearer or farther, by buttons: the wheel belongs to the page. */
  const zoom = (place, factor) => {
    const now = place._fullLayout.scene.camera.eye, eye = {};
    for (const key of ["x", "y", "z"]) eye[key] = now[key] * factor;
    return Plotly.relayout(place, { "scene.camera.eye": eye });
  };
  const look = (place, view) => Plotly.relayout(place, { "scene.camera": JSON.parse(JSON.stringify(VIEWS[view])) });

  return { able, draw, zoom, look };
})();
