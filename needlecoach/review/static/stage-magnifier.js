// The magnified view at the point that is being placed or moved, beside the pointer and never under a finger.

import { Pen } from "./stage-pen.js";

const SIZE = 150;
// Times the original's px; more where the picture itself is already shown that large.
const LEAST_ZOOM = 6;
const BESIDE = { mouse: [125, -125], pen: [125, -125], touch: [0, -140], key: [125, -125] };

export class Magnifier {
  #shown = null;

  constructor(canvas, drawLayers) {
    this.canvas = canvas;
    this.drawLayers = drawLayers;
    const fine = window.devicePixelRatio || 1;
    canvas.width = canvas.height = Math.round(SIZE * fine);
  }

  /** Show the point of the picture that lies at a place of the box. */
  show(source, at, point, view, type) {
    this.#shown = { point, zoom: Math.max(LEAST_ZOOM, 2.5 * view.scale) };
    const [x, y] = beside(at, view.box, BESIDE[type] ?? BESIDE.mouse);
    this.canvas.style.transform = `translate(${x - SIZE / 2}px, ${y - SIZE / 2}px)`;
    this.canvas.hidden = false;
    this.draw(source);
  }

  hide() {
    this.#shown = null;
    this.canvas.hidden = true;
  }

  draw({ picture, frame, exact }) {
    if (!this.#shown) return;
    const { point, zoom } = this.#shown;
    const ctx = this.canvas.getContext("2d");
    const fine = this.canvas.width / SIZE;
    const toBox = ([x, y]) => [(x - point[0]) * zoom + SIZE / 2, (y - point[1]) * zoom + SIZE / 2];
    const [left, top] = toBox([-0.5, -0.5]);
    ctx.setTransform(fine, 0, 0, fine, 0, 0);
    ctx.fillStyle = "#000000";
    ctx.fillRect(0, 0, SIZE, SIZE);
    ctx.imageSmoothingEnabled = false;
    ctx.drawImage(picture, left, top, picture.width * zoom, picture.height * zoom);
    const pen = new Pen(ctx, toBox, zoom, { frame, exact, magnified: true });
    this.drawLayers(pen);
    pen.cross(point, { colour: "#ffffff", size: 26, gap: 5, width: 1 });
  }
}

// To the side it is meant for, or across where the box ends.
function beside(at, box, [dx, dy]) {
  const half = SIZE / 2 + 4;
  let [x, y] = [at[0] + dx, at[1] + dy];
  if (x + half > box[0] || x - half < 0) x = at[0] - dx;
  if (y - half < 0) y = dx === 0 ? at[1] : at[1] - dy;
  // Straight above does not fit: beside the finger, away from the nearer rim.
  if (dx === 0 && y === at[1]) x = at[0] + (at[0] > box[0] / 2 ? dy : -dy);
  const within = (value, size) => Math.min(Math.max(value, half), Math.max(size - half, half));
  return [within(x, box[0]), within(y, box[1])];
}
