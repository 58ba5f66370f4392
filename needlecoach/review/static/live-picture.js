// The live picture with what is drawn on it, in one canvas, so that both are always of the same moment.

import { INK, Pen } from "./stage-pen.js";

const TIP_PX = 10, MARGIN = 0.04;
// Finer than this a picture of a camera shows no more, and drawing takes longer.
const MOST_PX = 1920;

export class Picture {
  constructor(box, canvas) {
    Object.assign(this, { box, canvas, sizePx: null, region: null, whole: false, last: null, zoom: 1 });
    this.ctx = canvas.getContext("2d", { alpha: false });
    new ResizeObserver(() => this.#resized()).observe(box);
  }

  /** Where the ultrasound picture lies, [[x, y]…] px, or null; shown alone unless `whole`. */
  setRegion(region) {
    this.region = region;
    this.#shape();
  }

  setWhole(whole) {
    this.whole = whole;
    this.#shape();
  }

  draw(bitmap, head) {
    if (!this.sizePx || head.size_px[0] !== this.sizePx[0] || head.size_px[1] !== this.sizePx[1]) {
      this.sizePx = head.size_px;
      this.#shape();
    }
    this.last?.bitmap.close();
    this.last = { bitmap, head };
    this.#draw();
  }

  // Part of the picture that is shown: [left, top, width, height] px.
  #part() {
    const [width, height] = this.sizePx;
    if (this.whole || !this.region) return [0, 0, width, height];
    const xs = this.region.map(([x]) => x), ys = this.region.map(([, y]) => y);
    const room = MARGIN * Math.max(...xs);
    const [left, top] = [Math.max(Math.min(...xs) - room, 0), Math.max(Math.min(...ys) - room, 0)];
    return [left, top, Math.min(Math.max(...xs) + room, width) - left, Math.min(Math.max(...ys) + room, height) - top];
  }

  #shape() {
    if (!this.sizePx) return;
    const [, , width, height] = this.#part();
    this.box.style.setProperty("--ratio", String(width / height));
    this.#resized();
  }

  #resized() {
    const { clientWidth: width, clientHeight: height } = this.box;
    const fine = Math.min(window.devicePixelRatio || 1, MOST_PX / Math.max(width, 1));
    // Signs grow with the page's letters, which are larger on a big screen.
    this.unit = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    [this.canvas.width, this.canvas.height] = [Math.max(Math.round(width * fine), 1), Math.max(Math.round(height * fine), 1)];
    this.fine = fine * this.unit;
    if (this.last) this.#draw();
  }

  #draw() {
    const { ctx, fine } = this, { bitmap, head } = this.last;
    const [left, top, width, height] = this.#part();
    const [boxW, boxH] = [this.canvas.width / fine, this.canvas.height / fine];
    const scale = Math.min(boxW / width, boxH / height);
    this.zoom = scale * fine;
    const [dx, dy] = [(boxW - width * scale) / 2 - left * scale, (boxH - height * scale) / 2 - top * scale];
    ctx.setTransform(fine, 0, 0, fine, 0, 0);
    ctx.fillStyle = "#000000";
    ctx.fillRect(0, 0, boxW, boxH);
    const [x, y, w, h] = head.box_px; // what of the picture was sent
    ctx.drawImage(bitmap, x * scale + dx, y * scale + dy, w * scale, h * scale);
    const pen = new Pen(ctx, ([x, y]) => [(x + 0.5) * scale + dx, (y + 0.5) * scale + dy], scale, { frame: head.number, exact: true });
    if (!head.row) return;
    drawTarget(pen, head.row);
    drawNeedle(pen, head.row);
  }
}

function drawTarget(pen, { target_outline_px: outline, target_px: centre, target_found: found }) {
  if (outline.length) pen.line(outline, { colour: INK.target, closed: true, dash: found ? [] : [7, 5] });
  if (centre) pen.cross(centre, { colour: INK.target, size: 6, gap: 0 });
}

function drawNeedle(pen, { sight, tip_px: tip, entry_px: entry }) {
  if (sight === "none" || !tip) return;
  const seen = sight === "seen", lost = sight === "lost", colour = seen ? INK.seen : INK.inferred;
  const radius = TIP_PX / pen.scale;
  if (entry) {
    const length = Math.hypot(tip[0] - entry[0], tip[1] - entry[1]), short = Math.max(length - radius, 0) / Math.max(length, 1e-6);
    const end = [entry[0] + (tip[0] - entry[0]) * short, entry[1] + (tip[1] - entry[1]) * short];
    pen.line([entry, end], { colour, width: seen ? 2 : 1.6, dash: seen ? [] : lost ? [2, 5] : [8, 5] });
  }
  const ring = Array.from({ length: 33 }, (_, i) => [tip[0] + radius * Math.cos((i * Math.PI) / 16), tip[1] + radius * Math.sin((i * Math.PI) / 16)]);
  pen.line(ring, { colour, dash: seen ? [] : lost ? [1.5, 4] : [5, 4] });
  if (seen) pen.dot(tip, { colour, radius: 4.5 });
  if (lost) pen.label("?", tip, { colour, dx: 0, dy: 5, align: "center" });
  pen.label(lost ? "tip lost" : seen ? "tip seen" : "tip inferred", tip, { colour: "#ffffff", dx: 16, dy: -12 });
}
