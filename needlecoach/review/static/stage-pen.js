// What layers draw with. Every line has a dark one under it, so that it is seen on black and on white echoes.

// On a picture that is mostly dark these stand out in light and dark pages alike.
export const INK = Object.freeze({
  target: "#d6baff",
  again: "#ffe08a",
  seen: "#6fd3e3",
  inferred: "#ffaa64",
  region: "#ffffff",
  ruler: "#a6e88f",
  screen: "#ff9ec4",
});
const UNDER = "rgba(0, 0, 0, 0.75)";

export class Pen {
  /**
   * ctx draws in CSS px; toBox turns px of the picture into them; scale is CSS px per px of the picture.
   * frame is the number of the frame shown, exact is false while the video plays.
   */
  constructor(ctx, toBox, scale, { frame, exact, magnified = false }) {
    Object.assign(this, { ctx, toBox, scale, frame, exact, magnified });
  }

  /** A line through points; closed back to its first, dashed, or filled. */
  line(points, { colour = INK.seen, width = 2, dash = [], closed = false, fill = "" } = {}) {
    if (points.length === 0) return;
    const path = new Path2D();
    points.map(this.toBox).forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
    if (closed) path.closePath();
    if (fill) {
      this.ctx.fillStyle = fill;
      this.ctx.fill(path);
    }
    this.#stroke(path, colour, width, dash);
  }

  /** A cross of two strokes that leaves its very middle free. */
  cross(point, { colour = INK.seen, size = 9, gap = 2.5, width = 1.6 } = {}) {
    const [x, y] = this.toBox(point);
    const path = new Path2D();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      path.moveTo(x + dx * gap, y + dy * gap);
      path.lineTo(x + dx * size, y + dy * size);
    }
    this.#stroke(path, colour, width, []);
  }

  dot(point, { colour = INK.seen, radius = 4, hollow = false, width = 2 } = {}) {
    const [x, y] = this.toBox(point);
    const path = new Path2D();
    path.arc(x, y, radius, 0, 2 * Math.PI);
    if (!hollow) {
      this.ctx.fillStyle = colour;
      this.ctx.fill(path);
    }
    this.#stroke(path, hollow ? colour : UNDER, hollow ? width : 1, []);
  }

  /** Words beside a point, kept out of the magnified view. */
  label(text, point, { colour = "#ffffff", dx = 8, dy = -8, align = "left" } = {}) {
    if (this.magnified) return;
    const [x, y] = this.toBox(point);
    const { ctx } = this;
    ctx.font = '600 13px system-ui, "Segoe UI", "Liberation Sans", Arial, sans-serif';
    ctx.textAlign = align;
    ctx.lineJoin = "round";
    ctx.lineWidth = 4;
    ctx.strokeStyle = UNDER;
    ctx.strokeText(text, x + dx, y + dy);
    ctx.fillStyle = colour;
    ctx.fillText(text, x + dx, y + dy);
  }

  #stroke(path, colour, width, dash) {
    const { ctx } = this;
    ctx.lineJoin = "round";
    ctx.lineCap = "butt";
    ctx.setLineDash([]);
    ctx.strokeStyle = UNDER;
    ctx.lineWidth = width + 2;
    ctx.stroke(path);
    ctx.setLineDash(dash);
    ctx.strokeStyle = colour;
    ctx.lineWidth = width;
    ctx.stroke(path);
    ctx.setLineDash([]);
  }
}
