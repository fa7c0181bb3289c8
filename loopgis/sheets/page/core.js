/*
 * Everything the crew's page computes, without a screen and without a store: the log and its hash chain, what stands, the legs of a
 * bore, the path as drilled, look-ahead, what is asked about a reading. Twin of field/log.py, log_read.py (writers), path.py,
 * compare.py and ahead.py: formulas, sources and choices stand there; tests/sheets/test_page_core.py compares figure by figure.
 *
 * Lengths in metres, pitches in percent and negative going down, angles inside in radians, x east and y north in the job's frame,
 * z up, right of the painted line positive. null is what is not known. Defines one global, `Core`; needs nothing else.
 */
"use strict";

globalThis.Core = (() => {
  const FT_M = 0.3048; // international foot, exact (NIST SP 811)
  const FIELDS = Object.freeze(["entry_id", "tablet", "number", "layout_id", "bore_id", "event", "read_at", "rod", "depth_m",
    "pitch_pct", "roll", "offset_m", "x", "y", "accuracy_m", "remark", "of", "values", "before", "hash"]);
  const WHOLE = new Set(["number", "rod"]);
  const FIGURES = ["depth_m", "pitch_pct", "roll", "offset_m", "x", "y", "accuracy_m"];
  const EVENTS = new Set(["rod", "start", "exit", "abandon", "pull", "test", "purge", "note", "undo"]);
  const SCHEMA = "loopgis-log/1";
  const TOO_LARGE = 1e15;
  const LONGEST = { name: 200, remark: 10000, values: 200, whole: 1e9 }; // what log_parts.py reads

  // ---- figures and words

  /** -x or x, with the sign of another figure (a negative zero counts). */
  const copysign = (size, sign) => (sign < 0 || Object.is(sign, -0) ? -Math.abs(size) : Math.abs(size));
  const clip = (v, low, high) => Math.min(Math.max(v, low), high);
  const sum = (list) => list.reduce((a, b) => a + b, 0);
  const range = (n) => Array.from({ length: n }, (_, k) => k);
  const isFigure = (v) => typeof v === "number" && Number.isFinite(v);
  const orNaN = (v) => (isFigure(v) ? v : NaN);

  /** True when a figure lies in the very middle between two of so many decimals. */
  const inMiddle = (size, digits) => /^50*$/.test(size.toFixed(Math.min(digits + 40, 100)).split(".")[1].slice(digits));

  /** A figure with so many decimals, halves to the even digit, as Python's format() writes it. */
  const fixed = (v, digits) => {
    if (!Number.isFinite(v)) return v > 0 ? "inf" : v < 0 ? "-inf" : "nan";
    const size = Math.abs(v);
    let text = size.toFixed(digits);
    if (size < 1e15 && inMiddle(size, digits) && Number(text[text.length - 1]) % 2) {
      text = (Number(text) - 10 ** -digits).toFixed(digits);
    }
    return (v < 0 || Object.is(v, -0) ? "-" : "") + text;
  };
  /** The same with a sign before it always. */
  const signed = (v, digits) => {
    const text = fixed(v, digits);
    return text[0] === "-" ? text : "+" + text;
  };
  /** Whole number nearest to a figure, halves to the even one. */
  const nearest = (v) => {
    const low = Math.floor(v);
    if (v - low !== 0.5) return Math.round(v);
    return low % 2 ? low + 1 : low;
  };
  /** Six digits of a figure at most, as Python's "g". */
  const short = (v) => {
    if (!Number.isFinite(v)) return fixed(v, 0);
    if (v === 0) return Object.is(v, -0) ? "-0" : "0";
    const power = Number(v.toExponential(5).split("e")[1]);
    if (power < -4 || power >= 6) {
      const [digits, exponent] = v.toExponential(5).split("e");
      const size = Math.abs(Number(exponent));
      return digits.replace(/\.?0+$/, "") + "e" + (exponent[0] === "-" ? "-" : "+") + (size < 10 ? "0" : "") + size;
    }
    const text = v.toFixed(5 - power);
    return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
  };
  /** Length for people: "12.3 m" or "40.4 ft"; equal to core/units.length_text. */
  const length = (metres, units, digits = 1) =>
    (units === "us" ? `${fixed(metres / FT_M, digits)} ft` : `${fixed(metres, digits)} m`);
  /** Whole percents with their sign: "+4 %", "0 %". */
  const pct = (p) => {
    const whole = nearest(p) || 0;
    return `${whole > 0 ? "+" : ""}${whole} %`;
  };
  /** Whole numbers in words, runs drawn together: "3-5, 7". */
  const spans = (numbers) => {
    const runs = [];
    for (const n of [...new Set(numbers)].sort((a, b) => a - b)) {
      const last = runs[runs.length - 1];
      if (last && n === last[1] + 1) last[1] = n;
      else runs.push([n, n]);
    }
    return runs.map(([a, b]) => (a === b ? `${a}` : `${a}-${b}`)).join(", ");
  };
  const plural = (list) => (list.length > 1 ? "s" : "");

  // ---- texts, hash and chain (field/log.py)

  /** Text without control characters and halves of surrogate pairs; tabs and line breaks become blanks. */
  const clean = (text) => text.replace(/[\t\n\v\f\r]/g, " ").replace(/[\p{Cc}\p{Cs}]/gu, "");

  /** Order of two texts by their letters' numbers, as Python sorts; UTF-16 order differs beyond U+FFFF. */
  const byLetter = (one, two) => {
    const a = Array.from(one), b = Array.from(two);
    for (let k = 0; k < Math.min(a.length, b.length); k += 1) {
      if (a[k] !== b[k]) return a[k].codePointAt(0) - b[k].codePointAt(0);
    }
    return a.length - b.length;
  };

  const K = (() => { // first 32 bits of the broken parts of cube roots of the first 64 primes (FIPS 180-4, from memory)
    const found = [];
    for (let n = 2; found.length < 64; n += 1) {
      if (range(n).slice(2).every((d) => n % d)) found.push(Math.floor((Math.cbrt(n) % 1) * 2 ** 32) >>> 0);
    }
    return found;
  })();

  /** Bytes of a text in UTF-8; half a surrogate pair becomes U+FFFD. */
  const utf8 = (text) => {
    const bytes = [];
    for (const letter of text) {
      let n = letter.codePointAt(0);
      if (n >= 0xd800 && n < 0xe000) n = 0xfffd;
      if (n < 0x80) bytes.push(n);
      else if (n < 0x800) bytes.push(0xc0 | (n >> 6), 0x80 | (n & 63));
      else if (n < 0x10000) bytes.push(0xe0 | (n >> 12), 0x80 | ((n >> 6) & 63), 0x80 | (n & 63));
      else bytes.push(0xf0 | (n >> 18), 0x80 | ((n >> 12) & 63), 0x80 | ((n >> 6) & 63), 0x80 | (n & 63));
    }
    return bytes;
  };

  /** SHA-256 of a text's UTF-8, 64 lower-case hex digits (FIPS 180-4); pages opened from a file have no crypto.subtle. */
  const sha256 = (text) => {
    const bytes = utf8(text);
    const bits = bytes.length * 8;
    bytes.push(0x80);
    while (bytes.length % 64 !== 56) bytes.push(0);
    for (const part of [Math.floor(bits / 2 ** 32), bits >>> 0]) {
      bytes.push(part >>> 24, (part >>> 16) & 255, (part >>> 8) & 255, part & 255);
    }
    const turn = (v, n) => (v >>> n) | (v << (32 - n));
    const h = [0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19];
    const w = new Int32Array(64);
    for (let at = 0; at < bytes.length; at += 64) {
      for (let k = 0; k < 16; k += 1) {
        const b = at + 4 * k;
        w[k] = (bytes[b] << 24) | (bytes[b + 1] << 16) | (bytes[b + 2] << 8) | bytes[b + 3];
      }
      for (let k = 16; k < 64; k += 1) {
        const p = w[k - 15], q = w[k - 2];
        const s0 = turn(p, 7) ^ turn(p, 18) ^ (p >>> 3), s1 = turn(q, 17) ^ turn(q, 19) ^ (q >>> 10);
        w[k] = w[k - 16] + s0 + w[k - 7] + s1;
      }
      let [a, b, c, d, e, f, g, i] = h;
      for (let k = 0; k < 64; k += 1) {
        const one = (i + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[k] + w[k]) | 0;
        const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        [i, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
      }
      [a, b, c, d, e, f, g, i].forEach((v, k) => { h[k] = (h[k] + v) | 0; });
    }
    return h.map((v) => (v >>> 0).toString(16).padStart(8, "0")).join("");
  };

  /** A figure as it stands in the text that is hashed: at most 9 decimals, no exponent. RangeError when it is none. */
  const figure = (v) => {
    if (!(Math.abs(v) < TOO_LARGE)) throw new RangeError(`${v} is no figure that can be kept: give a finite figure below 1e15`);
    const text = v.toFixed(9).replace(/\.?0+$/, "");
    return text === "-0" ? "0" : text;
  };

  /** Text of an entry's fields, of a value of them, or of nothing, as it is hashed. */
  const canonical = (v) => {
    if (v === null || v === undefined) return "null";
    if (typeof v === "string") return JSON.stringify(clean(v));
    if (typeof v === "number") return figure(v);
    if (typeof v !== "object" || Array.isArray(v)) {
      throw new RangeError(`a ${typeof v} cannot stand in an entry: give texts and figures`);
    }
    return `{${Object.keys(v).sort().map((k) => `${JSON.stringify(clean(k))}:${canonical(v[k])}`).join(",")}}`;
  };

  /** SHA-256 of an entry that follows one with the hash `before`. RangeError when it holds figures that are none. */
  const entryHash = (entry, before) => {
    const told = FIELDS.filter((k) => k !== "entry_id" && k !== "hash").map((k) => [k, k === "before" ? before : entry[k]]);
    return sha256(canonical(Object.fromEntries(told)));
  };

  /** The text of an entry with all its digits, for order and identity, as field/log.py has it. */
  const fullText = (entry) => dumps(Object.fromEntries([...FIELDS].sort().map((k) => [k, entry[k] === 0 ? 0 : entry[k]])), true);

  const TIME = /^(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(?:\.(\d{1,9}))?)?(?:Z|([+-])(\d\d):(\d\d))$/;

  /** Seconds since 1970 of an ISO 8601 time with its zone, minus infinity for what is none. */
  const seconds = (readAt) => {
    const found = TIME.exec(readAt);
    if (!found) return -Infinity;
    const [year, month, day, hour, minute, second] = found.slice(1, 7).map((v) => Number(v || 0));
    const [offHour, offMinute] = found.slice(9, 11).map((v) => Number(v || 0));
    const date = new Date(0);
    date.setUTCFullYear(year, month - 1, day);
    const isDay = year >= 1 && date.getUTCMonth() === month - 1 && date.getUTCDate() === day;
    if (!isDay || hour > 23 || minute > 59 || second > 59 || offHour > 23 || offMinute > 59) return -Infinity;
    const away = (found[8] === "-" ? -1 : 1) * (offHour * 3600 + offMinute * 60);
    const part = Number(`0.${(found[7] || "0").slice(0, 6)}`);
    return date.getTime() / 1000 + hour * 3600 + minute * 60 + second + part - away;
  };

  /** A name that a log can keep; RangeError when it is too long to be read back. */
  const name = (v, key) => {
    const text = clean(v === null || v === undefined ? "" : String(v));
    if (Array.from(text).length > LONGEST.name) throw new RangeError(`${key} has more than ${LONGEST.name} characters`);
    return text;
  };
  const read = (v) => {
    if (v === null || v === undefined) return null;
    if (typeof v !== "number") throw new RangeError(`${v} is no figure`);
    figure(v);
    return v;
  };
  const whole = (v, key) => {
    const found = v === null || v === undefined ? 0 : v;
    if (!Number.isInteger(found) || found < 0 || found >= LONGEST.whole) {
      throw new RangeError(`${key} is ${found}: give a whole number from 0 on`);
    }
    return found === 0 ? 0 : found;
  };

  /**
   * The next entry of a tablet, chained to its last one among `entries`; nothing is changed in the list. what: fields of an entry,
   * those left out are empty, read_at is now. A remark is cut at 10 000 letters. RangeError for what no log can keep.
   */
  const append = (entries, tablet, what) => {
    const own = name(tablet, "tablet").trim();
    if (!own) throw new RangeError("the tablet has no name: give each tablet a name of its own");
    const readAt = what.read_at === undefined ? new Date().toISOString() : String(what.read_at);
    if (seconds(readAt) === -Infinity) {
      throw new RangeError(`${readAt.slice(0, 40)} is no time: write it like 2026-05-04T14:03:22Z`);
    }
    if (!EVENTS.has(what.event)) throw new RangeError(`${String(what.event).slice(0, 40)} is no event`);
    const last = entries.filter((e) => e.tablet === own && e.hash).reduce(later, null);
    const number = last ? last.number + 1 : 1;
    const values = Object.entries(what.values || {}).filter(([, v]) => v !== null && v !== undefined);
    if (values.length > LONGEST.values) throw new RangeError(`an entry has more than ${LONGEST.values} values`);
    const entry = {
      entry_id: `${own}-${number}`, tablet: own, number,
      layout_id: name(what.layout_id, "layout_id"), bore_id: name(what.bore_id, "bore_id"), event: what.event, read_at: readAt,
      rod: whole(what.rod, "rod"), ...Object.fromEntries(FIGURES.map((k) => [k, read(what[k])])),
      remark: Array.from(clean(String(what.remark || ""))).slice(0, LONGEST.remark).join(""), of: name(what.of, "of"),
      values: Object.fromEntries(values.map(([k, v]) => [name(k, "a name of values"), read(v)])),
      before: last ? last.hash : "", hash: "",
    };
    return { ...entry, hash: entryHash(entry, entry.before) };
  };
  /** The later one of a tablet's entries by its number. */
  const later = (one, two) => {
    if (!one || two.number > one.number) return two;
    return two.number === one.number && fullText(two) > fullText(one) ? two : one;
  };

  /** A text of somebody's on one line. */
  const shown = (text) => {
    const letters = Array.from(text, (c) => (c !== " " && /[\p{C}\p{Z}]/u.test(c) ? "?" : c));
    return letters.length <= 60 ? letters.join("") : letters.slice(0, 57).join("") + "...";
  };

  /** Gaps between 1 and the greatest of some numbers in words: "3, 7-9"; "" when there are none. */
  const gaps = (numbers) => {
    const found = [];
    let last = 0;
    for (const n of [...numbers].sort((a, b) => a - b)) {
      if (n > last + 1) found.push(n === last + 2 ? `${last + 1}` : `${last + 1}-${n - 1}`);
      last = Math.max(last, n);
    }
    return found.join(", ");
  };

  /** What is wrong with the chain of each tablet, one line each, the same lines as field/log.py `verify`; empty when nothing is. */
  const verify = (entries) => {
    const tablets = new Map();
    for (const e of entries) {
      if (!tablets.has(e.tablet)) tablets.set(e.tablet, new Map());
      tablets.get(e.tablet).set(fullText(e), e);
    }
    return [...tablets.keys()].sort(byLetter).flatMap((t) => {
      const own = tablets.get(t);
      return chain([...own.keys()].sort().map((k) => own.get(k))).map((line) => `tablet ${shown(t)}: ${line}`);
    });
  };
  const chain = (entries) => {
    if (!entries.some((e) => e.hash)) {
      const ids = groups(entries, (e) => e.entry_id);
      const double = [...ids.keys()].filter((k) => ids.get(k).length > 1).sort(byLetter);
      return [`keeps no chain, a later change of its ${entries.length} entries would not show`,
        ...double.map((k) => `${ids.get(k).length} different entries are called ${shown(k)}`)];
    }
    const byNumber = groups(entries, (e) => e.number);
    const missing = gaps(byNumber.keys());
    const found = missing ? [`entries ${missing} are missing`] : [];
    for (const n of [...byNumber.keys()].sort((a, b) => a - b)) {
      const rivals = byNumber.get(n);
      if (rivals.length > 1) found.push(`there are ${rivals.length} different entries ${n}`);
      for (const e of rivals) found.push(...link(e, byNumber.get(n - 1) || []));
    }
    return found;
  };
  /** Problems of one entry of a chain and of its tie to the one before. */
  const link = (entry, previous) => {
    const n = entry.number, found = [];
    if (entry.entry_id !== `${entry.tablet}-${n}`) found.push(`entry ${n} is called ${shown(entry.entry_id)}`);
    let kept = false;
    try { kept = entryHash(entry, entry.before) === entry.hash; } catch (error) { kept = false; }
    if (!entry.hash) found.push(`entry ${n} carries no hash`);
    else if (!kept) found.push(`entry ${n} was changed after it was written`);
    if (n < 1) found.push(`entry ${n} has no place in a chain, which begins with 1`);
    if (n === 1 && entry.before) found.push("entry 1 says that another came before it");
    else if (previous.length && !previous.some((e) => e.hash === entry.before)) {
      found.push(`entry ${n} does not follow entry ${n - 1}, one of them was changed or put in`);
    }
    if (previous.length && seconds(entry.read_at) < Math.min(...previous.map((e) => seconds(e.read_at)))) {
      found.push(`entry ${n} is earlier than entry ${n - 1} by its clock`);
    }
    return found;
  };
  /** Things by a key of theirs. */
  const groups = (list, key) => {
    const found = new Map();
    for (const v of list) {
      if (!found.has(key(v))) found.set(key(v), []);
      found.get(key(v)).push(v);
    }
    return found;
  };

  /** Entries that no undo took back, in their order, undos left out; an undo taken back takes nothing back. */
  const standing = (entries) => {
    const byId = groups(entries, (e) => e.entry_id);
    const aims = new Map([...byId].map(([id, group]) =>
      [id, new Set(group.filter((e) => e.event === "undo" && byId.has(e.of)).map((e) => e.of))]));
    const open = new Map([...byId.keys()].map((id) => [id, 0]));
    for (const targets of aims.values()) for (const t of targets) open.set(t, open.get(t) + 1);
    const taken = new Set();
    const settled = [...byId.keys()].filter((id) => !open.get(id));
    while (settled.length) {
      const undo = settled.pop();
      for (const t of aims.get(undo)) {
        if (!taken.has(undo)) taken.add(t);
        open.set(t, open.get(t) - 1);
        if (!open.get(t)) settled.push(t);
      }
    }
    return entries.filter((e) => e.event !== "undo" && !taken.has(e.entry_id));
  };

  /** Rod of a reading, 0 for the way in, infinite for the way out. */
  const place = (entry) => ({ start: 0, exit: Infinity })[entry.event] ?? entry.rod;

  /** Entries as they were made: on one tablet by number, its clock held from going back; between tablets by time. */
  const inTime = (entries) => {
    const when = new Map();
    const keyed = [...entries].sort((a, b) => byLetter(a.tablet, b.tablet) || a.number - b.number).map((e) => {
      let moment = seconds(e.read_at);
      if (e.hash) {
        moment = Math.max(moment, when.has(e.tablet) ? when.get(e.tablet) : -Infinity);
        when.set(e.tablet, moment);
      }
      return { e, moment, text: fullText(e) };
    });
    const order = (a, b) => (a.moment === b.moment ? 0 : a.moment - b.moment)
      || Number(Boolean(a.e.hash)) - Number(Boolean(b.e.hash)) || byLetter(a.e.tablet, b.e.tablet) || a.e.number - b.e.number
      || (a.text < b.text ? -1 : a.text > b.text ? 1 : 0);
    return keyed.sort(order).map((k) => k.e);
  };

  /**
   * The legs of one bore in the order in which they were drilled: {start, rods: latest reading of each rod, exit, others,
   * given_up_from: null or first rod given up, problems}. Twin of field/log.py `readings`; layout: of all layouts when left out.
   */
  const legs = (entries, boreId, layout) => {
    const found = [];
    let now = [], told = [];
    for (const e of inTime(standing(entries))) {
      if (e.bore_id !== boreId || (layout !== undefined && e.layout_id !== layout)) continue;
      if (e.event === "start" || e.event === "rod" || e.event === "exit") now.push(e);
      else if (e.event === "abandon") {
        const left = now.filter((r) => place(r) < e.rod);
        if (left.length === now.length) told.push(`${shown(e.entry_id)} gives up rods from ${e.rod} on, but none was read`);
        else {
          found.push(leg(now, e.rod, told));
          [now, told] = [left, []];
        }
      }
    }
    return now.length || told.length ? [...found, leg(now, null, told)] : found;
  };
  /** The leg that is being drilled: the last one of `legs` that was not given up, an empty one when there is none. */
  const current = (entries, boreId, layout) => {
    const found = legs(entries, boreId, layout);
    const last = found[found.length - 1];
    return last && last.given_up_from === null ? last : leg([], null, []);
  };
  const leg = (entries, givenUpFrom, told) => {
    const byPlace = groups(entries, place);
    const places = [...byPlace.keys()].sort((a, b) => (a === b ? 0 : a - b));
    const problems = [...told];
    for (const p of places.filter((q) => byPlace.get(q).length > 1)) {
      const all = byPlace.get(p);
      const [before, last] = all.slice(-2);
      const what = p === 0 ? "the entry" : p === Infinity ? "the exit" : `rod ${p}`;
      const unsure = isLater(last, before) ? "" : ", which is the later one is not known";
      const ids = all.map((e) => shown(e.entry_id)).join(", ");
      problems.push(`${what} was read ${all.length} times (${ids}): ${shown(last.entry_id)} counts${unsure}`);
    }
    const rods = places.filter((p) => p > 0 && p < Infinity);
    const missing = gaps(rods);
    if (missing) problems.push(`rods ${missing} were not read`);
    const last = (p) => (byPlace.has(p) ? byPlace.get(p)[byPlace.get(p).length - 1] : null);
    return {
      start: last(0), rods: rods.map(last), exit: last(Infinity), others: places.flatMap((p) => byPlace.get(p).slice(0, -1)),
      given_up_from: givenUpFrom, problems,
    };
  };
  const isLater = (entry, other) => {
    if (entry.tablet === other.tablet && entry.number !== other.number) return true;
    return seconds(entry.read_at) > seconds(other.read_at) && seconds(other.read_at) > -Infinity;
  };

  // ---- files (field/log_read.py, writers)

  /** A figure as Python's repr() writes a float: "1.0", "1e-10", "-0.0". */
  const floatText = (v) => {
    if (v === 0) return Object.is(v, -0) ? "-0.0" : "0.0";
    const [digits, exponent] = v.toExponential().split("e");
    const power = Number(exponent);
    if (power < -4 || power >= 16) {
      return `${digits}e${power < 0 ? "-" : "+"}${Math.abs(power) < 10 ? "0" : ""}${Math.abs(power)}`;
    }
    const size = digits.replace("-", "").replace(".", "");
    const text = power < 0 ? `0.${"0".repeat(-power - 1)}${size}`
      : size.length <= power + 1 ? `${size.padEnd(power + 1, "0")}.0` : `${size.slice(0, power + 1)}.${size.slice(power + 1)}`;
    return (v < 0 ? "-" : "") + text;
  };
  const quoted = (text, ascii) => {
    const told = JSON.stringify(text);
    return ascii ? told.replace(/[\x7f-\uffff]/g, (c) => `\\u${c.charCodeAt(0).toString(16).padStart(4, "0")}`) : told;
  };
  /** JSON as Python's json.dumps writes an entry: blanks after signs, figures as floats but for whole fields. */
  const dumps = (v, ascii = false, isWhole = false) => {
    if (v === null || v === undefined) return "null";
    if (typeof v === "string") return quoted(v, ascii);
    if (typeof v === "number") return isWhole ? String(v) : floatText(v);
    return `{${Object.keys(v).map((k) => `${quoted(k, ascii)}: ${dumps(v[k], ascii, WHOLE.has(k))}`).join(", ")}}`;
  };
  /** JSON of an entry's values by name; written apart, as names like "2" would not keep their place in an object. */
  const valuesText = (values) => {
    const pairs = Object.entries(values || {}).map(([k, v]) => [clean(k), v]).sort((a, b) => byLetter(a[0], b[0]));
    return `{${pairs.map(([k, v]) => `${quoted(k)}: ${floatText(v)}`).join(", ")}}`;
  };
  const cleaned = (v) => (typeof v === "string" ? clean(v) : v === undefined ? null : v);
  const fieldText = (entry, k) => (k === "values" ? valuesText(entry.values) : dumps(cleaned(entry[k]), false, WHOLE.has(k)));
  const entryText = (entry) => `{${FIELDS.map((k) => `"${k}": ${fieldText(entry, k)}`).join(", ")}}`;

  /** How many entries each tablet has, by tablet. */
  const counts = (entries) =>
    [...groups(entries, (e) => e.tablet)].map(([k, v]) => [k, v.length]).sort((a, b) => byLetter(a[0], b[0]));

  /** The log as JSON, one entry a line, byte for byte as log_read.write_log_json. RangeError for figures that are none. */
  const logText = (job, tablet, entries) => {
    entries.forEach((e) => entryHash(e, e.before));
    const own = counts(entries);
    const who = own.length === 1 ? own[0][0] : own.length ? "" : tablet;
    const told = own.map(([k, n]) => `${quoted(clean(k))}:${n}`).join(",");
    const [schema, file, name] = [SCHEMA, clean(job.file || ""), clean(who)].map((v) => quoted(v));
    const top = `{"schema":${schema},"file":${file},"tablet":${name},"counts":{${told}}`;
    return `${top},"entries":[\n${entries.map(entryText).join(",\n")}\n]}\n`;
  };

  /** A text that no spreadsheet takes for a formula: an apostrophe before =, +, -, @ and before an apostrophe. */
  const guarded = (text) => (/^[\s\p{Cf}]*[=+\-@'\uff1d\uff0b\uff0d\uff20]/u.test(text) ? `'${text}` : text);
  const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);

  /** The log as a table with all columns, byte for byte as log_read.write_log_csv. RangeError for figures that are none. */
  const csvText = (entries) => {
    const row = (entry) => FIELDS.map((k) => {
      if (k === "values") return cell(Object.keys(entry.values || {}).length ? guarded(valuesText(entry.values)) : "");
      const v = cleaned(entry[k]);
      if (typeof v === "string") return cell(guarded(v));
      return v === null ? "" : WHOLE.has(k) ? String(v) : floatText(v);
    }).join(",");
    entries.forEach((e) => entryHash(e, e.before));
    return [FIELDS.join(","), ...entries.map(row)].join("\n") + "\n";
  };

  // ---- look-ahead (field/ahead.py)

  const SAME_M = 1e-9;
  const STEER_PCT = 0.5; // bore/steer.py
  const angleOf = (pitchPct) => {
    const long = Math.hypot(pitchPct, 100);
    return { sin: pitchPct / long, cos: 100 / long };
  };
  const ofSine = (sine) => ({ sin: sine, cos: Math.sqrt(Math.max(0, (1 - sine) * (1 + sine))) });
  const pctOf = (a) => (a.cos > 0 ? (100 * a.sin) / a.cos : copysign(Infinity, a.sin));
  const chord = (a, b) => (a.sin + b.sin) / (a.cos + b.cos);

  /** Steepest angle on the side that the steering turns to. */
  const limitOf = (start, curvature, steepest) => {
    const side = copysign(1, curvature);
    if (steepest === null) return { sin: side, cos: 0 };
    const most = angleOf(side * steepest);
    return side * start.sin > side * most.sin ? start : most;
  };
  /** Height gained and angle after x metres on an arc and, from the largest pitch on, straight: [rise, angle]. */
  const riseOf = (start, x, curvature, steepest) => {
    const limit = limitOf(start, curvature, steepest);
    const sine = start.sin + curvature * x;
    if (curvature === 0 || copysign(1, curvature) * (sine - limit.sin) <= 0) {
      const end = curvature === 0 ? start : ofSine(sine);
      return [x * chord(start, end), end];
    }
    const bend = (limit.sin - start.sin) / curvature, rest = x - bend, bent = bend * chord(start, limit);
    if (limit.cos > 0) return [bent + (rest * limit.sin) / limit.cos, limit];
    return rest <= SAME_M ? [bent, limit] : [copysign(Infinity, limit.sin), limit];
  };
  /** Checks what a look-ahead is asked with; RangeError names the figure. */
  const checkAsked = (state, radius, steepest, atM, rodM) => {
    const ground = state.ground || [];
    const flat = ground.reduce((all, at) => all.concat([at[0], at[1]]), [state.depth_m, state.pitch_pct]);
    if (!flat.every(isFigure)) throw new RangeError("head: depth, pitch or ground is no number");
    if (ground.some((at, k) => k > 0 && at[0] <= ground[k - 1][0])) throw new RangeError("ground ahead: distances do not grow");
    if (!(radius > 0)) throw new RangeError(`bend radius: ${radius} m is not positive`);
    if (steepest !== null && !(steepest >= 0 && Number.isFinite(steepest))) {
      throw new RangeError(`largest pitch: ${steepest} % is no magnitude`);
    }
    if (!(atM >= 0 && Number.isFinite(atM))) throw new RangeError(`${atM} m is not ahead`);
    if (!(rodM > 0 && Number.isFinite(rodM))) throw new RangeError(`rod: length ${rodM} m is not positive`);
  };
  const noLimit = (steepest) => (steepest === undefined ? null : steepest);

  /** Highest and lowest the head can be so many metres on, above the ground over the head now: [high, low]. */
  const reach = (state, distance, radius, steepest = null) => {
    checkAsked(state, radius, steepest, distance, 1);
    const start = angleOf(state.pitch_pct);
    const [up] = riseOf(start, distance, 1 / radius, steepest), [down] = riseOf(start, distance, -1 / radius, steepest);
    return [up - state.depth_m, down - state.depth_m];
  };
  /** Curvature whose arc, straight from the largest pitch on, rises so much over x metres. */
  const curvatureOf = (start, x, rise, steepest) => {
    const first = Math.atan2(start.sin, start.cos), last = 2 * Math.atan2(rise, x) - first;
    if (Math.abs(last) < Math.PI / 2) {
      const curvature = (Math.sin(last) - start.sin) / x;
      if (copysign(1, curvature) * (Math.sin(last) - limitOf(start, curvature, steepest).sin) <= 0) return curvature;
    }
    const side = copysign(1, last - first);
    const limit = limitOf(start, side, steepest);
    if (limit.cos <= 0 || (limit.sin === start.sin && limit.cos === start.cos)) return side * Infinity;
    const steep = limit.sin / limit.cos;
    const bend = (x * steep - rise) / (steep - chord(start, limit));
    return bend > 0 ? (limit.sin - start.sin) / bend : side * Infinity;
  };
  /** Rod that lies along x metres of an arc and, from the largest pitch on, straight. */
  const drilledOf = (start, x, curvature, steepest) => {
    const [rise, end] = riseOf(start, x, curvature, steepest);
    if (!Number.isFinite(rise)) return Infinity;
    const bend = curvature === 0 ? x : Math.min(x, (end.sin - start.sin) / curvature);
    const a = Math.atan2(start.sin, start.cos), b = Math.atan2(end.sin, end.cos), half = (b - a) / 2;
    const arc = (bend / Math.cos((a + b) / 2)) * (half ? half / Math.sin(half) : 1);
    return arc + (x - bend > SAME_M ? (x - bend) / end.cos : 0);
  };
  const aheadLength = (metres, units) => length(metres, units, units === "us" ? 1 : 2);

  /**
   * Whether the head can still pass through a window ahead, and how: {possible, pitch_pct_per_rod, rods, miss_m, words}. asked:
   * {state, at_m, least_z, most_z (above the ground over the head), radius_m, rod_m, steepest: null or percent, units}.
   */
  const canMake = (asked) => {
    const { state, at_m: at, least_z: least, most_z: most, radius_m: radius, rod_m: rod, units = "metric" } = asked;
    const steepest = noLimit(asked.steepest);
    checkAsked(state, radius, steepest, at, rod);
    if (!(least <= most)) throw new RangeError(`window: its bottom ${least} m is above its top ${most} m`);
    const start = angleOf(state.pitch_pct);
    const [high, low] = reach(state, at, radius, steepest);
    if (high < least - SAME_M || low > most + SAME_M) {
      const isLow = high < least, miss = isLow ? least - high : low - most;
      return {
        possible: false, pitch_pct_per_rod: null, miss_m: miss,
        rods: drilledOf(start, at, (isLow ? 1 : -1) / radius, steepest) / rod,
        words: `cannot: ${aheadLength(miss, units)} too ${isLow ? "low" : "high"}, stop and call`,
      };
    }
    if (at <= SAME_M) return { possible: true, pitch_pct_per_rod: 0, rods: 0, miss_m: 0, words: "is there" };
    const straight = riseOf(start, at, 0, steepest)[0] - state.depth_m, room = (most - least) / 4;
    const passes = least <= straight && straight <= most;
    const aim = clip(clip(straight, least + room, most - room), low, high);
    const curvature = passes ? 0 : clip(curvatureOf(start, at, aim + state.depth_m, steepest), -1 / radius, 1 / radius);
    const perRod = rod * Math.abs(curvature) < Math.PI / 2 ? 100 * Math.tan(rod * curvature) : null;
    const rods = drilledOf(start, at, curvature, steepest) / rod;
    const [out, where] = outOfGround(state, start, at, curvature, steepest);
    if (out > SAME_M) {
      const words = `cannot: comes out of the ground ${aheadLength(where, units)} ahead, stop and call`;
      return { possible: false, pitch_pct_per_rod: null, rods, miss_m: out, words };
    }
    return { possible: true, pitch_pct_per_rod: perRod, rods, miss_m: 0, words: howWords(perRod) };
  };
  const howWords = (perRod) => {
    if (perRod === null) return "can still make it";
    return Math.abs(perRod) < STEER_PCT ? "can still make it straight on" : `can still make it with ${signed(perRod, 1)} % per rod`;
  };
  /** By how much the path stands out of the ground at most before a place, and where. */
  const outOfGround = (state, start, at, curvature, steepest) => {
    let [worst, where] = [0, 0];
    for (const [x, z] of state.ground || []) {
      if (!(x > 0 && x < at)) continue;
      const out = riseOf(start, x, curvature, steepest)[0] - state.depth_m - z;
      if (out > worst || (out === worst && x > where)) [worst, where] = [out, x];
    }
    return [worst, where];
  };
  /** Height of the ground so many metres ahead, above the ground over the head. */
  const groundAt = (ground, x) => {
    if (!ground.length) return 0;
    return interp(x, ground.map((g) => g[0]), ground.map((g) => g[1]));
  };
  /** Ground ahead piece by piece: [from x, to x, height at x = 0 of its line, slope]. */
  const pieces = (ground) => {
    const points = [[0, groundAt(ground, 0)], ...ground.filter((g) => g[0] > 0)];
    const found = points.slice(1).map(([x1, z1], k) => {
      const [x0, z0] = points[k], slope = (z1 - z0) / (x1 - x0);
      return [x0, x1, z0 - slope * x0, slope];
    });
    const [x, z] = points[points.length - 1];
    return [...found, [x, Infinity, z, 0]];
  };
  /** First place from x0 to x1 where the arc meets a line b above the head that rises by slope, null when none. */
  const meets = (start, k, b, slope, x0, x1) => {
    if (k <= 0 || x1 < x0) return null;
    const square = k * (1 + slope * slope);
    const half = k * b * slope + start.sin - start.cos * slope;
    const rest = k * b * b - 2 * start.cos * b;
    const under = half * half - square * rest;
    if (under < 0) return null;
    const q = -half - copysign(Math.sqrt(under), half);
    const good = [q / square, q ? rest / q : Infinity].filter((x) =>
      x0 - SAME_M <= x && x <= x1 + SAME_M && start.cos - k * (b + slope * x) >= -SAME_M);
    return good.length ? clip(Math.min(...good), x0, x1) : null;
  };
  /** Distance ahead at which the path meets the ground, and pitch there; [null, present pitch] when it never does. */
  const comesUp = (state, curvature, steepest) => {
    const start = angleOf(state.pitch_pct), ground = state.ground || [];
    if (state.depth_m + groundAt(ground, 0) <= 0) return [0, state.pitch_pct];
    const limit = curvature === 0 ? start : limitOf(start, curvature, steepest);
    const bend = curvature === 0 ? 0 : (limit.sin - start.sin) / curvature;
    const bent = bend * chord(start, limit);
    for (const [x0, x1, foot, slope] of pieces(ground)) {
      const b = foot + state.depth_m;
      const on = meets(start, curvature, b, slope, x0, Math.min(x1, bend));
      if (on !== null) return [on, pctOf(ofSine(start.sin + curvature * on))];
      if (x1 <= bend) continue;
      if (limit.cos <= 0) return [bend, pctOf(limit)];
      const steep = limit.sin / limit.cos;
      if (steep > slope) {
        const x = (b - bent + steep * bend) / (steep - slope);
        if (Math.max(x0, bend) - SAME_M <= x && x <= x1) return [Math.max(x, bend), pctOf(limit)];
      }
    }
    return [null, state.pitch_pct];
  };
  /** Where the head comes out: {present_m, present_pct, hardest_m, hardest_pct, words}, of {state, radius_m, steepest, units}. */
  const exitAt = ({ state, radius_m: radius, steepest, units = "metric" }) => {
    checkAsked(state, radius, noLimit(steepest), 0, 1);
    const [presentM, presentPct] = comesUp(state, 0, noLimit(steepest));
    const [hardestM, hardestPct] = comesUp(state, 1 / radius, noLimit(steepest));
    const pitchWords = (p) => (Number.isFinite(p) ? `at ${signed(p, 0)} %` : "straight up");
    const told = (what, at, p) => `${what} ${length(at, units, 1)} ahead ${pitchWords(p)}`;
    const now = presentM === null ? "never comes out at this pitch" : told("comes out", presentM, presentPct);
    const hard = hardestM === null ? "nor steered hardest up" : told("hardest up", hardestM, hardestPct);
    return { present_m: presentM, present_pct: presentPct, hardest_m: hardestM, hardest_pct: hardestPct, words: `${now}; ${hard}` };
  };

  // ---- arrays

  /** Value at x of the line through points by growing xs, level beyond both ends (numpy.interp). */
  const interp = (x, xs, ys) => {
    if (x <= xs[0]) return ys[0];
    const last = xs.length - 1;
    if (x >= xs[last]) return ys[last];
    const k = after(xs, x) - 1;
    return ys[k] + ((ys[k + 1] - ys[k]) / (xs[k + 1] - xs[k])) * (x - xs[k]);
  };
  /** How many of some growing figures are not beyond x. */
  const after = (xs, x) => {
    let low = 0, high = xs.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (xs[mid] <= x) low = mid + 1;
      else high = mid;
    }
    return low;
  };
  const running = (list) => {
    const found = [0];
    for (const v of list) found.push(found[found.length - 1] + v);
    return found;
  };
  const steps = (list) => list.slice(1).map((v, k) => v - list[k]);
  const known = (list) => range(list.length).filter((k) => Number.isFinite(list[k]));
  const median = (list) => {
    const s = [...list].sort((a, b) => a - b), m = s.length >> 1;
    return s.length % 2 ? s[m] : (s[m - 1] + s[m]) / 2;
  };
  /** Lower triangle L of a symmetric positive matrix, L L' (Cholesky). */
  const triangle = (matrix) => {
    const n = matrix.length, low = matrix.map(() => new Array(n).fill(0));
    for (let i = 0; i < n; i += 1) {
      for (let j = 0; j <= i; j += 1) {
        let v = matrix[i][j];
        for (let k = 0; k < j; k += 1) v -= low[i][k] * low[j][k];
        low[i][j] = i === j ? Math.sqrt(Math.max(v, 1e-300)) : v / low[j][j];
      }
    }
    return low;
  };
  /** Solution of L L' x = b. */
  const solve = (low, b) => {
    const n = low.length, x = [...b];
    for (let i = 0; i < n; i += 1) {
      for (let k = 0; k < i; k += 1) x[i] -= low[i][k] * x[k];
      x[i] /= low[i][i];
    }
    for (let i = n - 1; i >= 0; i -= 1) {
      for (let k = i + 1; k < n; k += 1) x[i] -= low[k][i] * x[k];
      x[i] /= low[i][i];
    }
    return x;
  };

  // ---- the path as drilled (field/path.py)

  const CLOSURE_M = 0.15, CLOSURE_SHARE = 0.05, MOST_RODS = 2000, NO_PITCH = 1000, MOST_M = 200, SLIP_M = 0.5, ROUNDS = 4, SURE = 3;
  const OUT_M = 0.15; // less below the ground than this the head is out
  const CHANGE_PCT = 7; // of rods whose radius nobody told
  /** Errors of the reads, one standard deviation each: `path.Accuracy`, sources there. */
  const ACCURACY = Object.freeze({
    depth_share: 0.02, depth_same_share: 0.015, pitch_pct: 0.6, pitch_same_pct: 0.8, least_m: 0.02, along_share: 0.005,
    heading_deg: 1, bend_share: 0.2, place_m: 3,
  });
  const PROJECTED_M = 15 * FT_M, PROJECTED_PCT = 30; // beyond these a depth is a projected one, its error twice as large

  /** Error of a locate at a rod, and the part that all rods share: [own, shared]. */
  const locateError = (depth, pitch) => {
    const d = Math.abs(depth);
    const factor = d > PROJECTED_M || Math.abs(pitch) > PROJECTED_PCT ? 2 : 1;
    return [Math.max(ACCURACY.depth_share * d, ACCURACY.least_m) * factor, ACCURACY.depth_same_share * d * factor];
  };

  /** A painted line, prolonged straight at its ends, with a direction that turns steadily between its vertices' own. */
  const lineOf = (places) => {
    const xy = places.filter((p, k) => k === 0 || Math.hypot(p[0] - places[k - 1][0], p[1] - places[k - 1][1]) > 1e-6);
    if (xy.length < 2) throw new RangeError("painted line has no length: give two places at least");
    const step = xy.slice(1).map((p, k) => [p[0] - xy[k][0], p[1] - xy[k][1]]);
    const run = step.map((s) => Math.hypot(s[0], s[1]));
    const at = running(run);
    const way = step.map((s, k) => [s[0] / run[k], s[1] / run[k]]);
    const both = xy.map((_, k) => {
      if (k === 0 || k === xy.length - 1) return way[k ? k - 1 : 0];
      return [way[k - 1][0] + way[k][0], way[k - 1][1] + way[k][1]];
    });
    const turn = both.map((b) => b.map((v) => v / Math.max(Math.hypot(b[0], b[1]), 1e-12)));
    const turnX = turn.map((v) => v[0]), turnY = turn.map((v) => v[1]);
    /** Unit direction at a length along the line. */
    const direction = (t) => {
      const x = interp(t, at, turnX), y = interp(t, at, turnY), long = Math.hypot(x, y);
      return [x / long, y / long];
    };
    /** Place at a length along the line and a distance to the right of it. */
    const placeAt = (t, right) => {
      const i = clip(after(at, t) - 1, 0, run.length - 1), d = direction(t), on = t - at[i];
      return [xy[i][0] + on * way[i][0] + right * d[1], xy[i][1] + on * way[i][1] - right * d[0]];
    };
    /** Length along the line and distance to the right of it, of a place: [t, right]. */
    const seenFrom = (p) => {
      let best = Infinity, along = 0;
      for (let k = 0; k < run.length; k += 1) {
        const ax = p[0] - xy[k][0], ay = p[1] - xy[k][1];
        const t = clip(ax * way[k][0] + ay * way[k][1], k === 0 ? -Infinity : 0, k === run.length - 1 ? Infinity : run[k]);
        const x = ax - t * way[k][0], y = ay - t * way[k][1], far2 = x * x + y * y;
        if (far2 < best) {
          best = far2;
          along = at[k] + t;
        }
      }
      for (let k = 0; k < 3; k += 1) {
        const d = direction(along), q = placeAt(along, 0);
        along += (p[0] - q[0]) * d[0] + (p[1] - q[1]) * d[1];
      }
      const d = direction(along), q = placeAt(along, 0);
      return [along, (p[0] - q[0]) * d[1] - (p[1] - q[1]) * d[0]];
    };
    return { direction, place: placeAt, seenFrom };
  };

  /** Headings at places on a plan curve, of the circle through each and its neighbours, turning steadily; radians from north. */
  const headingsOf = (xy) => {
    const dx = steps(xy.map((p) => p[0])), dy = steps(xy.map((p) => p[1]));
    const run = dx.map((x, k) => Math.max(Math.hypot(x, dy[k]), 1e-12));
    const course = [];
    dx.forEach((x, k) => {
      const raw = Math.atan2(x, dy[k]);
      course.push(k ? course[k - 1] + remainder(raw - course[k - 1], 2 * Math.PI) : raw);
    });
    if (course.length === 1) return [course[0], course[0]];
    const inner = course.slice(1).map((c, k) => course[k] + ((c - course[k]) * run[k]) / (run[k] + run[k + 1]));
    return [2 * course[0] - inner[0], ...inner, 2 * course[course.length - 1] - inner[inner.length - 1]];
  };
  /** What is left of a figure when the nearest multiple of another is taken off. */
  const remainder = (v, by) => v - by * nearest(v / by);

  /** Ratio factor (2 / d) tan(d / 2) and chord of the arcs between directions: [factors, chords]. */
  const arcsOf = (angle, heading, run) => {
    const way = angle.map((a, k) => [Math.cos(a) * Math.sin(heading[k]), Math.cos(a) * Math.cos(heading[k]), Math.sin(a)]);
    const half = run.map((_, k) => Math.asin(clip(Math.hypot(...way[k + 1].map((v, j) => v - way[k][j])) / 2, 0, 0.7)));
    return [half.map((h) => (h > 1e-9 ? Math.tan(h) / h : 1)), half.map((h, k) => run[k] * (h > 1e-9 ? Math.sin(h) / h : 1))];
  };

  /** A bore's plan as arrays: plan_m, xyz, ground, drilled station, height of the ground at a place, nearest place of it. */
  const planOf = (bore) => {
    const plan = bore.path.map((p) => p[0]), xyz = bore.path.map((p) => [p[3], p[4], p[1]]), ground = bore.path.map((p) => p[2]);
    const step = xyz.slice(1).map((p, k) => p.map((v, j) => v - xyz[k][j]));
    const station = running(step.map((s) => Math.hypot(s[0], s[1], s[2])));
    /** Where a place stands beside the plan: {i, w, off: [x, y]}; w of segment i, beyond 0 to 1 only before and after the plan. */
    const beside = (p) => {
      let best = Infinity, found = { i: 0, w: 0, off: [0, 0] };
      step.forEach((s, k) => {
        const ax = p[0] - xyz[k][0], ay = p[1] - xyz[k][1];
        const flat2 = Math.max(s[0] * s[0] + s[1] * s[1], 1e-18);
        const w = clip((ax * s[0] + ay * s[1]) / flat2, k === 0 ? -Infinity : 0, k === step.length - 1 ? Infinity : 1);
        const x = ax - w * s[0], y = ay - w * s[1], far2 = x * x + y * y;
        if (far2 < best) {
          best = far2;
          found = { i: k, w, off: [x, y] };
        }
      });
      return found;
    };
    /** Distance along the plan, on the ground, of a place beside it; the plan goes on straight at both ends. */
    const planAt = ({ i, w }) => plan[i] + w * (plan[i + 1] - plan[i]);
    const heights = (p) => interp(planAt(beside(p)), plan, ground);
    return { plan, xyz, ground, step, station, beside, planAt, heights, heights_m: xyz.map((p) => p[2]) };
  };

  /** A place of the log's file in the job's frame, [NaN, NaN] without one; the inverse of job.to_file. */
  const toLocal = (job, x, y) => {
    if (!isFigure(x) || !isFigure(y) || !job.to_file) return [NaN, NaN];
    const [a, b, c, d, e, f] = job.to_file, turn = b * f - c * e;
    return [(f * (x - a) - c * (y - d)) / turn, (b * (y - d) - e * (x - a)) / turn];
  };
  /** A place of the job's frame in the log's file: [x, y]. */
  const toFile = (job, x, y) => {
    const [a, b, c, d, e, f] = job.to_file;
    return [a + b * x + c * y, d + e * x + f * y];
  };
  /** A place told by longitude and latitude, degrees, in the job's frame: [x, y] metres. */
  const fromLonLat = (job, lon, lat) => {
    const u = lon - job.from_lonlat.lon, v = lat - job.from_lonlat.lat, terms = [1, u, v, u * u, u * v, v * v];
    return ["x", "y"].map((k) => sum(job.from_lonlat[k].map((c, j) => c * terms[j])));
  };

  /** Largest change of pitch over a rod, percent: 100 tan(L / R); 7 when the radius is not known. */
  const changePct = (job) => (job.bend_m ? 100 * Math.tan(job.rod_m / job.bend_m) : CHANGE_PCT);
  /** The rods' least radius, metres. */
  const radiusOf = (job) => job.rod_m / Math.atan(changePct(job) / 100);

  /** Reads of one leg as arrays by rod; null when no rod was read, or more than any bore has. */
  const readsOf = (job, bore, legRead, plan) => {
    const entries = [...(legRead.start ? [legRead.start] : []), ...legRead.rods].filter((e) => e.rod >= 0);
    const byRod = new Map(entries.map((e) => [e.event === "rod" ? e.rod : 0, e]));
    const last = Math.max(0, ...byRod.keys());
    if (last < 1 || last > MOST_RODS) return null;
    const number = range(last + 1);
    const column = (key) => number.map((k) => (byRod.has(k) ? orNaN(byRod.get(k)[key]) : NaN));
    const places = number.map((k) => (byRod.has(k) ? toLocal(job, byRod.get(k).x, byRod.get(k).y) : [NaN, NaN]));
    const depth = column("depth_m"), offset = column("offset_m");
    const painted = bore.painted && bore.painted.length > 1 ? bore.painted : plan.xyz;
    return {
      job, plan, number, depth, offset, places, units: job.units, entry: plan.xyz[0], line: lineOf(painted),
      missing: number.filter((k) => k > 0 && !byRod.has(k)), heading: (bore.azimuth_deg * Math.PI) / 180,
      readPitch: column("pitch_pct"), placeM: column("accuracy_m"), roll: column("roll"), station: number.map((k) => job.rod_m * k),
      used: depth.map((v, k) => Number.isFinite(v) && k > 0), usedOffset: offset.map((v, k) => Number.isFinite(v) && k > 0),
      usedPlace: places.map((p, k) => Number.isFinite(p[0]) && Number.isFinite(p[1]) && k > 0),
      change: changePct(job), radius: radiusOf(job), problems: [],
    };
  };

  /** Problems that show before any path is made; pitches with the wrong sign, and figures that are none, are set aside. */
  const plainly = (r) => {
    if (r.missing.length) r.problems.push(`rod${plural(r.missing)} ${spans(r.missing)} not read`);
    r.roll.forEach((v, k) => {
      if (v < 1 || v >= 13) r.problems.push(`rod ${k}: roll ${short(v)} is no clock position from 1 to 12`);
    });
    impossible(r);
    r.pitch = r.readPitch.map((v) => (Math.abs(v) < NO_PITCH ? v : NaN));
    const there = known(r.pitch);
    there.forEach((k, i) => {
      const near = [i ? there[i - 1] : -1, i + 1 < there.length ? there[i + 1] : -1]
        .filter((j) => j >= 0 && Number.isFinite(r.pitch[j]) && Math.abs(j - k) <= 2);
      const wrong = near.every((j) => {
        const allowed = r.change * Math.abs(j - k) + 2;
        return Math.abs(r.pitch[k] - r.pitch[j]) > 1.5 * allowed && Math.abs(-r.pitch[k] - r.pitch[j]) <= allowed;
      });
      if (near.length > 1 && wrong) {
        r.problems.push(`rod ${k}: pitch ${signed(r.pitch[k], 1)} % has the wrong sign for its neighbours, not used`);
        r.pitch[k] = NaN;
      }
    });
    const left = known(r.pitch);
    left.slice(1).forEach((b, i) => {
      const a = left[i];
      if (Math.abs(r.pitch[b] - r.pitch[a]) > 1.2 * r.change * (b - a) + 1) {
        const [from, to] = [a, b].map((k) => signed(r.pitch[k], 1));
        r.problems.push(`rod ${b}: pitch goes from ${from} % to ${to} %, more than the rods bend`);
      }
    });
  };
  /** Figures that are none, or that no drilled length could reach: told, not used. */
  const impossible = (r) => {
    const far = r.station.map((s) => s + 1), side = r.line.seenFrom(r.entry)[1];
    r.placeM = r.placeM.map((v) => (v > 0 && v < MOST_M ? v : NaN));
    const away = r.places.map((p) => {
      const dx = p[0] - r.entry[0], dy = p[1] - r.entry[1];
      return Math.abs(dx) < 1e6 && Math.abs(dy) < 1e6 ? Math.hypot(dx, dy) : Infinity;
    });
    const wrong = {
      depth: [r.used, (k) => r.depth[k] < -SLIP_M || r.depth[k] > MOST_M],
      offset: [r.usedOffset, (k) => Math.abs(r.offset[k] - side) > far[k]],
      place: [r.usedPlace, (k) => away[k] > far[k] + SURE * (Number.isFinite(r.placeM[k]) ? r.placeM[k] : ACCURACY.place_m)],
    };
    for (const what of Object.keys(wrong)) {
      const [used, isWrong] = wrong[what];
      for (const k of r.number.filter((n) => used[n] && isWrong(n))) {
        used[k] = false;
        r.problems.push(`rod ${k}: ${what} lies where no head can be after ${k} rods, not used`);
      }
    }
    r.readPitch.forEach((v, k) => {
      if (Math.abs(v) >= NO_PITCH) r.problems.push(`rod ${k}: pitch ${short(v)} % is no pitch, not used`);
    });
  };

  /** Pitch of the plan at drilled lengths. */
  const plannedPitch = (plan, stations) => stations.map((s) => {
    const step = plan.step[clip(after(plan.station, s) - 1, 0, plan.step.length - 1)];
    return (100 * step[2]) / Math.max(Math.hypot(step[0], step[1]), 1e-9);
  });

  /** Pitch at every rod end, and the error of it that is new there: [pitch, error]. */
  const filled = (r) => {
    const there = known(r.pitch);
    if (there.length) {
      const pitch = [...r.pitch], error = r.pitch.map(() => ACCURACY.pitch_pct);
      if (!Number.isFinite(pitch[0])) {
        pitch[0] = plannedPitch(r.plan, [0])[0];
        there.unshift(0);
        error[0] += 1;
      }
      const at = there.map((k) => pitch[k]);
      const away = r.number.map((k) => Math.min(...there.map((j) => Math.abs(k - j))));
      return [r.number.map((k) => interp(k, there, at)), error.map((e, k) => e + (r.change * away[k]) / 2)];
    }
    const wide = r.pitch.map(() => 10), located = r.number.filter((k) => r.used[k]);
    if (located.length) { // from the depths alone: first as if the ground were level
      const z = r.number.map((k) => interp(k, [0, ...located], [-0, ...located.map((j) => -r.depth[j])]));
      const n = z.length - 1;
      const slope = z.map((_, k) => {
        const [a, b] = [Math.max(k - 1, 0), Math.min(k + 1, n)];
        return clip((z[b] - z[a]) / (r.station[b] - r.station[a]), -0.9, 0.9);
      });
      return [slope.map((s) => (100 * s) / Math.sqrt(1 - s * s)), wide];
    }
    const told = "neither pitch nor depth was read: heights are as planned";
    if (!r.problems.includes(told)) r.problems.push(told);
    return [plannedPitch(r.plan, r.station), wide];
  };

  /** Path and errors from the reads as they stand. */
  const solved = (r) => {
    const [pitch, pitchError] = filled(r);
    const angle = pitch.map((p) => Math.atan(p / 100)), run = steps(r.station);
    const [startT, startRight] = r.line.seenFrom(r.entry);
    let t = running(run.map((d, k) => d * Math.cos((angle[k + 1] + angle[k]) / 2))).map((v) => v + startT);
    let right = t.map(() => startRight), z = [], rise = [], heightError = [], rightError = [], alongError = [];
    for (let round = 0; round < ROUNDS; round += 1) {
      const places = t.map((v, k) => r.line.place(v, right[k]));
      const [factor, chords] = arcsOf(angle, headingsOf(places), run);
      const weights = run.map((d, k) => (d / 2) * factor[k]);
      rise = running(weights.map((w, k) => w * (Math.sin(angle[k]) + Math.sin(angle[k + 1]))));
      const ground = places.map(r.plan.heights);
      [z, heightError] = heightsOf(r, rise, angle, weights, pitchError, ground);
      const depth = r.depth.map((d, k) => orZero(r.used[k] ? d : ground[k] - z[k]));
      let placeT, placeError;
      [right, rightError, placeT, placeError] = sideways(r, t.length, startT, startRight, depth, pitch);
      const flat = chords.map((c, k) => Math.sqrt(Math.max(c * c - (z[k + 1] - z[k]) ** 2, (0.05 * c) ** 2)));
      [t, alongError] = stretched(r, alongLine(r, startT, right, flat), placeT, placeError);
    }
    const xyz = t.map((v, k) => [...r.line.place(v, right[k]), z[k]]), ground = xyz.map(r.plan.heights);
    return {
      xyz, t, right, ground, pitch, pitchError, rise, error: t.map((_, k) => [alongError[k], rightError[k], heightError[k]]),
      readZ: ground.map((g, k) => g - r.depth[k]),
    };
  };
  const orZero = (v) => (Number.isFinite(v) ? v : 0);

  /** Heights and their errors from summed pitches and the locator: z = z0 + rise + C (C + R)^-1 (read - z0 - rise). */
  const heightsOf = (r, rise, angle, weights, pitchError, ground) => {
    const n = rise.length, slope = angle.map((a) => Math.cos(a) ** 3 / 100);
    // height i hangs on pitch k by passed[k] when k < i, by end[i] when k = i
    const end = slope.map((s, k) => (k ? weights[k - 1] * s : 0));
    const passed = slope.map((s, k) => end[k] + (k < n - 1 ? weights[k] * s : 0));
    const before = running(passed.map((c, k) => (c * pitchError[k]) ** 2)), all = running(passed);
    const same = all.slice(0, n).map((v, k) => (v + end[k]) * ACCURACY.pitch_same_pct);
    const cov = (i, j) => {
      const [a, b] = i < j ? [i, j] : [j, i];
      const own = end[a] * (a === b ? end[a] : passed[a]) * pitchError[a] ** 2;
      return before[a] + own + same[a] * same[b] + ACCURACY.least_m ** 2;
    };
    const z = rise.map((v) => r.entry[2] + v);
    const seen = r.number.filter((k) => r.used[k] && Number.isFinite(ground[k]));
    if (!seen.length) return [z, z.map((_, k) => Math.sqrt(cov(k, k)))];
    const errors = seen.map((k) => locateError(r.depth[k], 100 * Math.tan(angle[k])));
    const gap = seen.map((k) => ground[k] - r.depth[k] - z[k]);
    const low = triangle(seen.map((a, i) => seen.map((b, j) =>
      cov(a, b) + errors[i][1] * errors[j][1] + (i === j ? errors[i][0] ** 2 : 0))));
    const moved = solve(low, gap);
    // reads that scatter more than they should make the error larger (Birge's ratio, from memory)
    const ratio = Math.max(1, sum(gap.map((g, k) => g * moved[k])) / seen.length);
    const found = z.map((v, k) => {
      const row = seen.map((j) => cov(j, k)), gain = solve(low, row);
      const left = cov(k, k) - sum(gain.map((g, j) => g * row[j]));
      return [v + sum(row.map((c, j) => c * moved[j])), Math.sqrt(ratio * Math.max(left, 1e-8))];
    });
    return [found.map((f) => f[0]), found.map((f) => f[1])];
  };

  /** Distance to the right of the painted line and its error; lengths along it by x, y with their error, NaN without. */
  const sideways = (r, n, startT, startRight, depth, pitch) => {
    const locate = depth.map((d, k) => {
      const [own, shared] = locateError(d, pitch[k]);
      return own * own + shared * shared;
    });
    const seen = r.places.map((p, k) => (r.usedPlace[k] ? r.line.seenFrom(p) : [NaN, NaN]));
    const placeVar = r.placeM.map((v, k) => Math.max(Number.isFinite(v) ? v : ACCURACY.place_m, ACCURACY.least_m) ** 2 + locate[k]);
    const weight = r.number.map((k) => (r.usedOffset[k] ? 1 / locate[k] : 0) + (r.usedPlace[k] ? 1 / placeVar[k] : 0));
    const total = r.number.map((k) =>
      (r.usedOffset[k] ? r.offset[k] / locate[k] : 0) + (r.usedPlace[k] ? seen[k][1] / placeVar[k] : 0));
    weight[0] = 1 / ACCURACY.least_m ** 2;
    total[0] = startRight / ACCURACY.least_m ** 2;
    const there = r.number.filter((k) => weight[k] > 0);
    const value = there.map((k) => total[k] / weight[k]), variance = there.map((k) => 1 / weight[k]);
    const [right, error2] = betweenReads(r, there, value, variance);
    carriedOn(r, there, value, variance, right, error2, startT);
    return [right, error2.map(Math.sqrt), seen.map((s) => s[0]), placeVar.map(Math.sqrt)];
  };
  /** Straight between reads; the error is the reads' and that of a bend in between. */
  const betweenReads = (r, there, value, variance) => {
    const s = r.station, at = there.map((k) => s[k]);
    const right = s.map((v) => interp(v, at, value));
    const error2 = s.map((v, k) => {
      const come = after(there, k - 1); // how many reads come before rod k
      const next = clip(come, there.length > 1 ? 1 : 0, there.length - 1), prev = Math.max(next - 1, 0);
      const wide = Math.max(at[next] - at[prev], 1e-9), w = clip((v - at[prev]) / wide, 0, 1);
      const bend = ((ACCURACY.bend_share / r.radius) * w * (1 - w) * wide ** 2) / 2;
      return (1 - w) ** 2 * variance[prev] + w ** 2 * variance[next] + bend ** 2;
    });
    return [right, error2];
  };
  /** After the last read: on in the direction of the last four, changed in place; error as of a head that nobody locates. */
  const carriedOn = (r, there, value, variance, right, error2, startT) => {
    const last = there[there.length - 1], s = r.station;
    if (last === right.length - 1) return;
    const heading = (ACCURACY.heading_deg * Math.PI) / 180, way = r.line.direction(startT);
    const first = remainder(r.heading - Math.atan2(way[0], way[1]), 2 * Math.PI);
    const few = there.slice(-4), ahead = few.map((k) => s[k] - s[last]), weight = variance.slice(-4).map((v) => 1 / v);
    const read4 = value.slice(-4), prior = 1 / (2 * heading) ** 2, mean = last === 0 ? Math.tan(first) : 0;
    const [w, wx] = [sum(weight), sum(weight.map((v, k) => v * ahead[k]))];
    const wxx = sum(weight.map((v, k) => v * ahead[k] ** 2)) + prior, det = w * wxx - wx * wx;
    const y = sum(weight.map((v, k) => v * read4[k])), xy = sum(weight.map((v, k) => v * ahead[k] * read4[k])) + prior * mean;
    const slope = (w * xy - wx * y) / det;
    const turn = last ? Math.max(heading, Math.sqrt(w / det)) : heading;
    for (let k = last + 1; k < right.length; k += 1) {
      const on = s[k] - s[last];
      right[k] = value[value.length - 1] + slope * on;
      error2[k] = variance[variance.length - 1] + (turn * on) ** 2 + (((ACCURACY.bend_share / r.radius) * on ** 2) / 2) ** 2;
    }
  };
  /** Lengths along the painted line at which the rods, so long in plan, lie at these distances from it. */
  const alongLine = (r, startT, right, flat) => {
    let step = flat.map((f, k) => Math.sqrt(Math.max(f * f - (right[k + 1] - right[k]) ** 2, (0.05 * f) ** 2)));
    for (let round = 0; round < 4; round += 1) {
      const places = running(step).map((v, k) => r.line.place(startT + v, right[k]));
      step = step.map((d, k) => {
        const apart = Math.hypot(places[k + 1][0] - places[k][0], places[k + 1][1] - places[k][1]);
        return Math.sqrt(Math.max(d * d + flat[k] ** 2 - apart ** 2, (0.05 * flat[k]) ** 2));
      });
    }
    return running(step).map((v) => startT + v);
  };
  /** Lengths along the line with the rods' length error taken from the places read, and what is left of it. */
  const stretched = (r, t, placeT, placeError) => {
    const there = known(placeT), s = r.station, weight = there.map((k) => 1 / placeError[k] ** 2);
    const total = 1 / ACCURACY.along_share ** 2 + sum(there.map((k, j) => weight[j] * s[k] ** 2));
    const stretch = sum(there.map((k, j) => weight[j] * s[k] * (placeT[k] - t[k]))) / total;
    return [t.map((v, k) => v + stretch * s[k]), s.map((v) => Math.sqrt(ACCURACY.least_m ** 2 + (v * v) / total))];
  };

  /** Change of height between two located rods by the locator less that by pitch, and what it may be: [jump, most]. */
  const fitsOf = (r, found, a, b) => {
    const jump = found.readZ[b] - found.readZ[a] - found.rise[b] + found.rise[a];
    const own = [a, b].map((k) => locateError(r.depth[k], found.pitch[k])[0]);
    const errors = found.pitchError.slice(a, b + 1), fresh = Math.sqrt(sum(errors.map((e) => e * e)) / errors.length);
    const pitchM = ((r.station[b] - r.station[a]) * Math.hypot(fresh, ACCURACY.pitch_same_pct)) / 100;
    return [jump, Math.max(CLOSURE_M, SURE * Math.sqrt(own[0] ** 2 + own[1] ** 2 + pitchM ** 2))];
  };
  /** Leave out depths that neither neighbour bears out while the neighbours agree; true when there are any. */
  const setAside = (r, found) => {
    const seen = [0, ...r.number.filter((k) => r.used[k] && Number.isFinite(found.readZ[k]))];
    const depth0 = r.depth[0];
    found.readZ[0] = r.entry[2];
    r.depth[0] = 0;
    const out = seen.filter((k, i) => {
      if (i === 0) return false;
      const [jump, most] = fitsOf(r, found, seen[i - 1], k);
      let alone = Math.abs(jump) > Math.max(2 * most, 0.5);
      if (i + 1 < seen.length) {
        const [back, mostBack] = fitsOf(r, found, k, seen[i + 1]), [over, mostOver] = fitsOf(r, found, seen[i - 1], seen[i + 1]);
        alone = Math.abs(jump) > most && Math.abs(back) > mostBack && jump * back < 0 && Math.abs(over) <= mostOver;
      }
      if (alone) {
        const [depth, by] = [r.depth[k], Math.abs(jump)].map((v) => length(v, r.units, 2));
        r.problems.push(`rod ${k}: depth ${depth} is ${by} off what pitch and the rods beside it say, not used`);
      }
      return alone;
    });
    r.depth[0] = depth0;
    for (const k of out) r.used[k] = false;
    return out.length > 0;
  };
  /** Second differences of reads at rods 1 to n - 1, and what they may be: [bends, most]. */
  const bendsOf = (r, values, found) => {
    const depth = r.depth.map((d, k) => orZero(r.used[k] ? d : found.ground[k] - found.xyz[k][2]));
    const own = depth.map((d, k) => locateError(d, found.pitch[k])[0]);
    const inner = r.number.slice(1, -1);
    return [inner.map((k) => values[k + 1] - 2 * values[k] + values[k - 1]),
      inner.map((k) => r.job.rod_m ** 2 / r.radius + SURE * Math.sqrt(own[k - 1] ** 2 + 4 * own[k] ** 2 + own[k + 1] ** 2))];
  };
  const usedOffsets = (r) => r.offset.map((v, k) => (r.usedOffset[k] ? v : NaN));
  /** Leave out offsets that stand out alone between two that agree; true when there are any. */
  const offsetsAside = (r, found) => {
    const [bend, most] = bendsOf(r, usedOffsets(r), found);
    const alone = range(bend.length).slice(1, -1).filter((k) => Math.abs(bend[k]) > most[k] && bend[k] * bend[k - 1] < 0
      && bend[k] * bend[k + 1] < 0 && Math.abs(bend[k]) > 1.5 * Math.max(Math.abs(bend[k - 1]), Math.abs(bend[k + 1])));
    for (const k of alone) {
      const by = length(Math.abs(bend[k]) / 2, r.units, 2);
      r.problems.push(`rod ${k + 1}: offset is ${by} off what the rods beside it say, not used`);
      r.usedOffset[k + 1] = false;
    }
    return alone.length > 0;
  };
  /** Told where reads beside each other, or three in a row, are such that no rod can follow. */
  const jumps = (r, found) => {
    const seen = r.number.filter((k) => r.used[k] && Number.isFinite(found.readZ[k]));
    seen.slice(1).forEach((b, i) => {
      const a = seen[i], [jump, most] = fitsOf(r, found, a, b), fall = Math.abs(found.readZ[b] - found.readZ[a]);
      if (fall > r.station[b] - r.station[a] + most) {
        r.problems.push(`rod ${b}: depth goes further than the rods are long, ${length(fall, r.units, 2)} since rod ${a}`);
      } else if (Math.abs(jump) > most) {
        r.problems.push(`rod ${b}: depth jumps by ${length(Math.abs(jump), r.units, 2)} against the pitch since rod ${a}`);
      }
    });
    for (const [values, what] of [[found.readZ.map((v, k) => (r.used[k] ? v : NaN)), "depth"], [usedOffsets(r), "offset"]]) {
      const [bend, most] = bendsOf(r, values, found);
      bend.forEach((v, k) => {
        if (!(Math.abs(v) > most[k])) return;
        const by = length(Math.abs(v) - r.job.rod_m ** 2 / r.radius, r.units, 2);
        r.problems.push(`rod ${k + 1}: ${what} bends by ${by} more than the rods can from rod ${k} to ${k + 2}`);
      });
    }
  };
  /** True where the errors stated for the reads explain that both heights differ by so much. */
  const explained = (r, found, gap, k) => {
    const [own, shared] = locateError(r.depth[k], found.pitch[k]);
    return Math.abs(gap[k]) <= SURE * Math.hypot(own, shared, (r.station[k] * ACCURACY.pitch_same_pct) / 100);
  };
  /** Told where both heights differ by more than is allowed, and whether the errors stated for both explain it. */
  const closing = (r, found, gap, allowed) => {
    const beyond = r.number.filter((k) => r.used[k] && Math.abs(gap[k]) > allowed[k]);
    if (!beyond.length) return;
    const k = beyond.reduce((a, b) => (Math.abs(gap[b]) > Math.abs(gap[a]) ? b : a));
    const [by, most] = [Math.abs(gap[k]), allowed[k]].map((v) => length(v, r.units, 2));
    const why = beyond.every((b) => explained(r, found, gap, b)) ? ", within the error of the pitches" : "";
    const way = gap[k] < 0 ? "deeper" : "shallower";
    r.problems.push(`rod${plural(beyond)} ${spans(beyond)}: summed pitch and locator do not close, at rod ${k} the locator says `
      + `${by} ${way}, allowed ${most}${why}`);
  };

  // ---- against the plan (field/compare.py)

  const EARLY_SHARE = 0.6, LOOK_RODS = 2, USED_SHARE = 0.35;

  /** Each rod from the plan, metres: {along, right, down, plan: distance along the plan on the ground}. */
  const deviations = (plan, xyz, station) => xyz.map((p, n) => {
    const side = plan.beside(p), s = plan.step[side.i], long = Math.sqrt(Math.max(s[0] ** 2 + s[1] ** 2, 1e-18));
    const cross = (side.off[0] * s[1] - side.off[1] * s[0]) / long;
    return {
      along: plan.station[side.i] + side.w * (plan.station[side.i + 1] - plan.station[side.i]) - station[n],
      right: Math.sign(cross) * Math.hypot(side.off[0], side.off[1]), down: plan.xyz[side.i][2] + side.w * s[2] - p[2],
      plan: plan.planAt(side),
    };
  });
  /** How a leg uses its tube, by rod: {off, tube, ahead: off carried on by two rods, told, right_per_m: of the last rods}. */
  const driftOf = (bore, r, found, pitch, away) => {
    const two = away.map((a, k) => [a.right, a.down * Math.cos(Math.atan(pitch[k] / 100))]);
    const off = two.map((v) => Math.hypot(v[0], v[1]));
    const tube = found.ground.map((g, k) => bore.tube_m + bore.tube_share * Math.max(orZero(g - found.xyz[k][2]), 0));
    const ahead = [...off];
    let trend = [0, 0];
    for (let k = 1; k < off.length; k += 1) {
      const few = range(k + 1).slice(Math.max(0, k - 3)), mean = sum(few.map((j) => r.station[j])) / few.length;
      const centred = few.map((j) => r.station[j] - mean), square = sum(centred.map((c) => c * c));
      trend = [0, 1].map((m) => sum(few.map((j, i) => centred[i] * two[j][m])) / square);
      const on = r.station[k] + LOOK_RODS * median(steps(r.station)) - mean;
      ahead[k] = Math.hypot(...[0, 1].map((m) => sum(few.map((j) => two[j][m])) / few.length + trend[m] * on));
    }
    const told = off.map((v, k) => v > EARLY_SHARE * tube[k] || (ahead[k] > tube[k] && v > USED_SHARE * tube[k]));
    return { off, tube, ahead, told, right_per_m: trend[0] };
  };
  /** One line on a rod that drifts or has left its tube. */
  const driftLine = (units, what, away, tube) => {
    const [right, down, wide] = [Math.abs(away.right), Math.abs(away.down), tube].map((v) => length(v, units, 2));
    const side = away.right > 0 ? "right" : "left", deep = away.down > 0 ? "low" : "high";
    return `the head ${what}, ${right} ${side} and ${down} ${deep} of the plan, tube ${wide}`;
  };

  /**
   * The path of a leg from what was read of its rods, by rod, 0 the entry: {number, station, xyz, offset (right of the painted line),
   * error (along, across, height), ground, depth and pitch as read (pitch filled where not), pitch_used, used (depth), gap and
   * allowed (closure), explained, away (from the plan), off, tube, ahead, told, right_per_m, problems}; null when no rod was read, or
   * more than any bore has. Twin of field/path.py `traverse` without a surveyed exit, and of compare.py.
   */
  const track = (job, bore, legRead) => {
    const plan = planOf(bore), r = readsOf(job, bore, legRead, plan);
    if (!r) return null;
    plainly(r);
    let found = solved(r);
    const depths = setAside(r, found), offsets = offsetsAside(r, found);
    if (depths || offsets) found = solved(r);
    jumps(r, found);
    const gap = found.readZ.map((v, k) => v - (r.entry[2] + found.rise[k]));
    const allowed = r.depth.map((d, k) => Math.max(CLOSURE_M, CLOSURE_SHARE * (r.used[k] ? d : 0)));
    closing(r, found, gap, allowed);
    const pitch = r.readPitch.map((v, k) => (Math.abs(v) < NO_PITCH ? v : found.pitch[k]));
    const away = deviations(plan, found.xyz, r.station), drift = driftOf(bore, r, found, pitch, away);
    for (const [flags, what] of [[drift.told, "drifts"], [drift.off.map((v, k) => v > drift.tube[k]), "has left its tube"]]) {
      const k = flags.indexOf(true);
      if (k >= 0) r.problems.push(`rod ${k}: ${driftLine(job.units, what, away[k], drift.tube[k])}`);
    }
    return {
      number: r.number, station: r.station, xyz: found.xyz, offset: found.right,
      error: found.error, ground: found.ground, depth: r.depth, pitch, side_read: r.number.map((k) => r.usedOffset[k] || r.usedPlace[k]),
      pitch_used: found.pitch, used: r.used, gap, allowed, explained: gap.map((_, k) => explained(r, found, gap, k)), away,
      ...drift, problems: [...new Set(r.problems)],
    };
  };

  // ---- what the page shows of the head

  /**
   * Where the head is after the last rod that was read, null before the first. depth_m, z_m: by the locator where it was read and
   * bears out, else by all that was read; best_z_m, error_z_m: height by all that was read, and its standard error; plan_m: along
   * the plan on the ground; right_m, down_m, off_m: off the plan, by all that was read; closure: {gap_m, allowed_m, ok, usual: the
   * errors of the reads explain it} or null; out: it came out of the ground; drift: one line or "", left_tube, both empty when it is
   * out; right_per_m: how right_m grows by drilled metre; side_m, side_per_m: the same as steering has them, what was ordered taken in.
   */
  const head = (job, bore, legRead) => {
    const found = track(job, bore, legRead);
    return found ? headOf(job, bore, found) : null;
  };
  /** True where the head is out of the ground: in the last rod, of which only a part is drilled. */
  const isOut = (found, k) => found.ground[k] - found.xyz[k][2] < OUT_M;
  const headOf = (job, bore, found) => {
    const k = found.number.length - 1, away = found.away[k], ground = found.ground[k];
    const z = found.used[k] ? ground - found.depth[k] : found.xyz[k][2];
    const out = isOut(found, k), left = !out && found.off[k] > found.tube[k], [sideM, sidePerM] = sideOf(job, bore, found);
    const closed = Number.isFinite(found.gap[k]) && {
      gap_m: found.gap[k], allowed_m: found.allowed[k], ok: Math.abs(found.gap[k]) <= found.allowed[k], usual: found.explained[k],
    };
    return {
      rod: k, station_m: found.station[k], plan_m: away.plan, depth_m: ground - z, z_m: z, ground_m: ground,
      pitch_pct: found.pitch_used[k], offset_m: found.offset[k], x: found.xyz[k][0], y: found.xyz[k][1], closure: closed || null,
      off_m: found.off[k], tube_m: found.tube[k], right_m: away.right, down_m: away.down, best_z_m: found.xyz[k][2],
      error_z_m: found.error[k][2], out, left_tube: left, right_per_m: found.right_per_m, side_m: sideM, side_per_m: sidePerM,
      drift: left || (found.told[k] && !out) ? driftLine(job.units, left ? "has left its tube" : "drifts", away, found.tube[k]) : "",
    };
  };

  /** The head for look-ahead: {depth_m, pitch_pct, ground: [[x, z], ...] ahead, above the ground over the head}. */
  const state = (job, bore, at) => {
    const ahead = bore.path.filter((p) => p[0] > at.plan_m + 1e-6).map((p) => [p[0] - at.plan_m, p[2] - at.ground_m]);
    return { depth_m: at.depth_m, pitch_pct: at.pitch_pct, ground: [[0, 0], ...ahead] };
  };

  /** Windows ahead of the head and whether it can still pass them: [{window, at_m, result, words}]. */
  const ahead = (job, bore, at) => bore.windows
    .filter((w) => w.plan_m >= at.plan_m && isFigure(w.least_z) && isFigure(w.most_z) && w.least_z <= w.most_z)
    .map((w) => {
      const result = canMake({
        state: state(job, bore, at), at_m: w.plan_m - at.plan_m, least_z: w.least_z - at.ground_m, most_z: w.most_z - at.ground_m,
        radius_m: radiusOf(job), rod_m: job.rod_m, steepest: noLimit(job.steepest_pct), units: job.units,
      });
      return { window: w, at_m: w.plan_m - at.plan_m, result, words: `${w.name} at rod ${w.rod}: ${result.words}` };
    });

  /** Clock position that steers up and right, to the half hour: "12 o'clock", "1:30"; bore/steer.clock but for the word. */
  const clock = (upPct, rightPct) => {
    const halves = ((nearest((Math.atan2(rightPct, upPct) * 180) / Math.PI / 15) % 24) + 24) % 24;
    const hour = Math.floor(halves / 2) || 12;
    return halves % 2 ? `${hour}:30` : `${hour} o'clock`;
  };
  /** Change of pitch and of heading that the plan has over the rod after one, percent: [up, right]. */
  const plannedTurn = (bore, k) => {
    const now = bore.rod[k], next = bore.rod[k + 1];
    if (!now || !next) return [0, 0];
    return [next.pitch_pct - now.pitch_pct, 100 * Math.tan((remainder(next.azimuth_deg - now.azimuth_deg, 360) * Math.PI) / 180)];
  };

  const BACK_RODS = 3, BACK_RODS_SIDE = 4; // rods over which the head is led back, height and sideways: house choices, no source
  const SIDE_SHARE = 0.4; // of the rods' bend that sideways may have where height wants all of it: house choice, no source
  const SMALL_PCT = 1; // smaller changes over a rod are not ordered: pitch is read to a percent. House choice, no source
  /**
   * What to steer over the next rod, from where the head points now: {action: words, clock: "" when straight on, correction: "" when
   * the plan's own turn is all, target: {rod, depth_m, pitch_pct} that the rod will reach, or null behind the last, change_pct: of
   * pitch, null before the first rod, turn_pct: [up, right] that is ordered}. at: of `head`, null before the first rod.
   */
  const steer = (job, bore, at) => {
    const k = at ? at.rod : 0, row = bore.rod[k], next = bore.rod[k + 1];
    const planned = next ? { rod: next.rod, depth_m: next.depth_m, pitch_pct: next.pitch_pct } : null;
    if (!at || !next) {
      const action = row ? row.action : "the plan ends here";
      return { action, clock: "", correction: "", target: planned, change_pct: null, turn_pct: [0, 0] };
    }
    const [planUp, planRight] = plannedTurn(bore, k), [up, right, hard] = turnFor(job, planOf(bore), bore, at);
    const pitch = at.pitch_pct + up, mean = (Math.atan(at.pitch_pct / 100) + Math.atan(pitch / 100)) / 2;
    const depth = next.ground_m - (at.best_z_m + job.rod_m * Math.sin(mean));
    const ways = [
      up ? `${up > 0 ? "up" : "down"} ${fixed(Math.abs(up), 0)} % to ${signed(pitch, 0)} %` : "",
      right ? `${right > 0 ? "right" : "left"} ${fixed(Math.abs(right), 0)} %` : "",
    ].filter(Boolean).join(" and ");
    const own = Math.hypot(up - planUp, right - planRight) < SMALL_PCT;
    return {
      action: ways ? `steer ${ways}${hard ? ", as hard as the rods bend" : ""}` : `straight on at ${signed(at.pitch_pct, 0)} %`,
      clock: ways ? clock(up, right) : "", correction: own ? "" : `${ways || "straight on"}: back to the plan`,
      target: { rod: next.rod, depth_m: Math.max(depth, 0), pitch_pct: pitch }, change_pct: up, turn_pct: [up, right],
    };
  };
  /**
   * Change of pitch and heading over the next rod, percent, what is too small to order left out: [up, right, cut to what rods bend].
   * Off by d and leaving by v per metre, the turn that ends on the plan and along it after T metres with the least bending begins with
   * -(6 d / T^2 + 4 v / T) per metre (D: least effort of d'' = u). Height goes first, sideways gets what is left of the bend, with
   * two fifths of it at least, which cost the height a twelfth.
   */
  const turnFor = (job, plan, bore, at) => {
    const back = (d, v, rods) => ((-100) * ((6 * d) / (rods * job.rod_m) + 4 * v)) / rods;
    const along = bore.rod.map((r) => r.plan_m), pitches = bore.rod.map((r) => r.pitch_pct);
    const here = interp(at.plan_m, along, pitches), run = job.rod_m * Math.cos(Math.atan(at.pitch_pct / 100));
    const high = at.best_z_m - interp(at.plan_m, plan.plan, plan.heights_m);
    const wantUp = interp(at.plan_m + run, along, pitches) - here + back(high, (at.pitch_pct - here) / 100, BACK_RODS);
    const wantRight = plannedTurn(bore, at.rod)[1] + back(at.side_m, at.side_per_m, BACK_RODS_SIDE);
    const most = changePct(job), held = Math.min(Math.abs(wantRight), SIDE_SHARE * most);
    const highest = Math.sqrt(most ** 2 - held ** 2);
    const up = clip(wantUp, -highest, highest), room = Math.sqrt(Math.max(most ** 2 - up ** 2, 0));
    const right = clip(wantRight, -room, room), large = (v) => (Math.abs(v) >= SMALL_PCT ? v : 0);
    return [large(up), large(right), Math.hypot(wantUp - up, wantRight - right) > SMALL_PCT];
  };
  /** Standard deviation of a rod's turn: share of the rods' bend that nobody ordered, share of the order. House choices, no source. */
  const STRAY_SHARE = 0.05, DOUBT_SHARE = 0.25;
  /**
   * Distance right of the plan and its growth by metre after the last rod: [side_m, side_per_m]. Where a head points shows late from
   * offsets alone, so what was ordered at each rod is taken in, part of it in doubt, and the offsets correct it by their errors
   * (Kalman's filter of place and heading, from memory). A head that follows no order is found by and by.
   */
  const sideOf = (job, bore, found) => {
    const plan = planOf(bore), long = job.rod_m, heading = Math.tan((2 * ACCURACY.heading_deg * Math.PI) / 180);
    const stray = (STRAY_SHARE * changePct(job)) / 100;
    let [d, v, dd, dv, vv] = [found.away[0].right, 0, ACCURACY.least_m ** 2, 0, heading ** 2];
    for (let k = 1; k < found.number.length; k += 1) {
      const at = {
        rod: k - 1, plan_m: found.away[k - 1].plan, pitch_pct: found.pitch_used[k - 1], best_z_m: found.xyz[k - 1][2],
        side_m: d, side_per_m: v,
      };
      const isTold = k > 1 && bore.rod[k];
      const turn = isTold ? (turnFor(job, plan, bore, at)[1] - plannedTurn(bore, k - 1)[1]) / 100 : 0;
      const fresh = stray ** 2 + (DOUBT_SHARE * turn) ** 2;
      d += long * (v + turn / 2);
      v += turn;
      [dd, dv, vv] = [dd + 2 * long * dv + long ** 2 * (vv + fresh / 4), dv + long * (vv + fresh / 2), vv + fresh];
      if (!found.side_read[k]) continue;
      const due = dd + found.error[k][1] ** 2, gain = [dd / due, dv / due], miss = found.away[k].right - d;
      d += gain[0] * miss;
      v += gain[1] * miss;
      [dd, dv, vv] = [dd * (1 - gain[0]), dv * (1 - gain[0]), vv - gain[1] * dv];
    }
    return [d, v];
  };

  // ---- what is asked about a reading as soon as it is recorded

  const FEET = 1 / FT_M;
  const BLIND_RODS = 4; // rods without left or right after which it is asked for: house choice, no source
  const SLIP_PCT = 2.5; // a smaller pitch than this is not asked about for its sign: house choice, no source

  /**
   * What to ask the crew about a reading that was recorded after `legRead`: [{code, words, fix: null or fields of the entry that
   * would mend it}]. A slip hides what only follows from it. codes: missing, offset, again, roll, impossible, sign, jump, feet,
   * depth, closure, tube, drift. The last three are told at the rod at which they begin, not again at every rod after it.
   */
  const checks = (job, bore, legRead, entry) => {
    if (entry.event === "start") return startAsked(bore, entry);
    if (entry.event !== "rod" || !(entry.rod > 0)) return [];
    const rod = entry.rod, others = legRead.rods.filter((e) => e.entry_id !== entry.entry_id || !e.entry_id);
    const start = legRead.start && isUpside(bore, legRead.start.pitch_pct) ? { ...legRead.start, pitch_pct: null } : legRead.start;
    const past = { ...legRead, start, rods: others.filter((e) => e.rod < rod) };
    const lastRod = Math.max(0, ...past.rods.map((e) => e.rod));
    const asked = [...slips(job, bore, others, entry, lastRod)];
    if (rod > MOST_RODS) return asked;
    const full = { ...past, rods: [...past.rods, entry] };
    const found = track(job, bore, full);
    const wrong = found.problems.filter((p) => p.startsWith(`rod ${rod}: `) && /where no head can be|is no pitch/.test(p));
    if (wrong.length) return [...asked, ...wrong.map((p) => ask("impossible", p.replace(/, not used$/, "")))];
    const before = lastRod ? track(job, bore, past) : null;
    const bend = pitchAsked(job, bore, past, entry, lastRod, before);
    if (bend) return [...asked, bend];
    const deep = depthAsked(job, bore, full, entry, lastRod, before);
    return deep ? [...asked, deep] : [...asked, ...courseAsked(job, found, before)];
  };
  const ask = (code, words, fix = null) => ({ code, words, fix });

  /** True for a pitch at the entry that goes up where the plan goes down. */
  const isUpside = (bore, p) => isFigure(p) && Math.abs(p) >= SLIP_PCT && p * pitchAtRod(bore, 0) < 0;
  const startAsked = (bore, entry) => {
    if (!isUpside(bore, entry.pitch_pct)) return [];
    const [is, plan, turned] = [entry.pitch_pct, pitchAtRod(bore, 0), -entry.pitch_pct].map((v) => `${signed(v, 1)} %`);
    const words = `pitch ${is} goes the other way than the plan (${plan}): is it ${turned}?`;
    return [ask("sign", words, { pitch_pct: -entry.pitch_pct })];
  };

  /** What shows from the entry and the numbers of the rods alone. */
  const slips = (job, bore, others, entry, lastRod) => {
    if (entry.rod > MOST_RODS) return [ask("impossible", `rod ${entry.rod} is more than any bore has, the plan has ${bore.rods}`)];
    const asked = [], missing = range(entry.rod).filter((k) => k > lastRod);
    if (missing.length) asked.push(ask("missing", `rod${plural(missing)} ${spans(missing)} not read`));
    const sideways = (e) => isFigure(e.offset_m) || (isFigure(e.x) && isFigure(e.y));
    const known = Math.max(0, ...others.filter((e) => e.rod < entry.rod && sideways(e)).map((e) => e.rod));
    const fours = (rod) => Math.floor(Math.max(rod - known, 0) / BLIND_RODS);
    if (!sideways(entry) && fours(entry.rod) > fours(lastRod)) {
      const since = known ? `since rod ${known}` : "yet";
      asked.push(ask("offset", `left or right was not read ${since}: nobody will know where the bore lies sideways`));
    }
    const same = others.find((e) => e.rod === entry.rod);
    if (same) {
      const depth = isFigure(same.depth_m) ? length(same.depth_m, job.units, 2) : "no depth";
      const pitch = isFigure(same.pitch_pct) ? `${signed(same.pitch_pct, 1)} %` : "no pitch";
      asked.push(ask("again", `rod ${entry.rod} was read before: ${depth}, ${pitch}; the new reading counts`));
    }
    if (isFigure(entry.roll) && (entry.roll < 1 || entry.roll >= 13)) {
      asked.push(ask("roll", `roll ${short(entry.roll)} is no clock position from 1 to 12`));
    }
    return asked;
  };

  /** Pitch that the plan has at a rod's end, percent. */
  const pitchAtRod = (bore, rod) => interp(rod, bore.rod.map((row) => row.rod), bore.rod.map((row) => row.pitch_pct));

  /** A sign that flipped against both the plan and the last reading, or a change that the rods cannot make; null when neither. */
  const pitchAsked = (job, bore, past, entry, lastRod, before) => {
    const p = entry.pitch_pct;
    if (!isFigure(p)) return null;
    const planned = pitchAtRod(bore, entry.rod), set = past.start ? past.start.pitch_pct : null;
    const first = isFigure(set) ? set : pitchAtRod(bore, 0);
    const last = before ? before.pitch_used[lastRod] : first;
    const most = 1.2 * changePct(job) * (entry.rod - lastRod) + 1, turn = changePct(job) * (entry.rod - lastRod) + 2;
    const flipped = Math.abs(p) >= SLIP_PCT && p * planned < 0 && p * last < 0 && Math.abs(-p - last) <= turn
      && Math.abs(-p - planned) < Math.abs(p - planned) / 2;
    if (flipped) {
      const [is, plan, was, turned] = [p, planned, last, -p].map((v) => `${signed(v, 1)} %`);
      const words = `pitch ${is} goes the other way than the plan (${plan}) and the last rod (${was}): is it ${turned}?`;
      return ask("sign", words, { pitch_pct: -p });
    }
    if (Math.abs(p - last) <= most) return null;
    return ask("jump", `pitch goes from ${signed(last, 1)} % to ${signed(p, 1)} %, more than the rods bend`);
  };

  /** A depth that cannot follow from the rods before, with the slip between feet and metres that explains it; null when it fits. */
  const depthAsked = (job, bore, full, entry, lastRod, before) => {
    const d = entry.depth_m;
    if (!isFigure(d)) return null;
    const blind = track(job, bore, { ...full, rods: full.rods.map((e) => (e === entry ? { ...e, depth_m: null } : e)) });
    const k = entry.rod, run = (entry.rod - lastRod) * job.rod_m, due = Math.max(blind.ground[k] - blind.xyz[k][2], 0); // in the last rod the head comes out
    const most = (v) => Math.max(CLOSURE_M, SURE * Math.hypot(...locateError(v, blind.pitch_used[k]), blind.error[k][2]));
    if (!Number.isFinite(due) || Math.abs(d - due) <= most(d)) return null;
    const text = (v) => length(v, job.units, 2);
    for (const factor of [1 / FEET, FEET]) {
      const v = d * factor;
      if (due > CLOSURE_M && Math.abs(v - due) <= Math.max(most(v), 0.15 * due)) {
        const words = `depth ${text(d)} where about ${text(due)} is due: feet taken for metres, or the other way round? `
          + `Is it ${text(v)}?`;
        return ask("feet", words, { depth_m: Number(v.toFixed(6)) });
      }
    }
    const fall = Math.abs(blind.ground[k] - d - (before ? before.xyz[lastRod][2] : blind.xyz[0][2]));
    const far = fall > run + most(d) ? `, the head would have gone ${text(fall)} up or down in ${text(run)} of rod` : "";
    return ask("depth", `depth ${text(d)} where about ${text(due)} is due after the pitch and the rods before${far}`);
  };

  /** Closure, tube and drift, where they begin with this rod. */
  const courseAsked = (job, found, before) => {
    const asked = [], k = found.number.length - 1, last = before ? before.number.length - 1 : -1;
    if (isOut(found, k)) return [];
    const open = (t, n) => t.used[n] && Math.abs(t.gap[n]) > t.allowed[n] && !t.explained[n];
    const openBefore = before && before.number.some((n) => open(before, n));
    if (open(found, k) && !openBefore) {
      const [by, most] = [Math.abs(found.gap[k]), found.allowed[k]].map((v) => length(v, job.units, 2));
      const way = found.gap[k] < 0 ? "deeper" : "shallower";
      asked.push(ask("closure", `summed pitch and locator do not close: the locator says ${by} ${way}, allowed ${most}`));
    }
    const left = found.off[k] > found.tube[k], leftBefore = last >= 0 && before.off[last] > before.tube[last];
    const toldBefore = last >= 0 && (before.told[last] || leftBefore);
    const line = (what) => driftLine(job.units, what, found.away[k], found.tube[k]);
    if (left && !leftBefore) asked.push(ask("tube", line("has left its tube")));
    else if (!left && found.told[k] && !toldBefore) asked.push(ask("drift", line("drifts")));
    return asked;
  };

  return Object.freeze({
    sha256, canonical, entryHash, append, verify, standing, legs, current, logText, csvText, reach, canMake, exitAt, track, head,
    state, ahead, steer, checks, length, pct, fixed, spans, clean, toLocal, toFile, fromLonLat, counts, clock,
  });
})();
