/* The profile of one bore: ground, cover, what is crossed, the plan with its tube, the readings, the head and where it may still go. */
const Profile = (() => {
  "use strict";
  const { svg, said, colour, isFigure } = Dom;
  const line = points => "M" + points.map(p => p.map(v => v.toFixed(1)).join(",")).join("L");
  const least = (list, first) => list.reduce((a, b) => Math.min(a, b), first);
  const most = (list, first) => list.reduce((a, b) => Math.max(a, b), first);

  /* Height of a row of the path at a plan distance; column 1 is the bore, 2 the ground. */
  const at = (path, plan, column) => {
    if (!path.length) return 0;
    if (plan <= path[0][0]) return path[0][column];
    for (let n = 1; n < path.length; n += 1) {
      if (plan <= path[n][0]) {
        const [a, b] = [path[n - 1], path[n]];
        return a[column] + (b[column] - a[column]) * (b[0] === a[0] ? 0 : (plan - a[0]) / (b[0] - a[0]));
      }
    }
    return path[path.length - 1][column];
  };

  /* A thing in the ground: white disc, coloured ring between black lines, its letter in black. */
  const disc = (x, y, size, code, ring, unsure) => svg("g", {},
    svg("circle", { cx: x, cy: y, r: size, fill: "#000" }),
    svg("circle", { cx: x, cy: y, r: size - 1.5, fill: ring }),
    svg("circle", { cx: x, cy: y, r: size - 6.5, fill: "#fff", stroke: "#000", "stroke-width": 1 }),
    svg("text", { x, y: y + 6, class: "letter", "text-anchor": "middle" }, said(code, 1) + (unsure ? "?" : "")));

  /* Draws into `box` (an svg element as large as its place). What: {job, bore, leg, head, state, units, wide, high}. */
  const draw = (box, { job, bore, leg, head, state, units, wide, high }) => {
    const path = bore.path, rods = bore.rod;
    const ink = colour(job.colours.ink, "#14304f");
    const end = most(path.map(p => p[0]), 1);
    const far = Math.max(end, head ? head.plan_m + job.rod_m : 0);
    const whole = (wide - 40) / (far * 1.04);
    const isNear = whole * job.rod_m < 26;
    const span = isNear ? Math.max(job.rod_m * 6, (wide - 40) * job.rod_m / 34) : far * 1.04;
    const from = isNear ? Math.min(Math.max(-0.04 * span, (head ? head.plan_m : 0) - 0.35 * span), Math.max(far * 1.02 - span, -0.04 * span)) : -0.02 * far;
    const to = from + span;
    const inside = plan => plan >= from - 1 && plan <= to + 1;
    const seen = path.filter(p => inside(p[0]));
    const heights = seen.flatMap(p => [p[1], p[2]]);
    bore.windows.filter(w => inside(w.plan_m)).forEach(w => { if (isFigure(w.ground_m) && isFigure(w.depth_m)) heights.push(w.ground_m - w.depth_m); });
    if (head && inside(head.plan_m)) heights.push(head.z_m);
    const low = least(heights, Infinity), top = most(heights, -Infinity);
    const [left, above, below] = [8, 30, 30];
    const scaleX = (wide - 2 * left) / (to - from);
    const scaleZ = Math.min((high - above - below) / Math.max(top - low + 0.3, 1), scaleX * 3);
    const X = plan => left + (plan - from) * scaleX;
    const Z = z => above + (top - z) * scaleZ;
    box.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    box.setAttribute("width", wide);
    box.setAttribute("height", high);
    const parts = [];
    const bounds = p => Math.max(-50, Math.min(high + 50, p));

    const ground = path.map(p => [X(p[0]), bounds(Z(p[2]))]);
    const floor = high + 60;
    parts.push(svg("path", { d: line([[X(path[0][0] - 50), ground[0][1]], ...ground, [X(end + 50), ground[ground.length - 1][1]], [X(end + 50), floor], [X(path[0][0] - 50), floor]]) + "Z", fill: "#faf8f4" }));

    // cover: the band below the ground that the bore must not enter
    const steps = bore.cover.filter(c => isFigure(c[1]));
    steps.forEach((step, n) => {
      if (!(step[1] > 0)) return;
      const stop = n + 1 < steps.length ? steps[n + 1][0] : end;
      const inner = path.filter(p => p[0] > step[0] && p[0] < stop).map(p => p[0]);
      const places = [step[0], ...inner, stop];
      const band = [...places.map(p => [X(p), bounds(Z(at(path, p, 2)))]), ...places.reverse().map(p => [X(p), bounds(Z(at(path, p, 2) - step[1]))])];
      parts.push(svg("path", { d: line(band) + "Z", fill: "url(#cover)" }));
      parts.push(svg("path", { d: line(band.slice(places.length)), class: "coverline" }));
    });

    // tube and plan
    const tube = p => bore.tube_m + bore.tube_share * Math.max(0, p[2] - p[1]);
    const upper = path.map(p => [X(p[0]), bounds(Z(Math.min(p[2], p[1] + tube(p))))]), lower = path.map(p => [X(p[0]), bounds(Z(p[1] - tube(p)))]);
    parts.push(svg("path", { d: line([...upper, ...lower.reverse()]) + "Z", fill: "#dfe6ee", stroke: "#5f7388", "stroke-width": 1 }));

    // where the head may still go
    if (head && state) {
      const high_ = [], low_ = [];
      const reachM = Math.min(Math.max(end - head.plan_m, job.rod_m * 2), job.rod_m * 5);
      for (let n = 0; n <= 20; n += 1) {
        const d = (n / 20) * reachM;
        let pair = null;
        try { pair = Core.reach(state, d, job.bend_m, job.steepest_pct); } catch { pair = null; }
        if (!pair || !pair.every(isFigure)) break;
        high_.push([X(head.plan_m + d), bounds(Z(head.ground_m + pair[0]))]);
        low_.push([X(head.plan_m + d), bounds(Z(head.ground_m + pair[1]))]);
      }
      if (high_.length > 1) {
        parts.push(svg("path", { d: line([...high_, ...[...low_].reverse()]) + "Z", fill: "url(#reach)" }));
        parts.push(svg("path", { d: line(high_), class: "reachline" }), svg("path", { d: line(low_), class: "reachline" }));
      }
    }
    parts.push(svg("path", { d: line(path.map(p => [X(p[0]), bounds(Z(p[1]))])), fill: "none", stroke: ink, "stroke-width": 3 }));
    parts.push(svg("path", { d: line([[X(path[0][0] - 50), ground[0][1]], ...ground, [X(end + 50), ground[ground.length - 1][1]]]), class: "ground" }));

    // rods: a tick on the plan, the number below; every rod where there is room
    const each = [1, 2, 5, 10, 20].find(n => n * job.rod_m * scaleX >= 34) || 50;
    const base = Z(low) + below - 8;
    let lastLabel = -Infinity;
    for (const rod of rods) {
      if (!inside(rod.plan_m) || rod.rod % each) continue;
      parts.push(svg("path", { d: `M${X(rod.plan_m).toFixed(1)},${Z(rod.z_m) - 6}v12`, stroke: ink, "stroke-width": 3 }));
      if (rod.rod > 0 && X(rod.plan_m) - lastLabel > 26 && X(rod.plan_m) < wide - 8) parts.push(svg("text", { x: (lastLabel = X(rod.plan_m)), y: base, class: "number", "text-anchor": "middle" }, String(rod.rod)));
    }

    // what is crossed: the thing, and the gap to go through between two bars
    const names = [];
    const byId = new Map(job.plan.things.map(t => [t.feature_id, t]));
    let beforeX = -Infinity;
    bore.windows.filter(w => inside(w.plan_m)).forEach((w, n) => {
      const thing = byId.get(w.feature_id) || {};
      const x = X(w.plan_m);
      const roof = isFigure(w.most_z) ? Z(Math.min(w.most_z, at(path, w.plan_m, 2))) : null;
      const sill = isFigure(w.least_z) ? Math.min(Z(w.least_z), floor - 60) : null;
      if (roof !== null && sill !== null) {
        parts.push(svg("path", { d: `M${x - 13},${roof}h26M${x - 13},${sill}h26`, stroke: "#000", "stroke-width": 4 }));
        parts.push(svg("path", { d: `M${x},${roof}V${sill}`, stroke: "#000", "stroke-width": 3, "stroke-dasharray": "3 7" }));
      }
      const z = (isFigure(w.ground_m) ? w.ground_m : at(path, w.plan_m, 2)) - (isFigure(w.depth_m) ? w.depth_m : 0.6);
      const shift = x - beforeX < 30 ? 18 : 0;
      beforeX = x;
      parts.push(disc(x, Math.max(Z(z), 18) + shift, 17, thing.code || "?", colour(thing.colour, "#6b635a"), !isFigure(w.depth_m)));
      if (n < 8) names.push([x, said(w.name, wide < 600 ? 16 : 26)]);
    });
    const ratio = scaleZ / scaleX;
    const words = (Math.abs(ratio - 1) < 0.05 ? "true to scale" : `heights \u00d7${ratio.toFixed(1)}`) + (isNear ? ", part only" : "");
    parts.push(svg("text", { x: 8, y: 20, class: "number" }, words));
    let free = words.length * 9 + 20;
    for (const [x, name] of names) {
      const long = name.length * 9;
      const begin = Math.min(Math.max(x - long / 2, free), wide - long - 4);
      if (begin < free || begin > x + 20) continue;
      parts.push(svg("text", { x: begin, y: 20, class: "name" }, name));
      free = begin + long + 10;
    }

    // readings and head
    const spots = [];
    for (const rod of leg ? leg.rods : []) {
      const planned = rods[rod.rod];
      if (!planned || !isFigure(rod.depth_m) || !inside(planned.plan_m)) continue;
      spots.push(svg("circle", { cx: X(planned.plan_m), cy: Z(at(path, planned.plan_m, 2) - rod.depth_m), r: 6, fill: "#000", stroke: "#fff", "stroke-width": 2 }));
    }
    parts.push(...spots);
    if (head && inside(head.plan_m)) {
      const [x, y] = [X(head.plan_m), Z(head.z_m)];
      const slope = Math.atan2(-head.pitch_pct / 100 * scaleZ, scaleX);
      parts.push(svg("path", { d: "M-15,-13L17,0L-15,13Z", transform: `translate(${x} ${y}) rotate(${slope * 180 / Math.PI})`, fill: "#000", stroke: "#fff", "stroke-width": 3 }));
      parts.push(svg("text", { x: Math.min(x, wide - 60), y: y + 34 > base - 14 ? y - 22 : y + 34, class: "name", "text-anchor": "middle" }, "head now"));
    }

    const defs = svg("defs", {},
      svg("pattern", { id: "reach", width: 12, height: 12, patternUnits: "userSpaceOnUse" }, svg("circle", { cx: 6, cy: 6, r: 1.6, fill: "#000" })),
      svg("pattern", { id: "cover", width: 14, height: 14, patternUnits: "userSpaceOnUse" },
        svg("rect", { width: 14, height: 14, fill: colour(job.colours.cover_band, "#f3eee6") }),
        svg("path", { d: "M0,14L14,0", stroke: "#8a7f70", "stroke-width": 1.2 })));
    box.replaceChildren(defs, ...parts);
    box.setAttribute("role", "img");
    box.setAttribute("aria-label", `profile of bore ${said(bore.bore_id, 30)}`);
  };
  return { draw, at, disc };
})();
