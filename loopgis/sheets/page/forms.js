/* Records beside the rods: what each asks, its limits in words, and what was missed, said at once. */
const Forms = (() => {
  "use strict";
  const { el, put, said, isFigure, told, shown, kept, unit, key } = Dom;

  /* Number keys, twelve of them; `press` gets "0".."9", "." or "back". */
  const pad = press => {
    const keys = ["1", "2", "3", "back", "4", "5", "6", ".", "7", "8", "9", "0"];
    return el("div", { class: "pad" }, keys.map(k =>
      key(k === "back" ? "\u232b" : k, () => press(k), { "data-key": k, class: `key k${k === "." ? "point" : k}`, "aria-label": k === "back" ? "take the last digit away" : k === "." ? "point" : k })));
  };
  const typedOn = (text, k) => {
    if (k === "back") return text.slice(0, -1);
    if (k === "." && text.includes(".")) return text;
    return text.length >= 12 ? text : text + k;
  };
  const figure = text => (/\d/.test(text) ? Number(text) : null);

  const MISSED = "MISSED: ";
  const pullLimits = (bore, units) => {
    const l = bore.limits || {};
    return [["expected", l.pull_kn], ["most that is safe", l.safe_pull_kn], ["weak link parts at", l.weak_link_kn]]
      .filter(([, v]) => isFigure(v)).map(([what, v]) => `${what} ${told(v, "force", units)}`);
  };

  /* All records by name. asks: fields [name, label, dimension, must]; limits, verdict: lines of words; make: what is appended. */
  const RECORDS = {
    pull: {
      title: "PULL", event: "pull",
      asks: [["pull_kn", "most pull seen", "force", true], ["minutes", "it took", "minutes"], ["rest_hours", "rest before cutting", "hours"], ["pull_rod", "most at rod", "rod"]],
      limits: ({ bore, units }) => pullLimits(bore, units),
      verdict: ({ bore, units, values: v }) => {
        const l = bore.limits || {}, lines = [];
        if (isFigure(l.safe_pull_kn) && v.pull_kn > l.safe_pull_kn) lines.push(`${MISSED}${told(v.pull_kn, "force", units)} is more than the pipe can safely take, ${told(l.safe_pull_kn, "force", units)}`);
        if (isFigure(l.weak_link_kn) && v.pull_kn > l.weak_link_kn) lines.push(`${MISSED}the weak link should have parted at ${told(l.weak_link_kn, "force", units)}`);
        return lines;
      },
    },
    test: {
      title: "PRESSURE TEST", event: "test", field: true,
      asks: [["start_kpa", "pressure at start", "pressure", true], ["end_kpa", "pressure at end", "pressure", true], ["minutes", "it lasted", "minutes", true], ["temperature_c", "pipe temperature", "temperature"]],
      limits: ({ job, units }) => [
        isFigure(job.limits?.test_kpa) ? `at least ${told(job.limits.test_kpa, "pressure", units)}` : "the plan names no pressure",
        isFigure(job.limits?.test_minutes) ? `for ${job.limits.test_minutes} min` : null, said(job.limits?.test_basis, 160)].filter(Boolean),
      verdict: ({ job, units, values: v }) => {
        const l = job.limits || {}, lines = [], slack = 0.5 / unit("pressure", units)[0];
        if (isFigure(l.test_kpa) && v.start_kpa < l.test_kpa - slack) lines.push(`${MISSED}started at ${told(v.start_kpa, "pressure", units)}, asked are ${told(l.test_kpa, "pressure", units)}`);
        if (isFigure(l.test_minutes) && v.minutes < l.test_minutes) lines.push(`${MISSED}lasted ${v.minutes} min, asked are ${l.test_minutes}`);
        if (v.end_kpa < v.start_kpa - slack) lines.push(`${MISSED}fell by ${told(v.start_kpa - v.end_kpa, "pressure", units === "us" ? "us" : "metric")}: find out why`);
        return lines;
      },
    },
    purge: {
      title: "FLUSH AND PURGE", event: "purge", field: true,
      asks: [["flow_l_s", "flow", "flow", true], ["minutes", "since the last bubbles", "minutes", true], ["pressure_kpa", "pressure", "pressure"], ["freeze_c", "freezes at", "temperature"]],
      limits: ({ job, units }) => [
        isFigure(job.limits?.purge_l_s) ? `at least ${told(job.limits.purge_l_s, "flow", units)} for the whole field` : "the plan names no flow",
        isFigure(job.limits?.purge_minutes) ? `for ${job.limits.purge_minutes} min` : null, said(job.limits?.purge_basis, 160)].filter(Boolean),
      verdict: ({ job, units, values: v, isField }) => {
        const l = job.limits || {}, lines = [], slack = 0.05 / unit("flow", units)[0];
        if (isField && isFigure(l.purge_l_s) && v.flow_l_s < l.purge_l_s - slack) lines.push(`${MISSED}flow ${told(v.flow_l_s, "flow", units)}, asked are ${told(l.purge_l_s, "flow", units)}`);
        if (isFigure(l.purge_minutes) && v.minutes < l.purge_minutes) lines.push(`${MISSED}${v.minutes} min, asked are ${l.purge_minutes}`);
        return lines;
      },
    },
    start: {
      title: "ENTRY", event: "start", place: true,
      asks: [["pitch_pct", "pitch set up", "pitch"]],
      limits: ({ bore }) => [`plan: goes in at ${Dom.signed(bore.rod[0].pitch_pct, 0)} %`],
    },
    exit: {
      title: "HEAD IS OUT", event: "exit", place: true,
      asks: [],
      limits: ({ bore, next }) => [`plan: comes out after rod ${bore.rods}; recorded so far: ${next - 1}`, "Measured to 0.1 m or better counts as surveyed. A tablet alone is some metres out."],
    },
    abandon: {
      title: "GIVE UP FROM ROD", event: "abandon",
      asks: [["rod", "rods given up from", "rod", true]],
      limits: () => ["The hole stays in the ground and on record. The rods before it belong to the next try too."],
    },
    note: { title: "REMARK", event: "note", asks: [], limits: () => [], words: true },
  };

  /* Builds the form of a record. app: {job, bore, next, last, units, me(), locate(), record(what, title), back}. */
  const build = (name, app) => {
    const form = RECORDS[name];
    const { job, bore, units } = app;
    let isField = false, active = null;
    const given = {}, signs = {}, boxes = {};
    const fields = form.asks.map(([id, label, what, must]) => ({ id, label, what, must }));
    if (form.place) for (const [id, label] of [["x", "map x (east)"], ["y", "map y (north)"], ["accuracy_m", "good to"]]) fields.push({ id, label, what: id === "accuracy_m" ? "length" : "place" });
    const isSigned = f => f.what === "pitch" || f.what === "temperature" || f.what === "place";
    const remark = el("textarea", { id: "remark", class: "remark", rows: 2, maxlength: 2000, "aria-label": "remark", autocomplete: "off", spellcheck: "false" });
    const message = el("div", { class: "message", id: "said", role: "status" });

    const refresh = () => {
      for (const f of fields) {
        const box = boxes[f.id], text = given[f.id] || "";
        box.classList.toggle("active", f === active);
        put(box, el("span", { class: "label" }, f.label, f.must ? "" : " (if known)"),
          el("span", { class: "figure" }, (isSigned(f) && signs[f.id] ? "\u2212" : "") + (text || "\u2013"), el("span", { class: "unit" }, " " + unit(f.what, units)[2])));
      }
      section.classList.toggle("typing", Boolean(active));
      sign.hidden = !(active && isSigned(active));
      sign.textContent = active && signs[active.id] ? "\u2212 to +" : "+ to \u2212";
    };
    const fresh = new Set();   // fields that still hold what the page put there: the first key takes its place
    const press = k => {
      if (!active) return;
      given[active.id] = typedOn(fresh.has(active.id) ? "" : given[active.id] || "", k);
      fresh.delete(active.id);
      refresh();
    };
    const sign = key("", () => { if (active) { signs[active.id] = !signs[active.id]; refresh(); } }, { class: "key signs", id: "signs" });
    for (const f of fields) boxes[f.id] = el("button", { type: "button", class: "field small", "data-field": f.id, tap: () => { active = f; refresh(); boxes[f.id].scrollIntoView({ block: "nearest" }); } });
    if (name === "start") signs.pitch_pct = (bore.rod[0].pitch_pct || 0) < 0;
    if (name === "abandon") { given.rod = String(app.last); fresh.add("rod"); }
    active = window.innerWidth < 600 ? null : fields[0] || null;   // on a phone the keys come when a figure is touched

    const read = f => {
      const typed = figure(given[f.id] || "");
      return typed === null ? null : kept(signs[f.id] ? -typed : typed, f.what, units);
    };
    const usePlace = () => {
      app.locate();
      const me = app.me();
      if (!me) { put(message, "No place from this device yet. Type it, or leave it open."); return; }
      for (const [id, value] of [["x", me.file_x], ["y", me.file_y]]) { given[id] = Math.abs(value).toFixed(Math.abs(value) < 400 ? 8 : 2); signs[id] = value < 0; }
      given.accuracy_m = shown(me.accuracy_m, "length", units);
      put(message, `Place taken, within ${Core.length(me.accuracy_m, units, 1)}.`);
      refresh();
    };
    const done = () => {
      const lacking = fields.filter(f => f.must && read(f) === null);
      if (lacking.length) { put(message, `Type first: ${lacking.map(f => f.label).join(", ")}.`); active = lacking[0]; refresh(); return; }
      const from = read({ id: "rod", what: "rod" });
      if (name === "abandon" && (Math.round(from) < 1 || Math.round(from) > app.last)) {
        put(message, app.last ? `Rod ${app.last} is the last one read: give up from a rod between 1 and ${app.last}.` : "No rod of this bore was read.");
        fresh.add("rod");
        return;
      }
      const text = remark.value.trim();
      if (form.words && !text) { put(message, "Write the remark first."); return; }
      const own = ["rod", "x", "y", "accuracy_m", "pitch_pct"];
      const what = { event: form.event, bore_id: isField ? "" : bore.bore_id, remark: text, values: {} };
      for (const f of fields) {
        const value = read(f);
        if (value === null) continue;
        if (own.includes(f.id)) what[f.id] = f.id === "rod" ? Math.round(value) : value; else what.values[f.id] = value;
      }
      if ((what.x === undefined) !== (what.y === undefined)) { put(message, "Give both map figures, x and y, or none."); return; }
      app.record(what, form.title);
    };

    const where = form.field ? el("div", { class: "row" }, key(`BORE ${said(bore.bore_id, 12)}`, () => whole(false), { class: "key wide", id: "of-bore" }), key("WHOLE FIELD", () => whole(true), { class: "key wide", id: "of-field" })) : null;
    const whole = yes => {
      isField = yes;
      if (where) [...where.children].forEach((b, n) => { b.classList.toggle("chosen", (n === 1) === yes); b.setAttribute("aria-pressed", String((n === 1) === yes)); });
    };
    whole(false);
    const limits = form.limits({ job, bore, units, next: app.next });
    const section = el("section", { class: "form", "data-form": name },
      el("div", { class: "head" }, el("h2", {}, form.title, form.field ? "" : [" ", Dom.bdi(bore.bore_id, 20)]), key("BACK", app.back, { class: "key", id: "back" })),
      el("div", { class: "scroll" },
        limits.length ? el("p", { class: "limits" }, limits.join(" \u00b7 ")) : null, where,
        el("div", { class: "fields" }, Object.values(boxes)),
        form.place ? key("USE THIS TABLET'S PLACE", usePlace, { class: "key wide" }) : null,
        el("label", { class: "remarkbox" }, el("span", { class: "label" }, "remark"), remark), message),
      el("div", { class: "formfoot" }, fields.length ? el("div", { class: "padbox" }, sign, pad(press)) : null, key(`RECORD ${form.title}`, done, { class: "key record", id: "done" })));
    refresh();
    return section;
  };
  /* What a record missed of its limits, in words; none for one that lacks figures. */
  const missed = (entry, job, bore, units) => {
    const form = RECORDS[entry.event], v = entry.values;
    if (form.asks.some(([id, , , must]) => must && !isFigure(v[id]))) return [];
    return form.verdict({ job, bore, units, values: v, isField: entry.bore_id === "" }).map(line => line.replace(MISSED, `${MISSED}${form.title.toLowerCase()}: `));
  };
  /* A figure of a record with the words and the unit that its form gives it. */
  const saidValue = (event, name, value, units) => {
    const ask = (RECORDS[event]?.asks || []).find(a => a[0] === name);
    return ask ? `${ask[1]} ${told(value, ask[2], units)}` : `${said(name, 20)} ${Number(value.toFixed(2))}`;
  };
  return { build, pad, typedOn, figure, missed, saidValue, RECORDS };
})();
