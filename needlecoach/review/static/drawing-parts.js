// What strip and plan are drawn with: SVG, steps of axes, stretches of frames, and what a frame tells.
// These files are also inlined into summary.html, one below the other without their imports, so a name may stand
// in one of them only. `data` is page data (reporting/pagedata.py); arrays start with frame `data.first`, 0 if absent.

const NS = "http://www.w3.org/2000/svg";
const PAUSE_S = 0.25;
export const DOT_GAP_PX = 13;

export function add(parent, tag, attributes = {}, text = "") {
  const node = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== "") node.textContent = text;
  parent.append(node);
  return node;
}

export function html(parent, tag, className = "", text = "") {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text) node.textContent = text;
  parent.append(node);
  return node;
}

// A text or line with its dark rim below it, so that it stands out from any grey.
export function rimmed(parent, tag, attributes, className) {
  add(parent, tag, { ...attributes, class: `${className} rim` });
  return add(parent, tag, { ...attributes, class: className });
}

export function niceStep(span, most) {
  const rough = span / Math.max(most, 1), power = 10 ** Math.floor(Math.log10(rough));
  return power * ([1, 2, 5, 10].find((one) => one * power >= rough * 0.999) ?? 10);
}

export function ticks(from, to, step) {
  const found = [];
  for (let k = Math.ceil(from / step - 1e-6); k * step <= to + step * 1e-6; k++) found.push(Number((k * step).toFixed(6)));
  return found;
}

export function path(points) {
  let text = "", last = null;
  for (const [x, y] of points) {
    if (last && Math.abs(x - last[0]) < 0.3 && Math.abs(y - last[1]) < 0.3) continue;
    text += `${last ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`;
    last = [x, y];
  }
  return text;
}

// Stretches [first, last] of frames for which `is` holds; `parts` ends one before a frame.
export function runs(from, to, is, parts = () => false) {
  const found = [];
  for (let n = from; n <= to; n++) {
    if (!is(n)) continue;
    const open = found.at(-1);
    if (open && open[1] === n - 1 && !parts(n)) open[1] = n;
    else found.push([n, n]);
  }
  return found;
}

// Everything that both drawings ask of the data, by the clip's own frame numbers.
export class Reading {
  constructor(data) {
    this.data = data;
    this.first = data.first ?? 0;
    this.times = data.frames.time_s;
    this.last = this.first + this.times.length - 1;
    const steps = this.times.slice(1).map((t, i) => t - this.times[i]).sort((a, b) => a - b);
    this.usual_s = steps.length ? steps[Math.floor(steps.length / 2)] : 0.04;
    this.pause_s = Math.max(PAUSE_S, 3 * this.usual_s);
  }
  at(name, n) { return this.data.frames[name]?.[n - this.first] ?? null; }
  time(n) { return this.times[n - this.first]; }
  end(n) { return n < this.last ? Math.min(this.time(n + 1), this.time(n) + this.pause_s) : this.time(n) + this.usual_s; }
  paused(n) { return n > this.first && this.time(n) - this.time(n - 1) > this.pause_s; }
  seen(n) { return Boolean(this.at("visible", n)); }
  state(n) {
    if (this.seen(n)) return "seen";
    return this.at("present", n) && this.at("along_mm", n) !== null ? "inferred" : "none";
  }
  nearest(time_s) {
    let low = 0, high = this.times.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (this.times[middle] <= time_s) low = middle; else high = middle;
    }
    return this.first + (Math.abs(this.times[high] - time_s) < Math.abs(this.times[low] - time_s) ? high : low);
  }
  words(n) {
    const along = this.at("along_mm", n);
    const tip = { seen: "tip seen", inferred: "tip inferred", none: this.at("present", n) ? "tip lost" : "no needle" }[this.state(n)];
    const where = along === null ? "" : `, ${along.toFixed(1)} mm along the shaft`;
    return `${this.time(n).toFixed(2)} s, frame ${n}: ${tip}${where}`;
  }
}

export function diamond(parent, cx, cy, size = 6.5) {
  add(parent, "path", { d: `M${cx} ${cy - size}l${size} ${size}l${-size} ${size}l${-size} ${-size}Z`, class: "closest" });
}
