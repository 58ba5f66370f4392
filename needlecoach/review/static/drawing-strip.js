// The shaft strip: position along the shaft by time on the recorded greys. Seen, inferred and absent differ in form
// (solid, dashed with hollow dots, a row of its own), not in colour alone.

import { DOT_GAP_PX, Reading, add, diamond, html, niceStep, path, rimmed, runs, ticks } from "./drawing-parts.js";

const LANES = ["seen", "inferred", "none"];
const LANE_PX = 11, HEAD_PX = 40, PLOT_PX = 260, AXIS_PX = 38, RIGHT_PX = 14;
const LEAST_PX_PER_S = 30, MOST_PX = 12000;
let strips = 0;

// The strip of all frames from `from` to `to`. `onFrame(n)` is called when the user picks a moment.
// Returns {setFrame, pick, show, element}: `pick(n)` is what a click does, `show(from, to)` changes what is shown.
export function shaftStrip(host, data, { from, to, at, height = PLOT_PX, onFrame = () => {}, name = "Moment in the clip" } = {}) {
  const reading = new Reading(data), id = `strip${++strips}`;
  let shown = [from ?? reading.first, to ?? reading.last], now = at ?? shown[0], place = null, picture = null;
  host.replaceChildren();
  const scroller = html(host, "div", "strip-scroll"), slider = html(scroller, "div", "strip-sheet");
  const readout = html(host, "p", "strip-words");
  const canvas = html(slider, "canvas"), sheet = add(slider, "svg", { "aria-hidden": "true", focusable: "false" });
  for (const [key, value] of Object.entries({ role: "slider", tabindex: "0", "aria-label": name })) slider.setAttribute(key, value);
  if (data.strip) {
    picture = new Image();
    picture.onload = () => draw();
    picture.src = data.strip.image;
  }

  function layout() {
    const wide = scroller.clientWidth || 640, span_s = reading.end(shown[1]) - reading.time(shown[0]);
    const left = wide < 560 ? 52 : 62, lanes = LANES.length + (data.corrections?.length ? 1 : 0);
    const width = Math.round(Math.min(MOST_PX, Math.max(wide, left + RIGHT_PX + span_s * LEAST_PX_PER_S)));
    let deepest = 5;
    for (let n = shown[0]; n <= shown[1]; n++) deepest = Math.max(deepest, reading.at("along_mm", n) ?? 0);
    const inBand = (reading.data.frames.band_mm ?? []).filter((one, i) => one && reading.at("present", reading.first + i));
    const band = inBand.length ? Math.max(...inBand.map((one) => one[1])) + 3 : 0;
    const whole = data.strip ? (data.strip.samples - 1) * data.strip.step_mm : Infinity;
    const reach = Math.min(Math.max(deepest + 6, Math.min(band, deepest + 25)), Math.max(whole, deepest + 1));
    const bottom = HEAD_PX + height, start = reading.time(shown[0]);
    return {
      width, left, reach, bottom, full: bottom + 6 + lanes * (LANE_PX + 4) + AXIS_PX,
      x: (t) => left + (t - start) * (width - left - RIGHT_PX) / span_s,
      y: (mm) => HEAD_PX + mm * height / reach,
      time: (x) => start + (x - left) * span_s / (width - left - RIGHT_PX),
    };
  }

  function drawGreys() {
    const { width, full, reach, left, bottom, x } = place, zoom = Math.min(window.devicePixelRatio || 1, 16000 / width);
    canvas.width = Math.round(width * zoom);
    canvas.height = Math.round(full * zoom);
    const pen = canvas.getContext("2d");
    pen.scale(zoom, zoom);
    pen.fillStyle = "#141a20";
    pen.fillRect(left, HEAD_PX, width - left - RIGHT_PX, bottom - HEAD_PX);
    if (!picture?.complete || !picture.naturalWidth) return;
    const { step_mm, samples, first } = data.strip, rows = Math.min(samples, reach / step_mm + 0.5);
    const tall = (rows * step_mm) * (bottom - HEAD_PX) / reach;
    for (let n = shown[0]; n <= shown[1]; n++) {
      const x0 = x(reading.time(n));
      pen.drawImage(picture, n - first, 0, 1, rows, x0, HEAD_PX, x(reading.end(n)) - x0 + 0.6, Math.min(tall, bottom - HEAD_PX));
    }
  }

  function draw() {
    if (!host.isConnected) return;
    place = layout();
    slider.style.width = `${place.width}px`;
    sheet.replaceChildren();
    sheet.setAttribute("viewBox", `0 0 ${place.width} ${place.full}`);
    const defs = add(sheet, "defs");
    hatching(defs, `${id}-hatch`);
    const clip = add(defs, "clipPath", { id: `${id}-clip` });
    add(clip, "rect", { x: place.left, y: HEAD_PX, width: place.width - place.left - RIGHT_PX, height });
    drawGreys();
    const parts = { reading, place, shown, sheet, id, plot: add(sheet, "g", { "clip-path": `url(#${id}-clip)` }) };
    drawBand(parts);
    drawBlind(parts);
    drawTip(parts);
    drawAttempts(parts);
    drawFirings(parts);
    drawLanes(parts);
    drawAxes(parts);
    parts.sheet.append((place.head = playhead(sheet, place)));
    place.mark = add(place.head, "circle", { r: 5, class: "strip-here" });
    setFrame(now, { follow: false });
  }

  function setFrame(n, { follow = true } = {}) {
    now = Math.min(Math.max(n, shown[0]), shown[1]);
    const x = place.x(reading.time(now)), along = reading.at("along_mm", now);
    place.head.setAttribute("transform", `translate(${x.toFixed(1)} 0)`);
    place.mark.setAttribute("cy", place.y(along ?? 0));
    place.mark.setAttribute("visibility", along === null ? "hidden" : "visible");
    readout.textContent = reading.words(now);
    slider.setAttribute("aria-valuemin", shown[0]);
    slider.setAttribute("aria-valuemax", shown[1]);
    slider.setAttribute("aria-valuenow", now);
    slider.setAttribute("aria-valuetext", reading.words(now));
    if (follow && (x < scroller.scrollLeft + 40 || x > scroller.scrollLeft + scroller.clientWidth - 40)) {
      scroller.scrollLeft = x - scroller.clientWidth / 2;
    }
  }

  function pick(n) {
    setFrame(n);
    onFrame(now);
  }
  const pickAt = (event) => pick(reading.nearest(place.time((event.clientX - slider.getBoundingClientRect().left) * place.width / slider.clientWidth)));
  slider.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    slider.setPointerCapture(event.pointerId);
    pickAt(event);
  });
  slider.addEventListener("pointermove", (event) => slider.hasPointerCapture(event.pointerId) && pickAt(event));
  slider.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const far = event.shiftKey ? 10 : 1;
    const ahead = { ArrowRight: now + far, ArrowUp: now + far, ArrowLeft: now - far, ArrowDown: now - far, Home: shown[0], End: shown[1],
      PageUp: reading.nearest(reading.time(now) + 1), PageDown: reading.nearest(reading.time(now) - 1) }[event.key];
    if (ahead === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    pick(ahead);
  });
  let wide = 0;
  new ResizeObserver(() => {
    if (scroller.clientWidth !== wide) { wide = scroller.clientWidth; draw(); }
  }).observe(scroller);
  draw();
  return { element: slider, setFrame, pick, show(first, last) { shown = [first, last]; draw(); scroller.scrollLeft = 0; } };
}

function hatching(defs, id) {
  const pattern = add(defs, "pattern", { id, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  add(pattern, "line", { x1: 0, y1: 0, x2: 0, y2: 7, class: "hatch rim" });
  add(pattern, "line", { x1: 0, y1: 0, x2: 0, y2: 7, class: "hatch" });
}

// The target's stretch of the shaft, with its outline and its name.
function drawBand({ reading, place, shown, plot }) {
  const { x, y } = place, known = (n) => reading.at("band_mm", n) !== null;
  const found = runs(shown[0], shown[1], known, (n) => reading.paused(n));
  for (const [a, b] of found) {
    const side = (which) => {
      const points = [];
      for (let n = a; n <= b; n++) points.push([x(reading.time(n)), y(reading.at("band_mm", n)[which])]);
      return [...points, [x(reading.end(b)), points.at(-1)[1]]];
    };
    const near = side(0), far = side(1);
    add(plot, "path", { d: `${path([...near, ...far.slice().reverse()])}Z`, class: "band-fill" });
    for (const edge of [near, far]) rimmed(plot, "path", { d: path(edge) }, "band");
  }
  const widest = found.toSorted((p, q) => q[1] - q[0] - p[1] + p[0])[0];
  if (!widest) return;
  const [near, far] = reading.at("band_mm", widest[0]);
  const middle = Math.min(y((near + far) / 2) + 4, place.bottom - 5);
  add(plot, "text", { x: x(reading.time(widest[0])) + 7, y: middle, class: "band-name" }, "target");
}

// New depth gained while the tip could not be seen: a hatched box as deep as the gain.
function drawBlind({ reading, place, shown, plot, id }) {
  for (const one of reading.data.attempts.flatMap((attempt) => attempt.blind ?? [])) {
    if (one.last < shown[0] || one.first > shown[1]) continue;
    const left = place.x(reading.time(Math.max(one.first, shown[0]))), top = place.y(one.from_mm);
    const size = { x: left, y: top, width: Math.max(place.x(reading.end(Math.min(one.last, shown[1]))) - left, 3), height: Math.max(place.y(one.to_mm) - top, 3) };
    add(plot, "rect", { ...size, fill: `url(#${id}-hatch)` });
    rimmed(plot, "rect", size, "blind");
  }
}

function drawTip({ reading, place, shown, plot }) {
  const { x, y } = place, spot = (n) => [x((reading.time(n) + Math.min(reading.end(n), reading.time(n) + 2 * reading.usual_s)) / 2), y(reading.at("along_mm", n))];
  const stretch = (a, b) => path(Array.from({ length: b - a + 1 }, (_, i) => spot(a + i)));
  const known = runs(shown[0], shown[1], (n) => reading.state(n) !== "none", (n) => reading.paused(n));
  for (const [a, b] of known) {
    add(plot, "path", { d: stretch(a, b), class: "tip-seen rim" });
    for (const [p, q] of runs(a, b, (n) => reading.state(n) === "inferred")) {
      add(plot, "path", { d: stretch(Math.max(p - 1, a), Math.min(q + 1, b)), class: "tip-inferred" });
    }
    for (const [p, q] of runs(a, b, (n) => reading.seen(n))) add(plot, "path", { d: stretch(p, q), class: "tip-seen" });
  }
  let former = null;
  for (let n = shown[0]; n <= shown[1]; n++) {
    if (reading.state(n) !== "inferred") continue;
    const [cx, cy] = spot(n);
    if (former && Math.hypot(cx - former[0], cy - former[1]) < DOT_GAP_PX) continue;
    add(plot, "circle", { cx, cy, r: 3, class: "tip-dot" });
    former = [cx, cy];
  }
  for (const one of (reading.data.corrections ?? []).filter((c) => c.kind === "tip" && c.frame >= shown[0] && c.frame <= shown[1])) {
    if (reading.at("along_mm", one.frame) === null) continue;
    const [cx, cy] = spot(one.frame);
    rimmed(plot, "rect", { x: cx - 6, y: cy - 6, width: 12, height: 12 }, "corrected-box");
  }
}

function drawAttempts({ reading, place, shown, sheet, plot }) {
  const { x, y, bottom } = place;
  for (const attempt of reading.data.attempts) {
    if (attempt.last < shown[0] || attempt.first > shown[1]) continue;
    const a = x(reading.time(Math.max(attempt.first, shown[0]))), b = x(reading.end(Math.min(attempt.last, shown[1])));
    add(sheet, "path", { d: `M${a} 20V10H${b}V20`, class: "bracket" });
    const name = `attempt ${attempt.number}`;
    add(sheet, "text", { x: (a + b) / 2, y: 14, class: "bracket-name", "text-anchor": "middle" }, b - a > 70 ? name : `${attempt.number}`);
    let free = -Infinity;
    attempt.passes.forEach((one, i) => {
      if (one.first < shown[0] || one.first > shown[1]) return;
      const start = x(reading.time(one.first)), words = start - free > 46 ? `pass ${i + 1}` : `${i + 1}`;
      rimmed(plot, "path", { d: `M${start} ${HEAD_PX}V${bottom}` }, "pass-start");
      add(sheet, "path", { d: `M${start} ${HEAD_PX}v-14`, class: "bracket" });
      add(sheet, "text", { x: start + 4, y: HEAD_PX - 6, class: "pass-name" }, words);
      free = start;
      const along = reading.at("along_mm", one.deepest);
      if (along === null || one.deepest < shown[0] || one.deepest > shown[1]) return;
      const at = [x(reading.time(one.deepest)), y(along)];
      rimmed(plot, "path", { d: `M${at[0]} ${at[1] + 4}v9M${at[0] - 6} ${at[1] + 13}h12` }, "deepest");
      add(plot, "text", { x: at[0] + 10, y: at[1] + 18, class: "deepest-name" }, `${i + 1}`);
    });
    const n = attempt.closest, along = n === null ? null : reading.at("along_mm", n);
    if (along !== null && n >= shown[0] && n <= shown[1]) diamond(plot, x(reading.time(n)), y(along));
  }
}

// The first frame after a firing: a jagged line from top to bottom with its name.
function drawFirings({ reading, place, shown, sheet, plot }) {
  for (const attempt of reading.data.attempts) {
    const n = attempt.core?.fired_frame ?? null;
    if (n === null || n < shown[0] || n > shown[1]) continue;
    const at = place.x(reading.time(n)), near = at > place.width - 70;
    rimmed(plot, "path", { d: jagged(at, HEAD_PX, place.bottom) }, "fired");
    add(sheet, "text", { x: at + (near ? -9 : 9), y: place.bottom - 8, class: "fired-name", "text-anchor": near ? "end" : "start" }, "fired");
  }
}

function jagged(x, top, bottom) {
  let d = `M${x} ${top}`;
  for (let y = top, side = 4; y < bottom; y += 8, side = -side) d += `L${x + side} ${Math.min(y + 4, bottom)}L${x} ${Math.min(y + 8, bottom)}`;
  return d;
}

// One row each for seen, inferred and none; below them one for corrections.
function drawLanes({ reading, place, shown, sheet, id }) {
  const { x, left, width, bottom } = place;
  LANES.forEach((lane, i) => {
    const top = bottom + 6 + i * (LANE_PX + 4);
    add(sheet, "text", { x: left - 6, y: top + LANE_PX - 2, class: "lane-name", "text-anchor": "end" }, lane);
    add(sheet, "path", { d: `M${left} ${top + LANE_PX / 2}H${width - RIGHT_PX}`, class: "lane-line" });
    for (const [a, b] of runs(shown[0], shown[1], (n) => reading.state(n) === lane, (n) => reading.paused(n))) {
      const from = x(reading.time(a)), wide = Math.max(x(reading.end(b)) - from, 1), words = reading.at("present", a) ? "tip lost" : "no needle";
      if (lane === "inferred") add(sheet, "rect", { x: from, y: top, width: wide, height: LANE_PX, fill: `url(#${id}-lane)` });
      add(sheet, "rect", { x: from, y: top, width: wide, height: LANE_PX, class: `lane ${lane}` });
      if (lane === "none" && wide > 62) add(sheet, "text", { x: from + wide / 2, y: top + LANE_PX - 2, class: "lane-words", "text-anchor": "middle" }, words);
    }
  });
  const pattern = add(sheet.querySelector("defs"), "pattern", { id: `${id}-lane`, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  add(pattern, "line", { x1: 0, y1: 0, x2: 0, y2: 5, class: "lane-hatch" });
  if (!reading.data.corrections?.length) return;
  const top = bottom + 6 + LANES.length * (LANE_PX + 4);
  add(sheet, "text", { x: left - 6, y: top + LANE_PX - 2, class: "lane-name", "text-anchor": "end" }, "mended");
  for (const one of reading.data.corrections.filter((c) => c.frame >= shown[0] && c.frame <= shown[1])) {
    const at = x(reading.time(one.frame)), mark = add(sheet, "path", { d: `M${at} ${top}l5 ${LANE_PX}h-10Z`, class: "mended" });
    add(mark, "title", {}, `${one.kind}, frame ${one.frame}`);
  }
}

function drawAxes({ reading, place, shown, sheet }) {
  const { x, y, left, width, bottom, full, reach } = place, right = width - RIGHT_PX, from = reading.time(shown[0]), to = reading.end(shown[1]);
  add(sheet, "rect", { x: left, y: HEAD_PX, width: right - left, height: bottom - HEAD_PX, class: "frame" });
  for (const mm of ticks(0, reach, niceStep(reach, (bottom - HEAD_PX) / 40))) {
    add(sheet, "path", { d: `M${left} ${y(mm)}h-4`, class: "axis" });
    add(sheet, "text", { x: left - 7, y: y(mm) + 4, class: "axis-name", "text-anchor": "end" }, `${mm}`);
  }
  const middle = (HEAD_PX + bottom) / 2;
  add(sheet, "text", { x: 12, y: middle, class: "axis-name", "text-anchor": "middle", transform: `rotate(-90 12 ${middle})` }, "mm along the shaft");
  const base = full - AXIS_PX + 4;
  add(sheet, "path", { d: `M${left} ${base}H${right}`, class: "axis" });
  for (const t of ticks(from, to, niceStep(to - from, (right - left) / 60))) {
    add(sheet, "path", { d: `M${x(t)} ${base}v4`, class: "axis" });
    add(sheet, "text", { x: x(t), y: base + 16, class: "axis-name", "text-anchor": "middle" }, `${t}`);
  }
  add(sheet, "text", { x: left, y: base + 31, class: "axis-name" }, "time in the clip, s");
}

function playhead(sheet, { bottom, full }) {
  const group = add(sheet, "g");
  rimmed(group, "path", { d: `M0 ${HEAD_PX - 16}V${full - AXIS_PX + 4}` }, "playhead");
  add(group, "path", { d: `M-6 ${HEAD_PX - 22}h12l-6 9Z`, class: "playhead-knob" });
  return group;
}

// What the signs of the strip mean, as a list of signs and words; only those that occur.
export function stripLegend(host, data) {
  host.replaceChildren();
  const list = html(host, "ul", "strip-legend"), reading = new Reading(data);
  const inferred = (data.frames.visible ?? []).some((_, i) => reading.state(reading.first + i) === "inferred");
  const none = (data.frames.present ?? []).some((_, i) => reading.state(reading.first + i) === "none");
  const signs = [
    ["tip-seen", "M2 8H26", "tip seen", true],
    ["tip-inferred", "M2 8H26", "tip inferred (hollow dots)", inferred],
    ["blind", "M3 3H25V13H3Z", "blind advance: new depth without sight of the tip (hatched)", data.attempts.some((one) => one.blind?.length)],
    ["band", "M2 3H26M2 13H26", "target’s stretch of the shaft (none where its line misses the target)", Boolean(data.target)],
    ["closest", "M14 2l6 6l-6 6l-6 -6Z", "closest approach", data.attempts.some((one) => one.closest !== null)],
    ["pass-start", "M14 0V16", "a pass starts", data.attempts.some((one) => one.passes.length)],
    ["deepest", "M14 1v11M8 12h12", "its deepest place", data.attempts.some((one) => one.passes.length)],
    ["fired", "M14 0l4 4l-4 4l-4 4l4 4", "the needle was fired", data.attempts.some((one) => (one.core?.fired_frame ?? null) !== null)],
    ["lane none", "M3 4H25V12H3Z", "none: no needle, or the tip lost", none],
    ["corrected-box", "M8 2H20V14H8Z", "put right by a person", Boolean(data.corrections?.length)],
  ];
  for (const [className, d, words, there] of signs) {
    if (!there) continue;
    const item = html(list, "li"), sign = add(item, "svg", { viewBox: "0 0 28 16", width: 28, height: 16, "aria-hidden": "true", class: "sign" });
    if (className === "closest" || className === "lane none") add(sign, "path", { d, class: className });
    else rimmed(sign, "path", { d }, className);
    if (className === "tip-inferred") for (const cx of [6, 22]) add(sign, "circle", { cx, cy: 8, r: 3, class: "tip-dot" });
    if (className === "blind") add(sign, "path", { d: "M5 13L13 3M12 13L20 3M19 13L25 6", class: "hatch" });
    html(item, "span", "", words);
  }
}
