/* The chart library reads its letters back from a canvas: told so beforehand, a browser does that fast and without a word. */
{
  const own = HTMLCanvasElement.prototype.getContext;
  HTMLCanvasElement.prototype.getContext = function readable(kind, given) {
    return own.call(this, kind, kind === "2d" ? { willReadFrequently: true, ...given } : given);
  };
}
