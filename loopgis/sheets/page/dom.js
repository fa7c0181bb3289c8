/* Small makers of elements, and how figures are said. Every text goes in as text, never as markup. */
const Dom = (() => {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";
  const FT = 0.3048;

  /* Tables of like objects, as tablet_page.packed writes them, as lists of objects again. */
  const unpacked = value => {
    if (Array.isArray(value)) return value.map(unpacked);
    if (value === null || typeof value !== "object") return value;
    if (Array.isArray(value.$keys) && Array.isArray(value.$rows)) {
      return value.$rows.map(row => Object.fromEntries(value.$keys.map((key, n) => [key, unpacked(row[n])])));
    }
    return Object.fromEntries(Object.entries(value).map(([key, inner]) => [key, unpacked(inner)]));
  };

  const fill = (node, given, children) => {
    for (const [key, value] of Object.entries(given || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (key === "tap") node.addEventListener("click", value);
      else node.setAttribute(key, value === true ? "" : String(value));
    }
    for (const child of children.flat()) {
      if (child === null || child === undefined || child === false) continue;
      node.append(child instanceof Node ? child : document.createTextNode(String(child)));
    }
    return node;
  };
  const el = (tag, given, ...children) => fill(document.createElement(tag), given, children);
  const svg = (tag, given, ...children) => fill(document.createElementNS(SVG, tag), given, children);
  const put = (node, ...children) => { node.replaceChildren(...children.flat().filter(c => c)); return node; };

  /* Somebody's text: on its own for the reading direction, without marks that turn it, and no longer than its place holds. */
  const said = (text, most = 300) => {
    const plain = String(text ?? "").replace(/[\p{Cc}\p{Cs}\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069]/gu, " ").trim();
    const letters = [...plain];
    return letters.length > most ? letters.slice(0, most - 1).join("") + "\u2026" : plain;
  };
  const bdi = (text, most) => el("bdi", {}, said(text, most));
  const colour = (given, instead) => (/^#[0-9a-f]{3,8}$/i.test(String(given)) ? String(given) : instead);

  const minus = text => text.replace(/^-/, "\u2212");
  const signed = (value, digits) => (Number(value.toFixed(digits)) > 0 ? "+" : "") + minus(value.toFixed(digits));
  const isFigure = v => typeof v === "number" && Number.isFinite(v);

  /* Units by dimension: factor and shift from what is stored, word, decimals. */
  const UNITS = {
    us: {
      length: [1 / FT, 0, "ft", 1], force: [1000 / 4.4482216152605, 0, "lbf", 0], pressure: [1 / 6.894757293, 0, "psi", 0],
      flow: [60 / 3.785411784, 0, "gpm", 1], temperature: [1.8, 32, "\u00b0F", 0],
    },
    metric: {
      length: [1, 0, "m", 2], force: [1, 0, "kN", 1], pressure: [1, 0, "kPa", 0], flow: [1, 0, "L/s", 2],
      temperature: [1, 0, "\u00b0C", 0],
    },
  };
  const PLAIN = { pitch: [1, 0, "%", 1], minutes: [1, 0, "min", 0], hours: [1, 0, "h", 1], rod: [1, 0, "", 0], place: [1, 0, "", 2] };
  const unit = (what, units) => (UNITS[units] || UNITS.metric)[what] || PLAIN[what];
  const shown = (value, what, units) => {
    const [factor, shift, , digits] = unit(what, units);
    return (value * factor + shift).toFixed(digits);
  };
  const kept = (typed, what, units) => {
    const [factor, shift] = unit(what, units);
    return Number(((typed - shift) / factor).toFixed(9));
  };
  const told = (value, what, units) => minus(shown(value, what, units)) + (unit(what, units)[2] ? "\u00a0" + unit(what, units)[2] : "");

  /* A button as large as a glove needs it. */
  const key = (text, tap, given) => el("button", { type: "button", tap, ...given }, text);

  return { unpacked, el, svg, put, said, bdi, colour, minus, signed, isFigure, unit, shown, kept, told, key };
})();
