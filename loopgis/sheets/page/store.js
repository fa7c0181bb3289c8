/* Keeps the entries: one key an entry in localStorage, nothing ever written over, and a second copy on disk in IndexedDB.

What cannot be written stays in memory as pending, is told, and is written as soon as there is room. Two pages open on one tablet
chain to each other's last entry: before each write the storage is read again, and an entry whose number another page took at
the same moment is put in once more behind it. */
const Store = (() => {
  "use strict";
  const SHARED = "loopgis-tablet-name";
  const TEXTS = ["entry_id", "tablet", "layout_id", "bore_id", "event", "read_at", "remark", "of", "before", "hash"];
  const FIGURES = ["depth_m", "pitch_pct", "roll", "offset_m", "x", "y", "accuracy_m"];
  const EVENTS = ["rod", "start", "exit", "abandon", "pull", "test", "purge", "note", "undo"];
  const isWhole = v => Number.isSafeInteger(v) && v >= 0;
  const isFigure = v => typeof v === "number" && Number.isFinite(v);

  /* True for an object with the fields of an entry, of the kinds they must have. */
  const fits = e => e !== null && typeof e === "object" && !Array.isArray(e)
    && TEXTS.every(k => typeof e[k] === "string" && e[k].length <= 20000) && EVENTS.includes(e.event)
    && FIGURES.every(k => e[k] === null || isFigure(e[k])) && isWhole(e.number) && isWhole(e.rod)
    && e.values !== null && typeof e.values === "object" && !Array.isArray(e.values) && Object.values(e.values).every(isFigure);

  const randomName = () => {
    const letters = "ABCDEFGHJKLMNPRSTUVWXYZ";
    const drawn = crypto.getRandomValues(new Uint8Array(2));
    return [...drawn].map(n => letters[n % letters.length]).join("");
  };

  const open = (job, changed) => {
    const prefix = `loopgis:${job.key}:`;
    const savedKey = `loopgis-saved:${job.key}`;
    const entries = new Map();      // key -> entry, stored or pending
    const pending = new Map();      // key -> entry that localStorage does not hold
    const mine = new Set();         // keys that this page wrote
    const damaged = new Set();
    let disk = null;                // the second copy
    let blocked = "";
    let tablet = "";
    let notes = [];

    const savedHashes = text => { try { return new Set(JSON.parse(text) || []); } catch { return new Set(); } };
    const viewKey = name => `loopgis-view:${job.key}:${name}`;
    let saved = new Set();

    const bin = () => window.localStorage;
    const look = k => { try { return bin().getItem(k); } catch { return null; } };
    const keep = (k, text) => { try { bin().setItem(k, text); return bin().getItem(k) === text; } catch { return false; } };
    const keyOf = e => `${prefix}${e.tablet}:${e.number}`;
    const all = () => [...entries.values()].sort((a, b) => (a.tablet < b.tablet ? -1 : a.tablet > b.tablet ? 1 : a.number - b.number));
    const sameEntry = (a, b) => a.entry_id === b.entry_id && a.hash === b.hash;

    const write = (k, entry) => {
      const text = JSON.stringify(entry);
      const there = look(k);
      if (there === text) { pending.delete(k); return true; }
      if (there === null && keep(k, text)) { pending.delete(k); blocked = ""; return true; }
      if (there === null) {
        pending.set(k, entry);
        try { bin().getItem(k); blocked = "full"; } catch { blocked = "blocked"; }
      }
      return false;
    };

    /* Puts an entry of this page in again behind those that took its number; undos that meant it follow. */
    const again = lost => {
      const renamed = new Map();
      for (const e of lost) {
        const { entry_id, tablet: name, number, before, hash, ...what } = e;
        const made = append({ ...what, of: renamed.get(e.of) || e.of }, true);
        renamed.set(entry_id, made.entry_id);
      }
    };

    /* Reads what localStorage holds; gives entries of this page that another page's have taken the place of. */
    const reread = () => {
      const lost = [];
      let names = [];
      try { names = Object.keys(bin()).filter(k => k.startsWith(prefix)); } catch { blocked = "blocked"; }
      for (const k of names) {
        let entry = null;
        try { entry = JSON.parse(look(k)); } catch { entry = null; }
        if (!fits(entry)) { damaged.add(k); continue; }
        const known = entries.get(k);
        if (known && !sameEntry(known, entry) && (mine.has(k) || pending.has(k))) lost.push(known);
        if (known && !sameEntry(known, entry)) { mine.delete(k); pending.delete(k); }
        entries.set(k, entry);
      }
      return lost;
    };
    const refresh = () => { const lost = reread(); if (lost.length) again(lost.sort((a, b) => a.number - b.number)); };

    const append = (what, inner = false) => {
      if (!inner) refresh();
      for (let n = 0; n < 50; n += 1) {
        const entry = Core.append(all().filter(e => e.tablet === tablet), tablet, what);
        const k = keyOf(entry);
        if (entries.has(k) || look(k) !== null) { reread(); if (damaged.has(k)) break; continue; }
        entries.set(k, entry);
        mine.add(k);
        write(k, entry);
        second(k, entry);
        return entry;
      }
      throw new Error("no free number");
    };

    /* The second copy: an own database whose writes are on the disk when they are told as done. */
    const waits = new Map();
    const second = (k, entry) => {
      if (!disk) return;
      waits.set(k, new Promise(done => {
        try {
          const act = disk.transaction("entries", "readwrite", { durability: "strict" });
          act.objectStore("entries").put(entry, k + ":" + entry.hash.slice(0, 8));
          act.oncomplete = () => done(true);
          act.onabort = act.onerror = event => { event.preventDefault(); done(false); };
        } catch { done(false); }
      }));
    };
    /* Small things beside the entries (name, bore, units), on the disk too: a power cut may take what localStorage wrote last. */
    const aside = (k, text) => {
      const isKept = keep(k, text);
      if (disk) try { disk.transaction("entries", "readwrite", { durability: "strict" }).objectStore("entries").put(text, "own:" + k); } catch { /* the first copy holds it */ }
      return isKept;
    };
    const readAside = k => new Promise(done => {
      try {
        const asked = disk.transaction("entries").objectStore("entries").get("own:" + k);
        asked.onsuccess = () => done(typeof asked.result === "string" ? asked.result : null);
        asked.onerror = event => { event.preventDefault(); done(null); };
      } catch { done(null); }
    });
    const openDisk = () => new Promise(done => {
      let asked = null;
      try { asked = indexedDB.open("loopgis", 1); } catch { done(null); return; }
      asked.onupgradeneeded = () => asked.result.createObjectStore("entries");
      asked.onsuccess = () => done(asked.result);
      asked.onerror = event => { event.preventDefault(); done(null); };
      asked.onblocked = () => done(null);
    });
    const readDisk = () => new Promise(done => {
      const found = [];
      try {
        const walk = disk.transaction("entries").objectStore("entries").openCursor(IDBKeyRange.bound(prefix, prefix + "\uffff"));
        walk.onsuccess = () => {
          if (!walk.result) { done(found); return; }
          if (fits(walk.result.value)) found.push(walk.result.value);
          walk.result.continue();
        };
        walk.onerror = event => { event.preventDefault(); done(found); };
      } catch { done(found); }
    });

    /* Entries from elsewhere (a saved file, the second copy): each once; a second one of a number is kept beside the first. */
    const takeIn = list => {
      refresh();
      let added = 0;
      const known = new Set(all().map(e => e.entry_id + " " + e.hash));
      for (const e of [...list].sort((a, b) => a.number - b.number)) {
        if (known.has(e.entry_id + " " + e.hash)) continue;
        known.add(e.entry_id + " " + e.hash);
        let k = keyOf(e);
        if (entries.has(k) || look(k) !== null) k += ":" + (e.hash.slice(0, 8) || String(known.size));
        entries.set(k, e);
        write(k, e);
        second(k, e);
        added += 1;
      }
      return added;
    };

    const flush = () => {
      if (!pending.size) return;
      refresh();
      const waiting = [...pending].sort((a, b) => a[1].number - b[1].number);
      for (const [k, e] of waiting) if (!write(k, e)) break;
      changed();
    };

    const verify = () => { notes = Core.verify(all()); };

    window.addEventListener("storage", event => {
      if (event.key === null || (event.key.startsWith(prefix) && event.newValue === null)) {
        for (const [k, e] of entries) if (look(k) === null) pending.set(k, e);  // somebody emptied it: put everything back
        flush();
      } else if (event.key.startsWith(prefix)) {
        refresh();
        changed();
      }
    });
    setInterval(flush, 3000);
    window.addEventListener("beforeunload", event => { if (pending.size) event.preventDefault(); });

    tablet = look(SHARED) || "";
    const isName = text => /^[A-Za-z0-9]{1,2}$/.test(text);
    let isNew = !isName(tablet);
    if (isNew) tablet = randomName();
    saved = savedHashes(look(savedKey));
    reread();
    verify();

    const soonest = ms => new Promise(done => setTimeout(done, ms));
    const opened = openDisk().then(async made => {
      disk = made;
      if (!disk) return;
      for (const k of [SHARED, savedKey, ...["bore", "units"].map(viewKey)]) {
        const text = look(k) === null ? await readAside(k) : null;
        if (text === null) continue;
        keep(k, text);
        if (k === SHARED && isName(text) && isNew) { tablet = text; isNew = false; }
        if (k === savedKey) saved = savedHashes(text);
      }
      const there = await readDisk();
      const held = new Set(there.map(e => e.entry_id + " " + e.hash));
      if (takeIn(there)) { verify(); changed(); }
      for (const [k, e] of entries) if (!held.has(e.entry_id + " " + e.hash)) second(k, e);
    });


    const ready = Promise.race([opened, soonest(3000)]);   // a browser whose database never answers must not hold up the crew

    return {
      ready,
      get isNew() { return isNew; },
      get tablet() { return tablet; },
      rename: name => { tablet = name; isNew = false; aside(SHARED, name); },
      all,
      append: what => { const entry = append(what); changed(); return entry; },
      /* Settles when the second copy of all that was recorded is on the disk, or there is no second copy. */
      settled: async () => {
        await ready;
        const asked = [...waits];
        const done = await Promise.race([Promise.all(asked.map(([, p]) => p)), soonest(5000).then(() => [false])]);
        for (const [k, p] of asked) if (waits.get(k) === p) waits.delete(k);
        return done.every(Boolean);
      },
      pending: () => pending.size,
      isPending: entry => pending.has(keyOf(entry)),
      why: () => blocked,
      flush,
      takeIn: list => { const n = takeIn(list); verify(); changed(); return n; },
      problems: () => [...notes, ...[...damaged].map(k => `an entry in this tablet cannot be read (${k.slice(prefix.length, prefix.length + 30)})`)],
      unsaved: () => all().filter(e => !saved.has(e.hash.slice(0, 12))).length,
      markSaved: () => { saved = new Set(all().map(e => e.hash.slice(0, 12))); aside(savedKey, JSON.stringify([...saved])); changed(); },
      remember: (name, value) => aside(viewKey(name), JSON.stringify(value)),
      recall: name => { try { return JSON.parse(look(viewKey(name))); } catch { return null; } },
      fits,
    };
  };
  return { open };
})();
