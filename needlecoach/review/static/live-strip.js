// The shaft strip while it grows: greys along the shaft, a column per moment, and the tip's way on them.
// However long an attempt lasts it takes no more room: when the strip is full, time is drawn half as wide.

import { INK } from "./stage-pen.js";
import { crossingMm } from "./live-geometry.js";

const COLUMNS = 1024, SAMPLES = 720, STEP_MM = 0.25;
const FIRST_SPAN_S = 12, AWAY_S = 1.0, LANE_PX = 16, LONGEST_GAP_S = 0.25, ROOM_MM = 5, MOST_PX = 1920;

const WORST = ["seen", "inferred", "lost"];

export class Strip {
  constructor(box, canvas) {
    Object.assign(this, { box, canvas });
    this.ctx = canvas.getContext("2d", { alpha: false });
    this.greys = new OffscreenCanvas(COLUMNS, SAMPLES);
    this.pen = this.greys.getContext("2d", { willReadFrequently: false });
    this.clear();
    new ResizeObserver(() => this.#resized()).observe(box);
  }

  clear() {
    this.beganS = null;
    this.spanS = FIRST_SPAN_S;
    this.lastS = -Infinity;
    this.deepMm = 20;
    this.stepMm = STEP_MM;
    this.ways = Array(COLUMNS).fill(null);
    this.band = null;
    this.pen.fillStyle = "#0b0f13";
    this.pen.fillRect(0, 0, COLUMNS, SAMPLES);
  }

  /** Take in what the stream tells of one picture: [second, sight, mm of the tip along the shaft, greys, mm from grey to grey]. */
  add([timeS, sight, tipMm, greys, stepMm]) {
    if (sight === "none" || timeS <= this.lastS) return;
    if (this.beganS === null || timeS - this.lastS > AWAY_S) {
      this.clear();
      this.beganS = timeS;
    }
    while (timeS - this.beganS >= this.spanS) this.#halve();
    const column = this.#column(timeS), follows = timeS - this.lastS < LONGEST_GAP_S;
    const from = follows ? Math.min(this.#column(this.lastS) + 1, column) : column;
    if (stepMm > 0) this.stepMm = stepMm;
    this.#paint(greys, from, column);
    for (let at = from; at <= column; at++) this.ways[at] = worse(this.ways[at], { sight, tipMm });
    this.#goDown(tipMm);
    this.lastS = timeS;
  }

  /** Where the target lies along the line of the newest row. */
  setBand(row, mmPerPx) {
    const within = mmPerPx && row.tip_px && row.entry_px && row.target_outline_px.length;
    this.band = within ? crossingMm(row.target_outline_px, row.entry_px, row.tip_px, mmPerPx) : null;
    this.#goDown(this.band?.[1]);
  }

  draw() {
    const { ctx, fine } = this, width = this.canvas.width / fine, height = this.canvas.height / fine, deep = height - LANE_PX;
    ctx.setTransform(fine, 0, 0, fine, 0, 0);
    ctx.fillStyle = "#0b0f13";
    ctx.fillRect(0, 0, width, height);
    const shown = Math.min(this.deepMm / this.stepMm, SAMPLES);
    ctx.drawImage(this.greys, 0, 0, COLUMNS, shown, 0, 0, width, deep);
    if (this.beganS === null) return words(ctx, "It grows from the left once a needle is in.", 12, height / 2);
    const toX = (column) => (column * width) / COLUMNS, toY = (mm) => (mm / this.deepMm) * deep;
    if (this.band) this.#drawBand(toX(this.#column(this.lastS) + 1), toY);
    this.#drawWay(toX, toY);
    this.#drawLane(toX, deep, height);
    this.#drawScale(width, deep, toY);
  }

  #goDown(mm) {
    if (Number.isFinite(mm)) this.deepMm = Math.min(Math.max(this.deepMm, mm + ROOM_MM), SAMPLES * this.stepMm);
  }

  #column(timeS) {
    return Math.min(Math.max(Math.floor(((timeS - this.beganS) / this.spanS) * COLUMNS), 0), COLUMNS - 1);
  }

  #halve() {
    this.spanS *= 2;
    this.pen.globalCompositeOperation = "copy";
    this.pen.drawImage(this.greys, 0, 0, COLUMNS, SAMPLES, 0, 0, COLUMNS / 2, SAMPLES);
    this.pen.globalCompositeOperation = "source-over";
    this.ways = Array.from({ length: COLUMNS }, (_, at) => worse(this.ways[2 * at], this.ways[2 * at + 1]));
  }

  #paint(strip, from, to) {
    const greys = Uint8Array.from(atob(strip ?? ""), (letter) => letter.charCodeAt(0)).subarray(0, SAMPLES);
    if (!greys.length) return;
    const image = new ImageData(1, greys.length);
    greys.forEach((grey, at) => image.data.set([grey, grey, grey, 255], 4 * at));
    for (let at = from; at <= to; at++) this.pen.putImageData(image, at, 0);
  }

  #drawBand(until, toY) {
    const { ctx } = this, [near, far] = this.band.map(toY);
    ctx.fillStyle = "rgba(205, 180, 245, 0.16)";
    ctx.fillRect(0, near, until, far - near);
    ctx.strokeStyle = INK.target;
    ctx.lineWidth = 1.5;
    ctx.setLineDash([6, 4]);
    for (const y of [near, far]) stroke(ctx, [[0, y], [until, y]]);
    ctx.setLineDash([]);
  }

  #drawWay(toX, toY) {
    const { ctx } = this;
    let line = [];
    const finish = () => {
      for (const [colour, wide] of [["#0b0f13", 4.5], [INK.seen, 2.2]]) [ctx.strokeStyle, ctx.lineWidth] = [colour, wide], stroke(ctx, line);
      line = [];
    };
    let dotX = -Infinity;
    this.ways.forEach((way, column) => {
      const x = toX(column + 0.5);
      if (way?.sight === "seen" && way.tipMm !== null) return line.push([x, toY(way.tipMm)]);
      if (line.length) finish();
      if (way?.sight !== "inferred" || way.tipMm === null || x - dotX < 9) return;
      dotX = x;
      dot(ctx, x, toY(way.tipMm));
    });
    if (line.length) finish();
  }

  // A row below: filled where seen, struck through where inferred, a "?" pattern of gaps where lost.
  #drawLane(toX, top, height) {
    const { ctx } = this, middle = (top + height) / 2 + 1;
    this.ways.forEach((way, column) => {
      if (!way) return;
      const [x, w] = [toX(column), toX(1) + 0.6];
      if (way.sight === "seen") [ctx.fillStyle] = [INK.seen], ctx.fillRect(x, top + 4, w, height - top - 6);
      else if (way.sight === "inferred") [ctx.fillStyle] = [INK.inferred], ctx.fillRect(x, middle - 1.5, w, 3);
      else if (column % 12 < 3) [ctx.fillStyle] = [INK.inferred], ctx.fillRect(x, top + 4, w, height - top - 6);
    });
  }

  #drawScale(width, deep, toY) {
    const { ctx } = this;
    ctx.font = '600 12px system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif';
    for (let mm = 10; mm < this.deepMm - 2; mm += this.deepMm > 60 ? 20 : 10) {
      ctx.fillStyle = "#ffffff";
      ctx.fillRect(0, toY(mm), 6, 1.5);
      words(ctx, `${mm} mm`, 9, toY(mm) + 4);
    }
    words(ctx, `${this.spanS} s`, width - 8, deep - 6, "right");
  }

  #resized() {
    const { clientWidth: width, clientHeight: height } = this.box;
    const fine = Math.min(window.devicePixelRatio || 1, MOST_PX / Math.max(width, 1));
    [this.canvas.width, this.canvas.height] = [Math.max(Math.round(width * fine), 1), Math.max(Math.round(height * fine), 1)];
    this.fine = (fine * parseFloat(getComputedStyle(document.documentElement).fontSize)) / 16;
    this.draw();
  }
}

// What can't be seen of a tip must not vanish in what can: where two moments share a column the worse one stays.
function worse(one, other) {
  if (!one || !other) return one ?? other ?? null;
  return WORST.indexOf(one.sight) >= WORST.indexOf(other.sight) ? one : other;
}

function stroke(ctx, points) {
  ctx.beginPath();
  points.forEach(([x, y], i) => (i ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
  if (points.length === 1) ctx.lineTo(points[0][0] + 1, points[0][1]);
  ctx.stroke();
}

function dot(ctx, x, y) {
  ctx.beginPath();
  ctx.arc(x, y, 2.8, 0, 2 * Math.PI);
  [ctx.fillStyle, ctx.strokeStyle, ctx.lineWidth] = ["#141a20", INK.inferred, 1.6];
  ctx.fill();
  ctx.stroke();
}

function words(ctx, text, x, y, align = "left") {
  ctx.font = '600 12px system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif';
  [ctx.textAlign, ctx.lineWidth, ctx.lineJoin, ctx.strokeStyle, ctx.fillStyle] = [align, 3.5, "round", "#0b0f13", "#f2efe8"];
  ctx.strokeText(text, x, y);
  ctx.fillText(text, x, y);
}
