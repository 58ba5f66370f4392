// Where the picture lies in its box. Places in the picture are px of the original frame, whole numbers at the
// centres of its pixels; places in the box are CSS px from its upper left corner.

const MOST_ZOOM = 40;

export class View {
  constructor(widthPx, heightPx) {
    this.widthPx = widthPx;
    this.heightPx = heightPx;
    this.box = [1, 1];
    this.scale = 1;
    this.left = 0;
    this.top = 0;
    this.fitted = true;
  }

  get fitScale() {
    return Math.min(this.box[0] / this.widthPx, this.box[1] / this.heightPx);
  }

  resize(width, height) {
    const middle = this.toImage([this.box[0] / 2, this.box[1] / 2]);
    this.box = [Math.max(width, 1), Math.max(height, 1)];
    if (this.fitted) this.fit();
    else this.centre(middle);
  }

  fit() {
    this.scale = this.fitScale;
    this.fitted = true;
    this.#hold();
  }

  zoomBy(factor, at = [this.box[0] / 2, this.box[1] / 2]) {
    const kept = this.toImage(at);
    this.scale = Math.min(Math.max(this.scale * factor, this.fitScale), MOST_ZOOM);
    this.fitted = this.scale <= this.fitScale * 1.0001;
    this.left += at[0] - this.toBox(kept)[0];
    this.top += at[1] - this.toBox(kept)[1];
    this.#hold();
  }

  panBy(dx, dy) {
    this.left += dx;
    this.top += dy;
    this.#hold();
  }

  centre(point) {
    const [x, y] = this.toBox(point);
    this.panBy(this.box[0] / 2 - x, this.box[1] / 2 - y);
  }

  /** Bring a point of the picture away from the box's rim, if it is near or beyond it. */
  reveal(point, rim = 30) {
    const [x, y] = this.toBox(point);
    this.panBy(
      x < rim ? rim - x : Math.min(this.box[0] - rim - x, 0),
      y < rim ? rim - y : Math.min(this.box[1] - rim - y, 0),
    );
  }

  toBox([x, y]) {
    return [(x + 0.5) * this.scale + this.left, (y + 0.5) * this.scale + this.top];
  }

  toImage([x, y]) {
    return [(x - this.left) / this.scale - 0.5, (y - this.top) / this.scale - 0.5];
  }

  // The picture fills the box or lies in its middle, so that it can't be lost.
  #hold() {
    this.left = held(this.left, this.box[0], this.widthPx * this.scale);
    this.top = held(this.top, this.box[1], this.heightPx * this.scale);
  }
}

function held(start, box, size) {
  if (size <= box) return (box - size) / 2;
  return Math.min(0, Math.max(box - size, start));
}
