// The plan: the tip's path in mm around the target.

import { DOT_GAP_PX, Reading, add, diamond, html, niceStep, path, runs, ticks } from "./drawing-parts.js";

let plans = 0;

// The tip's path of one attempt in mm around the target, x right, y down. Returns {setFrame}.
export function plan(host, data, attempt) {
  const reading = new Reading(data), size = 420, left = 46, low = 40, side = size - left - 8, id = `plan${++plans}`;
  const outline = data.target?.outline_mm ?? null, rows = Array.from({ length: attempt.last - attempt.first + 1 }, (_, i) => attempt.first + i);
  const known = rows.filter((n) => reading.at("tip_mm", n) !== null), tip = (n) => reading.at("tip_mm", n);
  host.replaceChildren();
  if (!known.length) return { setFrame() {} };
  const around = outline ? "around the target’s outline" : "from where it came in";
  const label = `Attempt ${attempt.number}: path of the tip in millimetres ${around}${attempt.closest === null ? "" : ", closest approach marked"}.`;
  const sheet = add(host, "svg", { viewBox: `0 0 ${size} ${size - left + low}`, class: "plan-sheet", role: "img", "aria-label": label });
  const core = attempt.core ?? null, cored = core ? [...core.boxes.flatMap((one) => one.ends_mm), ...core.spots.map((one) => one.at_mm)] : [];
  const { half, middle } = extent(known.map(tip), outline, cored), zoom = side / (2 * half);
  const x = (mm) => left + (mm - middle[0] + half) * zoom, y = (mm) => 8 + (mm - middle[1] + half) * zoom, spot = (n) => [x(tip(n)[0]), y(tip(n)[1])];
  add(add(add(sheet, "defs"), "clipPath", { id }), "rect", { x: left, y: 8, width: side, height: side });
  const step = niceStep(2 * half, 7), start = outline ? "the target’s centre" : "where the tip came in";
  for (const mm of ticks(middle[0] - half, middle[0] + half, step)) {
    add(sheet, "path", { d: `M${x(mm)} 8v${side}`, class: "grid" });
    add(sheet, "text", { x: x(mm), y: 8 + side + 16, class: "axis-name", "text-anchor": "middle" }, `${mm}`.replace("-", "−"));
  }
  for (const mm of ticks(middle[1] - half, middle[1] + half, step)) {
    add(sheet, "path", { d: `M${left} ${y(mm)}h${side}`, class: "grid" });
    add(sheet, "text", { x: left - 6, y: y(mm) + 4, class: "axis-name", "text-anchor": "end" }, `${mm}`.replace("-", "−"));
  }
  add(sheet, "text", { x: left + side / 2, y: 8 + side + 32, class: "axis-name", "text-anchor": "middle" }, `mm to the right of ${start}`);
  add(sheet, "text", { x: 12, y: 8 + side / 2, class: "axis-name", "text-anchor": "middle", transform: `rotate(-90 12 ${8 + side / 2})` }, `mm below ${start}`);
  const plot = add(sheet, "g", { "clip-path": `url(#${id})` });
  if (outline) {
    add(plot, "path", { d: `${path(outline.map(([a, b]) => [x(a), y(b)]))}Z`, class: "plan-target" });
    add(plot, "path", { d: `M${x(0) - 6} ${y(0)}h12M${x(0)} ${y(0) - 6}v12`, class: "plan-centre" });
  }
  for (const [a, b] of runs(attempt.first, attempt.last, (n) => tip(n) !== null)) add(plot, "path", { d: path(rows.slice(a - attempt.first, b - attempt.first + 1).map(spot)), class: "plan-inferred" });
  for (const [a, b] of runs(attempt.first, attempt.last, (n) => tip(n) !== null && reading.seen(n))) add(plot, "path", { d: path(rows.slice(a - attempt.first, b - attempt.first + 1).map(spot)), class: "plan-seen" });
  let former = null;
  for (const n of known.filter((one) => !reading.seen(one))) {
    const [cx, cy] = spot(n);
    if (former && Math.hypot(cx - former[0], cy - former[1]) < DOT_GAP_PX) continue;
    add(plot, "circle", { cx, cy, r: 3, class: "plan-dot" });
    former = [cx, cy];
  }
  attempt.passes.forEach((one, i) => {
    if (attempt.passes.length < 2 || tip(one.deepest) === null) return;
    const [px, py] = spot(one.deepest);
    add(plot, "text", { x: px + 8, y: py + 16, class: "plan-number" }, `${i + 1}`);
  });
  const n = attempt.closest, sd = n === null ? null : reading.at("sd_mm", n);
  if (n !== null && tip(n) !== null) {
    if (sd !== null) add(plot, "circle", { cx: spot(n)[0], cy: spot(n)[1], r: sd * zoom, class: "plan-error" });
    diamond(plot, ...spot(n), 6);
  }
  if (core) drawCore(plot, core, x, y);
  if (core) coreLegend(host, core);
  add(sheet, "rect", { x: left, y: 8, width: side, height: side, class: "frame" });
  const here = add(plot, "circle", { r: 9, class: "plan-here", visibility: "hidden" });
  return {
    setFrame(frame) {
      const place = frame >= attempt.first && frame <= attempt.last ? tip(frame) : null;
      here.setAttribute("visibility", place ? "visible" : "hidden");
      if (place) { here.setAttribute("cx", x(place[0])); here.setAttribute("cy", y(place[1])); }
    },
  };
}

const BESIDE_PX = 7, THICK_PX = 8;

// The notch as boxes beside the shaft, on its upper side, filled where it took the sample; the point after firing as
// a bar across the shaft, the best place to fire from as an arrowhead from its lower side.
function drawCore(plot, core, x, y) {
  const place = ([a, b]) => [x(a), y(b)], ends = core.boxes[0]?.ends_mm.map(place);
  if (!ends) return;
  const length = Math.hypot(ends[0][0] - ends[1][0], ends[0][1] - ends[1][1]) || 1;
  const along = [(ends[0][0] - ends[1][0]) / length, (ends[0][1] - ends[1][1]) / length];
  const up = along[0] >= 0 ? [along[1], -along[0]] : [-along[1], along[0]];
  const off = ([a, b], far, on = 0) => [a + up[0] * far + along[0] * on, b + up[1] * far + along[1] * on];
  for (const box of core.boxes) {
    const [near, far] = box.ends_mm.map(place), high = BESIDE_PX + THICK_PX;
    add(plot, "path", { d: `${path([off(near, BESIDE_PX), off(near, high), off(far, high), off(far, BESIDE_PX)])}Z`, class: `notch ${box.form}` });
  }
  for (const spot of core.spots) {
    const at = place(spot.at_mm);
    const d = spot.form === "best" ? `${path([off(at, -5), off(at, -16, -5), off(at, -16, 5)])}Z` : path([off(at, -8), off(at, 8)]);
    add(plot, "path", { d, class: `spot ${spot.form}` });
  }
}

// What those signs mean, below the plan.
function coreLegend(host, core) {
  const list = html(host, "ul", "strip-legend plan-legend");
  const box = "M3 4H25V12H3Z", bar = "M14 1V15", head = "M14 2l6 12h-12Z";
  for (const [kind, d, one] of [...core.boxes.map((each) => ["notch", box, each]), ...core.spots.map((each) => ["spot", each.form === "best" ? head : bar, each])]) {
    const item = html(list, "li");
    add(add(item, "svg", { viewBox: "0 0 28 16", width: 28, height: 16, "aria-hidden": "true", class: "plan-sign" }), "path", { d, class: `${kind} ${one.form}` });
    html(item, "span", "", one.words);
  }
}

// Equal axes around the target; a path that comes from far away may leave the picture.
function extent(points, outline, cored = []) {
  const far = (list) => list.reduce((most, [a, b]) => Math.max(most, Math.abs(a), Math.abs(b)), 0);
  if (outline) {
    const radius = far(outline);
    return { middle: [0, 0], half: Math.max(Math.min(Math.max(far(points) * 1.08, radius * 1.3), radius * 2 + 8), far(cored) * 1.1) };
  }
  const all = [...points, ...cored];
  const range = (axis) => [Math.min(...all.map((one) => one[axis])), Math.max(...all.map((one) => one[axis]))];
  const [[x0, x1], [y0, y1]] = [range(0), range(1)];
  return { middle: [(x0 + x1) / 2, (y0 + y1) / 2], half: Math.max(x1 - x0, y1 - y0, 10 / 3) * 0.6 };
}
