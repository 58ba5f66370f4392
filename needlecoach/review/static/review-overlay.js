// What the review page draws on the picture: target, shaft, tip, scale bar, each of which can be hidden.

import { INK } from "./stage.js";

const BAR_MM = [1, 2, 5, 10, 20, 50];
const TIP_PX = 9, NOTCH_PX = 14, ARM_PX = 6;

/** A layer for the stage. `of()` returns {data, shown, placed}: page data, what is shown, and {at, seen} of a tip put in place by hand. */
export function overlay(of) {
  return (pen) => {
    const { data, shown, placed } = of();
    if (!data || !data.frames.time_s.length) return;
    if (shown.target) drawTarget(pen, data);
    drawNeedle(pen, data, shown, placed);
    if (shown.scale) drawBar(pen, data);
  };
}

function drawTarget(pen, data) {
  const centre = data.frames.target_px[pen.frame];
  if (!data.target || !centre) return;
  const [dx, dy] = [centre[0] - data.target.centre_px[0], centre[1] - data.target.centre_px[1]];
  const held = !data.frames.target_found[pen.frame];
  pen.line(data.target.outline_px.map(([x, y]) => [x + dx, y + dy]), { colour: INK.target, closed: true, dash: held ? [7, 5] : [] });
}

function drawNeedle(pen, data, shown, placed) {
  const { present, visible, tip_px: tips, entry_px: entries } = data.frames;
  const tip = placed?.at ?? tips[pen.frame], entry = entries[pen.frame];
  const seen = placed ? placed.seen : Boolean(visible[pen.frame]);
  const colour = seen ? INK.seen : INK.inferred, radius = TIP_PX / pen.scale;
  if (shown.shaft && tip && entry) {
    const length = Math.hypot(tip[0] - entry[0], tip[1] - entry[1]);
    const short = Math.max(length - radius, 0) / Math.max(length, 1e-6);
    const end = [entry[0] + (tip[0] - entry[0]) * short, entry[1] + (tip[1] - entry[1]) * short];
    pen.line([entry, end], { colour, width: 1.2, dash: seen ? [] : [7, 5] });
  }
  if (shown.shaft && tip && entry && data.core) drawNotch(pen, data, tip, entry, placed);
  if (!shown.tip) return;
  if (tip) {
    const ring = Array.from({ length: 33 }, (_, i) => [tip[0] + radius * Math.cos((i * Math.PI) / 16), tip[1] + radius * Math.sin((i * Math.PI) / 16)]);
    pen.line(ring, { colour, dash: seen ? [] : [4, 4] });
    if (seen) pen.dot(tip, { colour, radius: 2.5 });
  }
  const [x, y] = data.outline_px.reduce(([a, b], [c, d]) => [Math.min(a, c), Math.min(b, d)], [Infinity, Infinity]);
  const words = !present[pen.frame] && !placed ? "no needle" : !tip ? "tip lost" : seen ? "tip seen" : "tip inferred";
  pen.label(words, [x, y], { dx: 8, dy: 18 });
}

// A bracket beside the shaft, on its upper side. The notch goes with a tip that was put in place by hand.
function drawNotch(pen, data, tip, entry, placed) {
  let [near, far] = [data.frames.notch_near_px[pen.frame], data.frames.notch_far_px[pen.frame]];
  if (!near || !far) return;
  const former = data.frames.tip_px[pen.frame];
  if (placed && former) [near, far] = [near, far].map(([x, y]) => [x + tip[0] - former[0], y + tip[1] - former[1]]);
  const length = Math.hypot(tip[0] - entry[0], tip[1] - entry[1]) || 1, side = tip[0] >= entry[0] ? 1 : -1;
  const up = [((tip[1] - entry[1]) / length) * side, (-(tip[0] - entry[0]) / length) * side];
  const beside = ([x, y], px) => [x + (up[0] * px) / pen.scale, y + (up[1] * px) / pen.scale];
  pen.line([beside(near, NOTCH_PX - ARM_PX), beside(near, NOTCH_PX), beside(far, NOTCH_PX), beside(far, NOTCH_PX - ARM_PX)], { colour: INK.again });
  pen.label("notch", beside([(near[0] + far[0]) / 2, (near[1] + far[1]) / 2], NOTCH_PX + 6), { colour: INK.again, dx: 0, dy: 0, align: "center" });
}

function drawBar(pen, data) {
  const xs = data.outline_px.map(([x]) => x), ys = data.outline_px.map(([, y]) => y);
  const [left, right, bottom] = [Math.min(...xs), Math.max(...xs), Math.max(...ys)];
  const fitting = BAR_MM.filter((mm) => mm / data.scale.x_mm_per_px <= (right - left) / 4);
  if (!fitting.length) return;
  const mm = fitting.at(-1), end = [right - 12 / pen.scale, bottom - 12 / pen.scale];
  const start = [end[0] - mm / data.scale.x_mm_per_px, end[1]], tick = 5 / pen.scale;
  pen.line([start, end], { colour: "#ffffff" });
  for (const [x, y] of [start, end]) pen.line([[x, y - tick], [x, y + tick]], { colour: "#ffffff" });
  pen.label(`${mm} mm`, end, { dx: 0, dy: -9, align: "right" });
}
