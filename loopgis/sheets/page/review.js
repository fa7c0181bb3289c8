/* The page: which layout is chosen, and everything that follows from it. */
const Review = (() => {
  "use strict";
  const { el, put } = Dom;
  const root = document.documentElement;
  const data = Dom.unpacked(JSON.parse(document.getElementById("data").textContent));
  const find = what => document.querySelector(what);
  const all = what => [...document.querySelectorAll(what)];
  const state = { chosen: 0, pairs: data.chart.first.map(p => [...p]), stretch: 2, ground: "clear", closed: false, below: false, others: false };
  const NEAR = 200, PAUSE_MS = 30;
  let scene = false, order = 0, printing = false;

  const missing = list => (list.length ? `Without such a figure: ${list.map(n => data.layouts[n].id).join(", ")}.` : "");
  const drawTradeOff = n => Charts.tradeOff(find(`#trade-${n}`), data, state.pairs[n], state.chosen).then(left => {
    find(`#trade-${n}-left`).textContent = missing(left);
  });

  const noScene = why => {
    scene = false;
    root.classList.add("flat");
    find("#no-scene").textContent = `${why} The plan below shows the same site and bores.`;
    find("#no-scene").hidden = false;
    for (const node of all(".of-scene")) node.hidden = true;
  };
  const drawScene = async () => {
    if (!scene || printing) return;
    const place = find("#scene");
    try {
      await Scene.draw(place, data, state.chosen, state);
    } catch {
      noScene("This browser could not draw the site in three dimensions.");
      return;
    }
    find("#stretch-said").textContent = state.stretch === 1
      ? "Heights as large as lengths." : `Heights drawn ${state.stretch} times as large as lengths.`;
  };

  const drawWater = () => {
    const heat = data.layouts[state.chosen].heat, place = find("#water");
    if (!place) return null;
    place.hidden = !heat;
    find("#no-water").hidden = Boolean(heat);
    return heat ? Charts.water(place, data, heat) : null;
  };

  /* What is drawn by the chart library waits until it comes near the window, or until there is nothing else to do. */
  const parts = [
    { place: "#trade-0", draw: () => drawTradeOff(0) }, { place: "#trade-1", draw: () => drawTradeOff(1) },
    { place: "#water", draw: drawWater }, { place: "#scene-box", draw: drawScene, screen: true },
  ].filter(part => find(part.place));
  const near = part => {
    const box = find(part.place).getBoundingClientRect();
    return box.bottom > -NEAR && box.top < window.innerHeight + NEAR;
  };
  const drawPart = part => {
    part.stale = false;
    return part.draw();
  };
  const rest = async mine => {
    for (const part of parts) {
      await new Promise(done => { setTimeout(done, PAUSE_MS); });
      if (mine !== order) return;
      if (part.stale) await drawPart(part);
    }
    if (mine === order) root.dataset.settled = String(state.chosen);
  };

  /* Shows a layout everywhere; resolves when all that can be seen is drawn, the rest follows. */
  const choose = async n => {
    const mine = (order += 1);
    delete root.dataset.drawn;
    delete root.dataset.settled;
    state.chosen = n;
    const y = data.layouts[n];
    for (const block of all("[data-of]")) block.hidden = Number(block.dataset.of) !== n;
    for (const row of all("[data-row]")) row.classList.toggle("shown", Number(row.dataset.row) === n);
    for (const button of all("[data-pick]")) button.setAttribute("aria-pressed", String(Number(button.dataset.pick) === n));
    find("#profiles-said").textContent = Profiles.drawProfiles(find("#profiles-drawn"), y, data);
    find("#pressures-said").textContent = Profiles.drawPressures(find("#pressures-drawn"), y, data);
    for (const part of parts) part.stale = true;
    await Promise.all(parts.filter(near).map(drawPart));
    if (mine !== order) return;
    root.dataset.drawn = String(n);
    rest(mine);
  };

  const press = (group, value) => all(`[data-${group}]`).forEach(b => b.setAttribute("aria-pressed", String(b.dataset[group] === value)));
  const wire = () => {
    for (const button of all("[data-pick]")) {
      if (button.tagName === "BUTTON") button.addEventListener("click", () => choose(Number(button.dataset.pick)));
    }
    [0, 1].forEach(n => {
      put(find(`#trade-${n}-axes`), ...["up", "across"].map((name, k) => Charts.choice(name, data, state.pairs[n][1 - k], key => {
        state.pairs[n][1 - k] = key;
        drawTradeOff(n);
      })));
      find(`#trade-${n}`).addEventListener("picked", event => choose(event.detail));
    });
    for (const b of all("[data-stretch]")) {
      b.addEventListener("click", () => { state.stretch = Number(b.dataset.stretch); press("stretch", b.dataset.stretch); drawScene(); });
    }
    for (const b of all("[data-ground]")) {
      b.addEventListener("click", () => { state.ground = b.dataset.ground; press("ground", b.dataset.ground); drawScene(); });
    }
    for (const b of all("[data-look]")) {
      b.addEventListener("click", () => { if (scene) Scene.look(find("#scene"), b.dataset.look); });
    }
    for (const b of all("[data-zoom]")) b.addEventListener("click", () => { if (scene) Scene.zoom(find("#scene"), Number(b.dataset.zoom)); });
    for (const b of all("[data-show]")) {
      b.addEventListener("click", () => {
        state[b.dataset.show] = !state[b.dataset.show];
        b.setAttribute("aria-pressed", String(state[b.dataset.show]));
        drawScene();
      });
    }
    const paper = on => {
      printing = on;
      Charts.toPaper(on);
      parts.filter(part => !part.screen).forEach(drawPart);
    };
    window.addEventListener("beforeprint", () => paper(true));
    window.addEventListener("afterprint", () => paper(false));
    const watch = new IntersectionObserver(seen => seen.filter(s => s.isIntersecting).forEach(s => {
      const part = parts.find(p => find(p.place) === s.target);
      if (part.stale) drawPart(part);
    }), { rootMargin: `${NEAR}px` });
    parts.forEach(part => watch.observe(find(part.place)));
  };

  const start = async () => {
    root.classList.add("live");
    for (const card of all("[data-stamp]")) put(card, Profiles.stamp(data.layouts[Number(card.dataset.stamp)], data));
    scene = Scene.able();
    if (!scene) noScene("This browser has no WebGL, so the site is not shown in three dimensions.");
    wire();
    await choose(0);
    find("#scene").addEventListener("webglcontextlost", () => noScene("The browser gave up drawing in three dimensions."), true);
    root.dataset.ready = "yes";
  };
  start();
  return { state };
})();
