/* The crew's page: three bands with the next reading lowest, the map, the bores, records, and what is kept. */
(() => {
  "use strict";
  const { el, svg, put, said, bdi, colour, signed, isFigure, told, shown, kept, key } = Dom;
  const job = Dom.unpacked(JSON.parse(document.getElementById("job").textContent));
  const page = document.getElementById("page");
  const CAUTION = "Planning aid, not a survey. See every crossing with your own eyes first. Gas smell: stop, engine off, walk away upwind.";
  document.title = said(`${job.layout_id} ${job.site}`, 60);

  let version = 0;   // of the log; what is computed from it is kept until it changes
  const store = Store.open(job, () => { version += 1; soon(); });
  const state = {
    view: "rod", bore: 0, units: job.units === "us" ? "us" : "metric",
    depth: "", pitch: "", down: null, active: "depth", armed: "", rod: null, extra: { roll: null, offset: "", right: true, remark: "" },
    status: "",  last: null, me: null, watching: false, typing: false, asPlace: false,
  };
  /* Bore and units as they were last time. */
  const recall = () => {
    const [n, units] = [store.recall("bore"), store.recall("units")];
    if (Number.isInteger(n) && n >= 0 && n < job.bores.length) state.bore = n;
    if (["us", "metric"].includes(units)) state.units = units;
  };
  const work = () => ({ ...job, units: state.units });
  const bore = () => job.bores[state.bore];
  const isNarrow = () => window.innerWidth < 600;

  // ---- what the log says

  const legOf = b => Core.current(store.all(), b.bore_id);
  const rodsOf = leg => leg.rods;
  const nextRod = leg => (state.rod !== null ? state.rod : rodsOf(leg).reduce((n, e) => Math.max(n, e.rod), 0) + 1);
  /* What cannot be computed is said, never taken for "nothing there". */
  let trouble = "";
  const careful = (job_, act, otherwise) => { try { return act(job_); } catch (problem) { trouble = said(problem.message, 90); return otherwise; } };

  const memory = new Map();
  const once = (name, act) => {
    const mark = `${version} ${state.bore} ${state.units} ${state.rod}`;
    const kept_ = memory.get(name);
    if (kept_ && kept_.mark === mark) return kept_.value;
    const value = act();
    memory.set(name, { mark, value });
    return value;
  };

  /* All that the rod's page shows, computed once for each change of the log. */
  const look = () => once("look", lookAnew);
  const lookAnew = () => {
    trouble = "";
    const b = bore(), w = work(), leg = legOf(b);
    const head = careful(w, j => Core.head(j, b, leg), null);
    const now = head ? careful(w, j => Core.state(j, b, head), null) : null;
    const ahead = head ? careful(w, j => Core.ahead(j, b, head), []) : [];
    const next = nextRod(leg);
    const steer = head ? careful(w, j => Core.steer(j, b, head), null) : null;
    return { b, w, leg, head, now, ahead, next, steer, trouble, planned: b.rod[next] || null };
  };
  const stateOf = b => {
    const legs = Core.legs(store.all(), b.bore_id), leg = legOf(b);
    const last = rodsOf(leg).reduce((n, e) => Math.max(n, e.rod), 0);
    const part = legs.some(l => l.given_up_from !== null && l.given_up_from !== undefined) ? ", a part given up" : "";
    if (leg.exit) return ["out", `out after rod ${last}${part}`];
    if (last) return ["going", `rod ${last} of ${b.rods}${part}`];
    if (leg.start) return ["going", `set up${part}`];
    return b.done ? ["out", "drilled before"] : ["none", `not begun${part}`];
  };

  /* Checks of a reading as it was made, kept until what stood before it changes. */
  const checked = new Map();
  const checksOf = (b, before, entry) => {
    const name = `${b.bore_id} ${entry.entry_id} ${entry.hash} ${state.units}`;
    const mark = [before.start, ...rodsOf(before)].map(e => (e ? e.hash : "")).join(" ");
    const kept_ = checked.get(name);
    if (kept_ && kept_.mark === mark) return kept_.found;
    const found = careful(work(), j => Core.checks(j, b, before, entry), []);
    checked.set(name, { mark, found });
    return found;
  };
  const MOST_ASKED = 12;   // readings that are gone through for questions
  /* Questions that nobody answered yet, the newest entry first; missed limits of records stand together. An answer is a note that names the entry. */
  const questions = b => {
    const standing = Core.standing(store.all());
    const answered = new Set(standing.filter(e => e.event === "note" && e.of).map(e => `${e.of} ${e.remark}`));
    const isOpen = one => !answered.has(`${one.entry.entry_id} ${answerWords(one)}`);
    const leg = legOf(b);
    const newest = (a, z) => (a.read_at === z.read_at ? z.number - a.number : a.read_at < z.read_at ? 1 : -1);
    const rods = [...rodsOf(leg), leg.start].filter(Boolean).sort(newest).slice(0, MOST_ASKED);
    const found = rods.flatMap(entry => {
      const before = Core.current(standing.filter(e => e !== entry && (e.tablet === entry.tablet ? e.number < entry.number : e.read_at <= entry.read_at)), b.bore_id);
      return checksOf(b, before, entry).map(check => ({ ...check, entry }));
    }).filter(isOpen);
    if (leg.exit) found.push(...tooEarly(b, leg).map(words => ({ code: "early exit", words, fix: null, entry: leg.exit })).filter(isOpen));
    const missed = standing.filter(e => Forms.RECORDS[e.event]?.verdict && (e.bore_id === b.bore_id || e.bore_id === "") && e.layout_id === job.layout_id)
      .map(entry => ({ code: "missed", entry, lines: careful(work(), j => Forms.missed(entry, j, b, state.units), []) })).filter(m => m.lines.length && isOpen(m)).sort((a, z) => newest(a.entry, z.entry));
    if (missed.length) found.push({ code: "missed", entry: missed[0].entry, missed });
    return found.sort((a, z) => newest(a.entry, z.entry));
  };
  const answerWords = check => (check.code === "missed" ? "seen: missed" : `kept, asked about: ${check.code}`);

  /* The clock said in words; the plan's action without the clock in its brackets. */
  const clockWords = clock => {
    const half = /^(\d+):30$/.exec(clock || "");
    return half ? `between ${half[1]} and ${Number(half[1]) % 12 + 1} o'clock` : said(clock, 30);
  };
  const plainAction = text => said(text, 160).replace(/ ?\(\d+:\d\d\)/g, "").replace(/: (\d+:30|\d+ o'clock)/, "").replace(/-(?=\d)/g, "\u2212");

  // ---- putting entries down

  const put_ = (what, says) => {
    let entry = null;
    try {
      entry = store.append({ layout_id: job.layout_id, bore_id: bore().bore_id, read_at: new Date().toISOString(), rod: 0, ...what });
    } catch (problem) {
      state.status = `NOT RECORDED: ${said(problem.message, 120)}. Write it on paper`;
      update();
      return null;
    }
    state.status = `${says} \u2026`;
    state.last = entry;
    update();
    store.settled().then(() => {
      if (state.last !== entry) return;
      state.status = store.isPending(entry) ? `${says}: NOT STORED, only in memory` : `${says}: stored`;
      update();
    });
    return entry;
  };
  const takeBack = (entry, says) => put_({ event: "undo", of: entry.entry_id, bore_id: entry.bore_id, rod: entry.rod }, says);
  const nameOf = e => ({ rod: `rod ${e.rod}`, start: "entry", exit: "head out", abandon: `given up from rod ${e.rod}`, pull: "pull", test: "pressure test", purge: "purge", note: "remark", undo: "taken back" })[e.event];
  const undoLast = () => {
    const mine = Core.standing(store.all()).filter(e => e.tablet === store.tablet && (e.bore_id === bore().bore_id || e.bore_id === "") && !(e.event === "note" && e.of));
    const last = mine.reduce((a, e) => (!a || e.number > a.number ? e : a), null);
    if (!last) { state.status = "Nothing to take back"; update(); return; }
    takeBack(last, `${nameOf(last)} taken back`);
    state.rod = null;
    update();
  };
  const record = () => {
    const { b, next, planned, head } = look();
    const depth = Forms.figure(state.depth), pitch = Forms.figure(state.pitch);
    const isDown = downNow(planned, head);
    if (depth === null && pitch === null) {
      state.status = "Type what the locator reads: depth, then pitch";
      state.typing = true; state.active = "depth"; state.armed = "";
      update(); draw();
      return;
    }
    const lacking = depth === null ? "DEPTH" : pitch === null ? "PITCH" : "";
    if (lacking && state.armed !== lacking) { state.armed = lacking; state.active = lacking.toLowerCase(); state.status = `No ${lacking.toLowerCase()} typed. Type it, or press again to record without it`; update(); return; }
    const x = state.extra, offset = Forms.figure(x.offset);
    const me = state.asPlace && state.me ? { x: state.me.file_x, y: state.me.file_y, accuracy_m: state.me.accuracy_m } : {};
    const what = {
      event: "rod", rod: next, depth_m: depth === null ? null : kept(depth, "length", state.units),
      pitch_pct: pitch === null ? null : (isDown ? -pitch : pitch) + 0, roll: x.roll,
      offset_m: offset === null ? null : kept(x.right ? offset : -offset, "length", state.units), remark: x.remark.trim(), ...me,
    };
    const { depth: d, pitch: p, down, rod, extra } = state;
    Object.assign(state, { depth: "", pitch: "", down: null, active: "depth", armed: "", rod: null, typing: false, extra: { roll: null, offset: "", right: true, remark: "" } });
    const read = [depth === null ? null : told(what.depth_m, "length", state.units), pitch === null ? null : `${signed(what.pitch_pct, 1)}\u00a0%`].filter(Boolean).join(", ");
    if (!put_(what, `Rod ${next}, ${read}`)) { Object.assign(state, { depth: d, pitch: p, down, rod, extra }); update(); return; }
    if (b.rods === next || legOf(b).exit) wake();
    draw();
  };
  const downNow = (planned, head) => {
    if (state.down !== null) return state.down;
    if (planned && planned.pitch_pct) return planned.pitch_pct < 0;
    return head ? head.pitch_pct < 0 : true;
  };
  const useFix = (question) => {
    const e = question.entry;
    takeBack(e, `${nameOf(e)} taken back`);
    const { roll, offset_m, x, y, accuracy_m, depth_m, pitch_pct, remark, rod } = e;
    put_({ event: e.event, rod, depth_m, pitch_pct, roll, offset_m, x, y, accuracy_m, remark, bore_id: e.bore_id, ...question.fix }, `${nameOf({ ...e, ...question.fix })} put right`);
  };

  // ---- files

  const clean = text => String(text).normalize("NFKD").replace(/[^A-Za-z0-9_-]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 40) || "log";
  const saveFile = kind => {
    const entries = store.all();
    const text = kind === "csv" ? Core.csvText(entries) : Core.logText(job, store.tablet, entries);
    const stamp = new Date().toISOString().slice(0, 16).replace(/[-:]/g, "").replace("T", "-");
    const url = URL.createObjectURL(new Blob([text], { type: kind === "csv" ? "text/csv" : "application/json" }));
    const link = el("a", { href: url, download: `${clean(job.site)}-${clean(job.layout_id)}-${clean(store.tablet)}-${stamp}.${kind}` });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    if (kind === "json") store.markSaved();
    state.status = kind === "csv" ? "Table saved" : `File saved, ${entries.length} entries`;
    update();
  };
  const readFile = async file => {
    let told_ = "";
    try {
      let read = null;
      try { read = JSON.parse((await file.text()).replace(/^\ufeff/, "")); } catch { read = null; }
      if (!read || read.schema !== "loopgis-log/1" || !Array.isArray(read.entries)) throw new Error("this is no log that a tablet saved");
      const own = read.entries.filter(e => store.fits(e) && e.layout_id === job.layout_id && (e.bore_id === "" || job.bores.some(b => b.bore_id === e.bore_id)));
      const good = own.filter(e => careful(job, () => Core.entryHash(e, e.before) === e.hash, false));
      const added = store.takeIn(good);
      const aside = read.entries.length - good.length;
      told_ = `${good.length} entries read, ${added} of them new${aside ? `; ${aside} left aside: of another plan, or changed after they were written` : ""}`;
    } catch (problem) {
      told_ = `Not read: ${said(problem.message, 80)}`;
    }
    state.status = told_;
    render();
  };

  // ---- the device

  const locate = () => {
    if (state.watching || !navigator.geolocation) { if (!navigator.geolocation) state.status = "This device gives no place"; return; }
    state.watching = true;
    navigator.geolocation.watchPosition(fix => {
      const at = Plan.local(job, fix.coords.longitude, fix.coords.latitude);
      if (!at) return;
      const [a, b, c, d, e, f] = job.to_file;
      state.me = { x: at[0], y: at[1], file_x: a + b * at[0] + c * at[1], file_y: d + e * at[0] + f * at[1], accuracy_m: fix.coords.accuracy };
      if (state.view === "map") plan.draw();
    }, () => { state.status = "This device gives no place"; state.watching = false; update(); }, { enableHighAccuracy: true, maximumAge: 5000 });
  };
  const wake = () => {
    if (navigator.wakeLock && document.visibilityState === "visible") navigator.wakeLock.request("screen").catch(() => null);
  };

  // ---- what stands on every view

  const gateBand = el("div", { class: "gate", hidden: true, id: "gate" });
  const fullBand = el("div", { class: "full", hidden: true, id: "full", role: "alert" });
  const strip = el("p", { class: "strip", id: "strip" }, CAUTION);
  const body = el("div", { class: "view" });
  page.append(fullBand, gateBand, body, strip);

  const bands = () => {
    const isShut = Boolean(job.gate) && !job.gate.open;
    gateBand.hidden = !isShut;
    if (isShut && !gateBand.firstChild) {
      put(gateBand, el("p", { class: "gatewords" },
        el("strong", {}, "DO NOT DRILL: "), bdi(job.gate.why || "waiting for answers", 80)));
    }
    const n = store.pending();
    fullBand.hidden = n === 0;
    if (n) {
      const why = store.why() === "blocked" ? "NOT STORED: this browser blocks storage. Save the file now" : "NOT STORED: storage is full. Save the file now";
      if (!fullBand.firstChild) put(fullBand, el("p", {}), key("SAVE FILE", () => saveFile("json"), { class: "key", id: "full-save" }));
      fullBand.firstChild.textContent = `${why} (${n} ${n === 1 ? "entry" : "entries"} only in memory)`;
    }
  };

  // ---- the rod's page, built once, filled again and again

  const rodPage = (() => {
    const title = el("h1", {});
    const sub = el("p", { class: "sub" });
    const nav = el("nav", {}, [["BORES", "bores"], ["MAP", "map"], ["MORE", "more"]].map(([text, view]) => key(text, () => go(view), { class: "key", id: `to-${view}` })), key("UNDO", undoLast, { class: "key", id: "undo" }));
    const steer = el("div", { class: "steer", id: "steer" });
    const cross = el("div", { class: "cross", id: "cross" });
    const ask = el("div", { class: "ask", id: "ask", hidden: true });
    const picture = svg("svg", { class: "profile", id: "profile" });
    const middle = el("div", { class: "middle" }, picture);
    const fieldOf = (id, label) => el("button", { type: "button", class: "field", id, tap: () => { state.active = id; state.typing = true; update(); draw(); } });
    const depth = fieldOf("depth"), pitch = fieldOf("pitch");
    const sign = key("", () => { const { planned, head } = look(); state.down = !downNow(planned, head); update(); }, { class: "key sign", id: "sign" });
    const more = key("ROLL, OFFSET, REMARK", () => go("extra"), { class: "key extra", id: "extra" });
    const status = el("p", { class: "status", id: "status", role: "status" });
    const recordKey = key("", () => (recordKey.dataset.does === "save" ? saveFile("json") : record()), { class: "key record", id: "record" });
    const pad = Forms.pad(k => { const id = state.active; state[id] = Forms.typedOn(state[id], k).slice(0, 6); state.armed = ""; update(); });
    const lower = el("footer", { class: "lower" }, el("div", { class: "reading" }, depth, sign, pitch), pad, el("div", { class: "saying" }, status, more), recordKey);
    const node = el("div", { class: "rodpage" }, el("header", { class: "upper" }, el("div", { class: "topline" }, el("div", { class: "titles" }, title, sub), nav), el("div", { class: "words" }, steer, cross), ask), middle, lower);
    const outKey = key("HEAD IS OUT", () => go("exit"), { class: "key", id: "out" });
    let asked = "";

    const fillField = (box, id, label, ghost, unit, isDue) => {
      const typed = state[id];
      box.classList.toggle("active", state.active === id);
      box.classList.toggle("ghost", !typed);
      put(box, el("span", { class: "label" }, `${label} ${unit} \u00b7 ${typed ? "READ" : isDue ? "DUE" : "PLAN"}`), el("span", { class: "digits" + ((typed || ghost).length > 5 ? " long" : "") }, typed || ghost));
    };
    const crossing = seen => {
      const { head, ahead, b, w } = seen;
      const bad = ahead.find(a => a.result && !a.result.possible);
      const first = bad || ahead[0];
      cross.className = "cross" + (bad ? " cannot" : "");
      if (bad) {
        put(cross, svg("svg", { class: "octagon", viewBox: "0 0 80 80" }, svg("path", { d: "M24,3H56L77,24V56L56,77H24L3,56V24Z", fill: "#fff", stroke: "#000", "stroke-width": 3 }), svg("text", { x: 40, y: 49, "text-anchor": "middle", class: "stop" }, "STOP")),
          el("div", {}, el("p", { class: "big" }, "CANNOT: stop and call"), el("p", {}, bdi(bad.words.replace(/: cannot: /, ": ").replace(/, stop and call$/, ""), 160))));
        return;
      }
      if (seen.trouble) {
        put(cross, el("p", { class: "label" }, "NEXT CROSSING"), el("p", { class: "big" }, "NOT COMPUTED: read again, or stop and call"), el("p", {}, seen.trouble));
        return;
      }
      const unknown = head ? b.windows.find(x => x.plan_m > head.plan_m && !(isFigure(x.least_z) && isFigure(x.most_z))) : null;
      if (unknown && (!first || unknown.plan_m < first.window.plan_m)) {
        put(cross, el("p", { class: "label" }, "NEXT CROSSING"), el("p", { class: "big" }, bdi(unknown.name, 50), ` at rod ${unknown.rod}: room not known`), el("p", {}, "Open it up before the head gets there. ", bdi(unknown.words, 90)));
        return;
      }
      if (first) {
        put(cross, el("p", { class: "label" }, "NEXT CROSSING"), el("p", { class: "big" }, bdi(first.words, 140)), el("p", {}, Core.length(Math.max(first.at_m, 0), state.units, 0), " ahead: ", bdi(first.window.words, 90), first.window.expose ? "; open it up first" : ""));
        return;
      }
      const waits = head ? [] : b.windows;
      put(cross, el("p", { class: "label" }, "NEXT CROSSING"), waits.length
        ? [el("p", { class: "big" }, bdi(waits[0].name, 50), ` at rod ${waits[0].rod}`), el("p", {}, bdi(waits[0].words, 90), waits[0].expose ? "; open it up first" : "")]
        : [el("p", { class: "big" }, head ? "none ahead" : "none on the plan"), head && seen.now && (head.pitch_pct > 3 || seen.next > b.rods - 6) ? el("p", {}, careful(w, j => Core.exitAt({ state: seen.now, radius_m: j.bend_m, steepest: j.steepest_pct, units: j.units }).words, "")) : null,
          head && seen.next > b.rods - 2 && !seen.leg.exit ? outKey : null]);
    };

    const update_ = () => {
      const seen = look();
      const { b, head, next, planned, steer: how, leg } = seen;
      const isOut = Boolean(leg.exit);
      put(title, bdi(b.bore_id, 16), " ", el("span", { class: "nowrap" }, isOut ? "is out" : `rod ${next} of ${b.rods}`));
      const gap = head && head.closure ? (head.closure.ok ? "" : ` \u00b7 depth and pitch disagree by ${Core.length(Math.abs(head.closure.gap_m), state.units, 1)}`) : "";
      put(sub, head ? `head: ${Core.length(head.depth_m, state.units, state.units === "us" ? 1 : 2)} deep, ${signed(head.pitch_pct, 1)}\u00a0%, ${Core.length(head.station_m, state.units, 0)} drilled${gap}` : `${Core.length(b.length_m, state.units, 0)} to drill, down to ${Core.length(b.target_depth_m, state.units, 1)}`);
      const isDue = Boolean(how && how.target && how.target.rod === next);   // where the rod leads that is steered as told, not the plan's own figure
      const target = isDue ? how.target : planned;
      const clock = how ? clockWords(how.clock) : "";
      const doing = plainAction(how ? how.action : planned ? (b.rod[next - 1] || planned).action : "");
      const isStuck = seen.ahead.some(a => a.result && !a.result.possible);
      const isOdd = head && head.closure && !head.closure.ok;
      if (isStuck) put(steer, el("p", { class: "label" }, "STEER NEXT"), el("p", { class: "big" }, "Do not push on. Read the head again, then call."), isOdd ? el("p", {}, "Depth and pitch do not agree.") : null);
      else put(steer, el("p", { class: "label" }, "STEER NEXT"), el("p", { class: "big" }, clock ? [clock, ": "] : null, bdi(doing || "beyond the plan", 120)),
        target ? el("p", {}, `rod ${next} ends ${told(target.depth_m, "length", state.units)} deep at ${signed(target.pitch_pct, 1)}\u00a0%`) : null,
        isOdd ? el("p", {}, el("strong", {}, "Depth and pitch do not agree: read the head again.")) : null,
        head && head.drift ? el("p", {}, el("strong", {}, bdi(head.drift, 120))) : null);
      crossing(seen);

      const open = once("questions", () => questions(b));
      const mark = open.length ? `${open.length} ${state.units} ${open[0].entry.entry_id} ${open[0].code} ${open[0].words || open[0].missed.map(m => m.lines.join()).join()}` : store.unsaved() && isOut ? `save ${store.unsaved()}` : "";
      node.classList.toggle("asking", Boolean(mark));
      if (mark !== asked) {
        asked = mark;
        ask.hidden = !mark;
        const count = open.length > 1 ? ` (1 of ${open.length})` : "";
        if (open.length && open[0].missed) {
          const all = open[0].missed;
          put(ask, el("div", { class: "lines" }, all.flatMap(m => m.lines).map((line, n) => el("p", { class: "big" }, el("span", { class: "query" }, "\u2715"), line, n ? null : count))),
            el("div", { class: "row" }, key("SEEN", () => all.forEach(m => put_({ event: "note", of: m.entry.entry_id, bore_id: m.entry.bore_id, remark: answerWords(m) }, `${nameOf(m.entry)}: seen`)), { class: "key wide", id: "seen" })));
        } else if (open.length) {
          const one = open[0], fix = one.fix;
          const use = fix && (isFigure(fix.pitch_pct) ? `USE ${signed(fix.pitch_pct, 1)}\u00a0%` : isFigure(fix.depth_m) ? `USE ${told(fix.depth_m, "length", state.units)}` : isFigure(fix.roll) ? `USE ${fix.roll} O'CLOCK` : isFigure(fix.rod) ? `USE ROD ${fix.rod}` : "USE THE FIX");
          put(ask, el("p", { class: "big" }, el("span", { class: "query" }, "?"), bdi(one.words, 220), count),
            el("div", { class: "row" }, use ? key(use, () => useFix(one), { class: "key wide", id: "use-fix" }) : null,
              key("KEEP", () => put_({ event: "note", of: one.entry.entry_id, rod: one.entry.rod, remark: answerWords(one) }, `${nameOf(one.entry)}: kept`), { class: "key wide", id: "keep" }),
              key("TAKE BACK", () => takeBack(one.entry, `${nameOf(one.entry)} taken back`), { class: "key wide", id: "take-back" })));
        } else if (mark) {
          put(ask, el("p", { class: "big" }, "This bore is out. Save the file now: ", String(store.unsaved()), " entries are in no file yet."), el("div", { class: "row" }, key("SAVE FILE", () => saveFile("json"), { class: "key wide", id: "ask-save" }), key("SAVE TABLE (CSV)", () => saveFile("csv"), { class: "key wide" })));
        }
      }

      const length = Dom.unit("length", state.units);
      const isDown = downNow(planned, head);
      fillField(depth, "depth", "DEPTH", target ? shown(target.depth_m, "length", state.units) : "\u2013", length[2], isDue);
      fillField(pitch, "pitch", "PITCH", target ? Math.abs(target.pitch_pct).toFixed(1) : "\u2013", "%", isDue);
      put(sign, el("span", { class: "label" }, isDown ? "DOWN" : "UP"), el("span", { class: "digits" }, isDown ? "\u2212" : "+"));
      const x = state.extra;
      const extras = [x.roll ? `${x.roll} o'clock` : "", x.offset ? `${x.offset} ${length[2]} ${x.right ? "right" : "left"}` : "", x.remark ? "remark" : ""].filter(Boolean);
      more.textContent = extras.length ? extras.join(", ") : "ROLL, OFFSET, REMARK";
      const left = store.unsaved();
      put(status, state.status || (store.problems().length ? said(store.problems()[0], 120) : left ? `${left} entries in no file yet` : ""));
      const isDone = isOut && state.rod === null;
      recordKey.textContent = isDone ? `${said(b.bore_id, 16)} IS OUT: SAVE FILE` : `RECORD ROD ${next}` + (state.armed ? ` WITHOUT ${state.armed}` : "");
      recordKey.dataset.does = isDone ? "save" : "record";
      node.classList.toggle("typing", state.typing);
    };
    const draw_ = () => {
      const { b, leg, head, now } = look();
      const wide = middle.clientWidth, high = middle.clientHeight;
      if (wide > 60 && high > 100) Profile.draw(picture, { job: work(), bore: b, leg: leg, head, state: now, units: state.units, wide, high });
      else picture.replaceChildren();
    };
    return { node, update: update_, draw: draw_ };
  })();

  // ---- other views

  const backTo = () => { const leg = legOf(bore()); return key(`BACK TO ROD ${nextRod(leg)}`, () => go("rod"), { class: "key", id: "back" }); };
  const headLine = (text, ...rest) => el("div", { class: "head" }, el("h2", {}, text), rest, backTo());
  const MARKS = { none: "M12,12h16v16h-16Z", going: "M20,6L34,34H6Z", out: "M20,4A16,16 0 1 1 19.9,4Z" };

  let plan = null;
  const VIEWS = {
    rod: () => rodPage.node,
    name: () => {
      let name = store.tablet;
      const shownName = el("input", { class: "named", id: "name", value: name, maxlength: 2, autocomplete: "off", "aria-label": "name of this tablet", autocapitalize: "characters" });
      return el("section", { class: "sheet" }, el("h2", {}, "This tablet is called"), shownName,
        el("p", {}, "One or two letters or digits, another name on each tablet. It stands before each of its entries."),
        el("div", { class: "row" }, key("KEEP THIS NAME", () => { name = shownName.value.toUpperCase(); if (/^[A-Z0-9]{1,2}$/.test(name)) { store.rename(name); go("rod"); } else shownName.focus(); }, { class: "key wide record", id: "keep-name" })));
    },
    bores: () => el("section", { class: "sheet" }, headLine("Bores"), el("div", { class: "list" }, job.bores.map((b, n) => {
      const [mark, words] = stateOf(b);
      return el("button", { type: "button", class: "item" + (n === state.bore ? " chosen" : ""), "data-bore": n, tap: () => { choose(n); go("rod"); } },
        svg("svg", { class: "mark", viewBox: "0 0 40 40" }, svg("path", { d: MARKS[mark], fill: mark === "none" ? "#fff" : "#000", stroke: "#000", "stroke-width": 3 })),
        el("strong", {}, bdi(b.bore_id, 24)), el("span", { class: "statewords" }, words), el("span", { class: "small" }, `${Core.length(b.length_m, state.units, 0)}, ${b.rods} rods, down to ${Core.length(b.target_depth_m, state.units, 1)}`));
    }))),
    map: () => {
      const box = svg("svg", { class: "map", id: "map" });
      const b = bore();
      plan = Plan.make(box, job, () => {
        const { leg, head } = look();
        const readings = rodsOf(leg).map(e => b.rod[e.rod]).filter(Boolean).map(r => [r.x, r.y]);
        const at = head ? [Profile.at(b.path.map(p => [p[0], p[3]]), head.plan_m, 1), Profile.at(b.path.map(p => [p[0], p[4]]), head.plan_m, 1)] : null;
        return { bore: b, readings, head: at, me: state.me, units: state.units };
      });
      return el("section", { class: "sheet mapsheet" }, headLine("Map"), el("div", { class: "mapbox" }, box),
        el("div", { class: "mapkeys" }, key("+", () => plan.zoom(1.5), { class: "key", "aria-label": "nearer" }), key("\u2212", () => plan.zoom(1 / 1.5), { class: "key", "aria-label": "farther" }),
          key("ALL", () => plan.whole(), { class: "key" }), key("THIS BORE", () => plan.show(b.path.map(p => [p[3], p[4]])), { class: "key", id: "map-bore" }), key("MY PLACE", () => { locate(); if (state.me) plan.show([[state.me.x - 15, state.me.y - 15], [state.me.x + 15, state.me.y + 15]]); }, { class: "key" })));
    },
    more: () => {
      const pick = el("input", { type: "file", accept: ".json,application/json", id: "file", hidden: true });
      pick.addEventListener("change", () => { if (pick.files[0]) readFile(pick.files[0]); pick.value = ""; });
      const group = (text, ...keys) => el("div", { class: "group" }, el("h3", {}, text), el("div", { class: "grid" }, keys));
      const to = (text, view) => key(text, () => go(view), { class: "key wide", id: `to-${view}` });
      return el("section", { class: "sheet" }, headLine("More"), el("div", { class: "list" }, el("p", { class: "message", id: "said" }, state.status),
        group("This bore, or the field", to("ENTRY", "start"), to("HEAD IS OUT", "exit"), to("PULL", "pull"), to("GIVE UP FROM ROD", "abandon"), to("REMARK", "note"), to("ANOTHER ROD", "which"), to("PRESSURE TEST", "test"), to("FLUSH AND PURGE", "purge")),
        group("What is recorded", key("SAVE FILE", () => { saveFile("json"); render(); }, { class: "key wide", id: "save-json" }), key("SAVE TABLE (CSV)", () => { saveFile("csv"); render(); }, { class: "key wide", id: "save-csv" }), key("READ A FILE", () => pick.click(), { class: "key wide", id: "read-file" }), to("LAST ENTRIES", "entries")),
        group("This page", key(state.units === "us" ? "CHANGE TO METRES" : "CHANGE TO FEET", () => { state.units = state.units === "us" ? "metric" : "us"; store.remember("units", state.units); state.depth = ""; state.extra.offset = ""; render(); }, { class: "key wide", id: "units" }), to("CAUTIONS", "cautions"), to("NOTES OF THE PLAN", "notes"), to(`TABLET ${store.tablet}`, "name")),
        pick));
    },
    which: () => {
      const { next, leg } = look();
      const read = new Set(rodsOf(leg).map(e => e.rod));
      return el("section", { class: "sheet" }, headLine("Which rod next"), el("div", { class: "list" }, el("p", {}, "A rod that was read can be read again; the last reading counts."),
        el("div", { class: "grid rods" }, bore().rod.filter(r => r.rod > 0).concat([{ rod: bore().rods + 1 }, { rod: bore().rods + 2 }].filter(r => r.rod >= bore().rod.length)).map(r =>
          key(`${r.rod}${read.has(r.rod) ? " read" : ""}`, () => { state.rod = r.rod; go("rod"); }, { class: "key wide" + (r.rod === next ? " chosen" : ""), "data-rod": r.rod })))));
    },
    extra: () => {
      const x = state.extra;
      const offset = el("button", { type: "button", class: "field small active", id: "offset", tap: () => node.classList.add("typing") }), side = key("", () => { x.right = !x.right; show(); }, { class: "key wide", id: "side" });
      const rolls = el("div", { class: "rolls" }, [...Array(12).keys()].map(n => key(String(n + 1), () => { x.roll = x.roll === n + 1 ? null : n + 1; show(); }, { class: "key", "data-roll": n + 1 })));
      const remark = el("textarea", { class: "remark", id: "remark", rows: 2, maxlength: 2000, autocomplete: "off", spellcheck: "false", "aria-label": "remark" });
      remark.value = x.remark;
      remark.addEventListener("input", () => { x.remark = remark.value; });
      const place = key("", () => { state.asPlace = !state.asPlace; if (state.asPlace) locate(); show(); }, { class: "key wide", id: "as-place" });
      const show = () => {
        put(offset, el("span", { class: "label" }, "off the painted line"), el("span", { class: "figure" }, x.offset || "\u2013", el("span", { class: "unit" }, " " + Dom.unit("length", state.units)[2])));
        side.textContent = x.right ? "TO THE RIGHT" : "TO THE LEFT";
        place.textContent = state.asPlace ? "WITH THIS TABLET'S PLACE" : "WITHOUT PLACE";
        place.classList.toggle("chosen", state.asPlace);
        [...rolls.children].forEach((k, n) => { k.classList.toggle("chosen", x.roll === n + 1); k.setAttribute("aria-pressed", String(x.roll === n + 1)); });
      };
      show();
      const node = el("section", { class: isNarrow() ? "form" : "form typing" }, headLine("More on this rod"), el("div", { class: "scroll" }, el("p", { class: "label" }, "roll: the face points to (o'clock)"), rolls,
        el("div", { class: "row" }, offset, side), el("label", { class: "remarkbox" }, el("span", { class: "label" }, "remark"), remark), place),
      el("div", { class: "formfoot" }, el("div", { class: "padbox" }, Forms.pad(k => { x.offset = Forms.typedOn(x.offset, k).slice(0, 6); show(); })), key("DONE", () => go("rod"), { class: "key record", id: "done" })));
      return node;
    },
    entries: () => {
      const standing = new Set(Core.standing(store.all()).map(e => e.entry_id));
      const rows = store.all().sort((a, b) => (a.read_at < b.read_at ? 1 : -1)).slice(0, 60);
      const problems = store.problems();
      return el("section", { class: "sheet" }, headLine("Last entries"), el("div", { class: "list" },
        problems.map(p => el("p", { class: "problem" }, el("strong", {}, "Chain: "), bdi(p, 200))),
        rows.length ? null : el("p", {}, "Nothing recorded yet."),
        rows.map(e => {
          const isGone = e.event !== "undo" && !standing.has(e.entry_id);
          const figures = [isFigure(e.depth_m) ? told(e.depth_m, "length", state.units) : "", isFigure(e.pitch_pct) ? `${signed(e.pitch_pct, 1)}\u00a0%` : "", isFigure(e.roll) ? `${e.roll} o'clock` : "", ...Object.entries(e.values).map(([k, v]) => Forms.saidValue(e.event, k, v, state.units))].filter(Boolean).join(", ");
          return el("div", { class: "entry" + (isGone ? " gone" : "") }, el("div", {}, el("strong", {}, bdi(e.bore_id || "field", 16), ` ${nameOf(e)}`), el("span", {}, ` ${figures} `), bdi(e.remark, 120),
            el("span", { class: "small" }, `${said(e.entry_id, 20)}, ${said(e.read_at, 24).slice(0, 16).replace("T", " ")} UTC${isGone ? ", taken back" : ""}${store.isPending(e) ? ", NOT STORED" : ""}`)),
          e.tablet === store.tablet && !isGone && e.event !== "undo" ? key("TAKE BACK", () => { takeBack(e, `${nameOf(e)} taken back`); render(); }, { class: "key", "data-undo": e.entry_id }) : null,
          isGone ? key("PUT BACK", () => { const undo = Core.standing(store.all()) && store.all().filter(u => u.event === "undo" && u.of === e.entry_id).pop(); if (undo) { takeBack(undo, `${nameOf(e)} put back`); render(); } }, { class: "key" }) : null);
        })));
    },
    cautions: () => el("section", { class: "sheet" }, headLine("Cautions"), el("div", { class: "list" }, el("ol", { class: "cautions" }, (job.cautions || []).map(c => el("li", {}, bdi(c, 400)))), el("p", {}, bdi(job.claim, 120)))),
    notes: () => {
      const b = bore();
      const part = (text, lines) => (lines && lines.length ? [el("h3", {}, text), el("ul", {}, lines.map(l => el("li", {}, bdi(l, 300))))] : []);
      return el("section", { class: "sheet" }, headLine("Notes of the plan"), el("div", { class: "list" }, job.gate && !job.gate.open ? part("Do not drill yet", [job.gate.why || "waiting for answers", ...(job.gate.lines || [])]) : [],
        el("p", {}, bdi(job.site, 80), ", lot ", bdi(job.parcel_id, 40), ", layout ", bdi(job.layout_id, 20)), el("p", {}, "rig: ", bdi(job.rig, 120)), el("p", {}, "pipe: ", bdi(job.pipe, 120)),
        part(`Bore ${said(b.bore_id, 20)}: warnings`, b.warnings), part("Mud coming up", b.returns), b.at_stake ? part("At stake", [b.at_stake]) : [],
        part("Crossings", b.windows.map(w => `${w.name} at rod ${w.rod}: ${w.words}${w.expose ? "; open it up first" : ""}`))));
    },
  };
  for (const name of Object.keys(Forms.RECORDS)) {
    VIEWS[name] = () => Forms.build(name, {
      job, bore: bore(), next: nextRod(legOf(bore())), last: Math.max(0, ...rodsOf(legOf(bore())).map(e => e.rod)), units: state.units, me: () => state.me, locate, back: () => go("more"),
      record: (what, title) => {
        const last = Math.max(0, ...rodsOf(legOf(bore())).map(e => e.rod));
        const gone = what.rod < last ? `rods ${what.rod}-${last}` : `rod ${last}`;
        put_(what, what.event === "abandon" ? `${gone} given up, go on at rod ${what.rod}` : `${title[0]}${title.slice(1).toLowerCase()}`);
        state.rod = null;
        go("rod");
      },
    });
  }

  /* Words on a head that was too deep at its last reading to be out by now; none when it may well be. */
  const tooEarly = (b, leg) => {
    const w = work(), head = careful(w, j => Core.head(j, b, leg), null), now = head ? careful(w, j => Core.state(j, b, head), null) : null;
    if (!now || head.out) return [];
    const up = careful(w, j => Core.exitAt({ state: now, radius_m: j.bend_m, steepest: j.steepest_pct, units: j.units }), null);
    const far = up && isFigure(up.hardest_m) ? up.hardest_m : null;
    const isNear = far !== null && far <= OUT_RODS * w.rod_m, isShallow = head.depth_m <= OUT_DEPTH_M || b.rods - head.rod >= 1;
    if (isNear && isShallow) return [];
    const more = far === null ? "it cannot come up there" : `it needs ${Core.length(far, state.units, 0)} more`;
    return [`At rod ${head.rod} the head was ${Core.length(head.depth_m, state.units, 1)} deep, ${more}: is a rod missing?`];
  };
  const OUT_RODS = 1.5, OUT_DEPTH_M = 1;   // a head may come out so many rods after its last reading; house choices, no source

  const choose = n => { state.bore = n; state.rod = null; state.depth = ""; state.pitch = ""; state.down = null; state.status = ""; store.remember("bore", n); };
  const update = () => { bands(); if (state.view === "rod") rodPage.update(); };
  const draw = () => { if (state.view === "rod") rodPage.draw(); else if (state.view === "map" && plan) plan.draw(); };
  const render = () => { put(body, VIEWS[state.view]()); update(); draw(); };
  const go = view => { state.view = view; if (view === "rod") state.typing = false; render(); body.scrollTop = 0; };
  let isAsked = false;
  const soon = () => {
    if (isAsked) return;
    isAsked = true;
    requestAnimationFrame(() => { isAsked = false; if (["bores", "entries"].includes(state.view)) render(); else { update(); draw(); } });
  };
  window.addEventListener("resize", () => soon());
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") { wake(); store.flush(); } });

  if (!job.bores.length) { put(body, el("p", {}, "This plan holds no bore.")); bands(); return; }
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => null);
  wake();
  recall();
  if (store.isNew) put(body, el("h2", { class: "wait" }, "Looking for what was recorded \u2026")); else render();
  const begin = () => { recall(); if (store.isNew) go("name"); else if (state.view === "rod") render(); else soon(); };
  store.ready.then(begin, begin);
})();
