/* The map: lot, buildings, things in the ground, closed ground, bores with their readings, own place. Drag to move, keys or two
fingers to zoom; north is up. */
const Plan = (() => {
  "use strict";
  const { svg, said, colour } = Dom;

  /* Local metres of a longitude and latitude, by the job's own fit. */
  const local = (job, lon, lat) => {
    const fit = job.from_lonlat;
    if (!fit || !Array.isArray(fit.x) || !Array.isArray(fit.y)) return null;
    const [u, v] = [lon - fit.lon, lat - fit.lat];
    const terms = [1, u, v, u * u, u * v, v * v];
    const sum = c => c.reduce((a, b, n) => a + b * terms[n], 0);
    return [sum(fit.x), sum(fit.y)];
  };

  /* A round length near the one asked, in the job's units. */
  const round = metres => {
    const size = 10 ** Math.floor(Math.log10(metres));
    return [5, 2, 1].map(n => n * size).find(v => v <= metres) || size;
  };

  /* Zones as lists of rings: a ring that lies inside the one before, of the same words and turned the other way, is a hole of it. */
  const turned = ring => ring.reduce((a, p, n) => { const q = ring[(n + 1) % ring.length]; return a + p[0] * q[1] - q[0] * p[1]; }, 0);
  const holds = (ring, [x, y]) => ring.reduce((inside, p, n) => {
    const q = ring[(n + 1) % ring.length];
    return (p[1] > y) !== (q[1] > y) && x < p[0] + (q[0] - p[0]) * (y - p[1]) / (q[1] - p[1]) ? !inside : inside;
  }, false);
  const zonesOf = given => {
    const found = [];
    for (const zone of given) {
      const last = found[found.length - 1];
      const isHole = last && last.label === zone.label && last.closed === zone.closed && last.cover_m === zone.cover_m
        && turned(last.rings[0]) * turned(zone.ring) < 0 && zone.ring.every(p => holds(last.rings[0], p));
      if (isHole) last.rings.push(zone.ring); else found.push({ ...zone, rings: [zone.ring, ...(zone.holes || [])] });
    }
    return found;
  };

  /* Makes a map in `box`; says() gives {bore, readings: [[x, y], ...], head: [x, y] or null, me: {x, y, accuracy_m} or null, units}. */
  const make = (box, job, says) => {
    const [x0, y0, x1, y1] = job.plan.box;
    const zones = zonesOf(job.plan.zones);
    let view = null;     // {x, y of the middle, scale in pixels a metre}
    let size = [0, 0];
    const touches = new Map();

    const fit = (from, to) => {
      const [wide, high] = size;
      const scale = Math.min(wide / Math.max(to[0] - from[0], 5), high / Math.max(to[1] - from[1], 5)) * 0.94;
      return { x: (from[0] + to[0]) / 2, y: (from[1] + to[1]) / 2, scale };
    };
    const px = ([x, y]) => [size[0] / 2 + (x - view.x) * view.scale, size[1] / 2 - (y - view.y) * view.scale];
    const line = (points, isRing) => "M" + points.map(p => px(p).map(v => v.toFixed(1)).join(",")).join("L") + (isRing ? "Z" : "");
    const inView = points => {
      const at = points.map(px);
      return at.some(p => p[0] > -40 && p[0] < size[0] + 40) && at.some(p => p[1] > -40 && p[1] < size[1] + 40);
    };

    const draw = () => {
      const { bore, readings, head, me, units } = says();
      size = [box.clientWidth || box.parentNode.clientWidth, box.clientHeight || box.parentNode.clientHeight];
      if (!view) view = fit([x0, y0], [x1, y1]);
      const ink = colour(job.colours.ink, "#14304f"), grey = colour(job.colours.closed, "#6b635a");
      const parts = [], labels = [];
      const name = (at, text, cls = "name") => { const p = px(at); labels.push([p[0], p[1], text, cls]); };
      const middle = points => points.reduce((a, p) => [a[0] + p[0] / points.length, a[1] + p[1] / points.length], [0, 0]);

      for (const zone of zones) {
        if (!inView(zone.ring)) continue;
        parts.push(svg("path", { d: zone.rings.map(r => line(r, true)).join(""), fill: zone.closed ? "url(#closed)" : "url(#deep)", stroke: grey, "stroke-width": 1.5, "fill-rule": "evenodd" }));
      }
      const areas = job.plan.things.filter(t => t.shape === "area"), others = job.plan.things.filter(t => t.shape !== "area");
      for (const t of areas) {
        if (!inView(t.xy)) continue;
        const isWet = /water|pond|pool|basin|lake|stream/.test(t.kind);
        parts.push(svg("path", { d: line(t.xy, true), fill: isWet ? colour(job.colours.water, "#d3e6f2") : "none", stroke: t.code ? "#000" : colour(t.colour, grey), "stroke-width": 3, "stroke-dasharray": isWet ? null : "10 6" }));
        name(middle(t.xy), said(t.label, 24));
      }
      for (const ring of job.plan.buildings) {
        parts.push(svg("path", { d: line(ring, true), fill: colour(job.colours.building, "#b5b0aa"), stroke: colour(job.colours.building_edge, "#5c5650"), "stroke-width": 3 }));
      }
      for (const ring of job.plan.parcel) parts.push(svg("path", { d: line(ring, true), fill: "none", stroke: "#000", "stroke-width": 4, "stroke-dasharray": "26 6 4 6 4 6" }));
      if (job.plan.header) parts.push(svg("path", { d: line(job.plan.header), fill: "none", stroke: ink, "stroke-width": 3, "stroke-dasharray": "9 6" }));
      if (job.plan.pad) { parts.push(svg("path", { d: line(job.plan.pad, true), fill: "#fff", stroke: "#000", "stroke-width": 3 })); name(middle(job.plan.pad), "pad"); }
      const drawBore = b => {
        const points = b.path.map(p => [p[3], p[4]]);
        if (!inView(points)) return;
        const isOne = b === bore;
        parts.push(svg("path", { d: line(points), fill: "none", stroke: "#fff", "stroke-width": isOne ? 12 : 8 }));
        parts.push(svg("path", { d: line(points), fill: "none", stroke: isOne ? ink : colour(job.colours.ink_light, "#8ea3b8"), "stroke-width": isOne ? 6 : 3 }));
      };
      for (const b of job.bores) if (b !== bore) drawBore(b);   // under what lies in the ground, which they must not hide
      for (const t of others.filter(o => o.shape === "line")) {
        if (!inView(t.xy)) continue;
        const ring = colour(t.colour, grey);
        if (t.half_m > 0) parts.push(svg("path", { d: line(t.xy), fill: "none", stroke: ring, "stroke-opacity": 0.25, "stroke-width": Math.max(2 * t.half_m * view.scale, 8), "stroke-linejoin": "round" }));
        parts.push(svg("path", { d: line(t.xy), fill: "none", stroke: "#000", "stroke-width": 7 }), svg("path", { d: line(t.xy), fill: "none", stroke: ring, "stroke-width": 4 }));
      }

      if (bore) drawBore(bore);
      for (const b of job.bores) {
        const out = b.rod[b.rod.length - 1];
        if (!out || !inView([[out.x, out.y]])) continue;
        const p = px([out.x, out.y]);
        parts.push(svg("circle", { cx: p[0], cy: p[1], r: b === bore ? 9 : 6, fill: "#fff", stroke: b === bore ? "#000" : ink, "stroke-width": 3 }));
        labels.push([p[0], p[1] - 16, said(b.bore_id, 12), b === bore ? "name strong" : "name"]);
      }
      for (const t of others) {
        const at = t.shape === "line" ? [t.xy[Math.floor(t.xy.length / 2)]].map(p => px(p))[0] : px(t.xy[0]);
        if (at[0] < -20 || at[0] > size[0] + 20 || at[1] < -20 || at[1] > size[1] + 20) continue;
        parts.push(Profile.disc(at[0], at[1], 16, t.code || "\u2022", colour(t.colour, grey), false));
        labels.push([at[0], at[1] + 30, said(t.label, 24), "name"]);
      }
      if (bore) {
        const each = [1, 2, 5, 10].find(n => n * job.rod_m * view.scale >= 40) || 20;
        for (const rod of bore.rod.filter(r => r.rod && r.rod % each === 0)) {
          const p = px([rod.x, rod.y]);
          parts.push(svg("path", { d: `M${p[0] - 6},${p[1] - 6}l12,12M${p[0] + 6},${p[1] - 6}l-12,12`, stroke: "#000", "stroke-width": 3 }));
          labels.push([p[0] + 16, p[1] - 8, String(rod.rod), "number"]);
        }
        const go = px([bore.rod[0].x, bore.rod[0].y]);
        parts.push(svg("path", { d: "M0,-16L11,10L-11,10Z", transform: `translate(${go[0]} ${go[1]}) rotate(${bore.azimuth_deg || 0})`, fill: "#fff", stroke: "#000", "stroke-width": 3 }));
      }
      for (const r of readings) { const p = px(r); parts.push(svg("circle", { cx: p[0], cy: p[1], r: 7, fill: "#000", stroke: "#fff", "stroke-width": 2 })); }
      if (head) { const p = px(head); parts.push(svg("path", { d: `M${p[0] - 13},${p[1]}L${p[0]},${p[1] - 13}L${p[0] + 13},${p[1]}L${p[0]},${p[1] + 13}Z`, fill: "#000", stroke: "#fff", "stroke-width": 3 })); labels.push([p[0], p[1] + 32, "head now", "name strong"]); }
      if (me) {
        const p = px([me.x, me.y]);
        parts.push(svg("circle", { cx: p[0], cy: p[1], r: Math.max(me.accuracy_m * view.scale, 14), fill: "none", stroke: "#000", "stroke-width": 3, "stroke-dasharray": "6 5" }));
        parts.push(svg("path", { d: `M${p[0] - 10},${p[1]}h20M${p[0]},${p[1] - 10}v20`, stroke: "#000", "stroke-width": 4 }));
        labels.push([p[0], p[1] + 30, `you, within ${Core.length(me.accuracy_m, units, 0)}`, "name strong"]);
      }
      for (const zone of zones) if (inView(zone.ring) && view.scale > 3) name(zone.ring[0], said(zone.label, 40));

      // labels: the first that find room
      const taken = [];
      for (const strong of [true, false]) for (const [x, y, text, cls] of labels.filter(l => l[3].includes("strong") === strong)) {
        const half = text.length * 4.9 + 3;
        const spot = [x - half, y - 16, x + half, y + 5];
        if (spot[0] < 2 || spot[2] > size[0] - 2 || spot[1] < 2 || spot[3] > size[1] - 2) continue;
        if (taken.some(o => spot[0] < o[2] && o[0] < spot[2] && spot[1] < o[3] && o[1] < spot[3])) continue;
        taken.push(spot);
        parts.push(svg("text", { x, y, class: cls, "text-anchor": "middle" }, text));
      }

      // north and scale
      const step = units === "us" ? round(size[0] / 4 / view.scale / 0.3048) : round(size[0] / 4 / view.scale);
      const long = step * (units === "us" ? 0.3048 : 1) * view.scale;
      parts.push(svg("rect", { x: 6, y: size[1] - 46, width: long + 90, height: 40, fill: "#fff", stroke: "#000", "stroke-width": 1.5 }));
      parts.push(svg("path", { d: `M16,${size[1] - 24}v8h${long.toFixed(1)}v-8`, fill: "none", stroke: "#000", "stroke-width": 4 }));
      parts.push(svg("text", { x: long + 24, y: size[1] - 16, class: "name" }, `${step} ${units === "us" ? "ft" : "m"}`));
      parts.push(svg("rect", { x: 6, y: 6, width: 40, height: 64, fill: "#fff", stroke: "#000", "stroke-width": 1.5 }));
      parts.push(svg("path", { d: "M26,12L38,44L26,37L14,44Z", fill: "#000" }), svg("text", { x: 26, y: 64, class: "name strong", "text-anchor": "middle" }, "N"));
      const defs = svg("defs", {},
        svg("pattern", { id: "closed", width: 12, height: 12, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { d: "M0,0V12", stroke: grey, "stroke-width": 1.6 })),
        svg("pattern", { id: "deep", width: 14, height: 14, patternUnits: "userSpaceOnUse" }, svg("circle", { cx: 7, cy: 7, r: 1.8, fill: grey })));
      box.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
      box.replaceChildren(defs, ...parts);
    };

    let asked = 0;
    const soon = () => { if (!asked) asked = requestAnimationFrame(() => { asked = 0; if (box.isConnected) draw(); }); };
    const zoom = (times, at = [size[0] / 2, size[1] / 2]) => {
      const scale = Math.min(Math.max(view.scale * times, 0.3), 200);
      const [dx, dy] = [at[0] - size[0] / 2, at[1] - size[1] / 2];
      view = { x: view.x + dx / view.scale - dx / scale, y: view.y - dy / view.scale + dy / scale, scale };
      soon();
    };
    const place = event => { const r = box.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };
    box.addEventListener("pointerdown", event => { touches.set(event.pointerId, place(event)); try { box.setPointerCapture(event.pointerId); } catch { /* a made-up touch has no pointer to hold */ } });
    box.addEventListener("pointermove", event => {
      const last = touches.get(event.pointerId);
      if (!last || !view) return;
      const now = place(event);
      const other = [...touches].filter(([id]) => id !== event.pointerId).map(([, p]) => p)[0];
      touches.set(event.pointerId, now);
      if (other) {
        const apart = (a, b) => Math.max(Math.hypot(a[0] - b[0], a[1] - b[1]), 8);
        zoom(apart(now, other) / apart(last, other), [(now[0] + other[0]) / 2, (now[1] + other[1]) / 2]);
      }
      const share = other ? 0.5 : 1;
      view = { ...view, x: view.x - share * (now[0] - last[0]) / view.scale, y: view.y + share * (now[1] - last[1]) / view.scale };
      soon();
    });
    for (const kind of ["pointerup", "pointercancel"]) box.addEventListener(kind, event => touches.delete(event.pointerId));

    return {
      draw,
      zoom,
      whole: () => { view = null; soon(); },
      show: points => {
        const xs = points.map(p => p[0]), ys = points.map(p => p[1]);
        view = fit([Math.min(...xs), Math.min(...ys)], [Math.max(...xs), Math.max(...ys)]);
        soon();
      },
    };
  };
  return { make, local };
})();
