// Tools that take points on the picture one after the other and hand on what they make.

import { INK } from "./stage.js";
import { distance, ellipseThrough, outlinePoints, roundedPoint, areaPx2, crossesItself } from "./mark-geometry.js";

/**
 * A tool of a set number of points. hints: words before each; done(points, frame) takes them and may answer words
 * that say why not, which takes the last one back; draw(pen, points, hover) shows what there is so far.
 */
export class Points {
  constructor(stage, { hints, done, draw, say, stopped, frame = null }) {
    Object.assign(this, { stage, hints, done, draw, say, stopped, frame });
    this.points = [];
    this.at = null;
    this.wanted = hints.length;
    this.remove = stage.addLayer((pen) => this.#show(pen));
    say(hints[0]);
  }

  hover(point) {
    this.at = point;
  }

  place(point, event) {
    if (this.#elsewhere() || this.#isSecondOfDouble(point, event)) return false;
    this.points.push(roundedPoint(point));
    if (this.points.length < this.wanted) this.say(this.hints[Math.min(this.points.length, this.hints.length - 1)]);
    else this.finish();
    return true;
  }

  finish() {
    if (this.points.length < this.wanted) return;
    const fault = this.done(this.points, this.frame);
    if (!fault) return this.#end();
    this.points.pop();
    this.say(fault);
    return undefined;
  }

  /** Take the last point back; true when there was one. */
  back() {
    if (this.points.length === 0) return false;
    this.points.pop();
    this.say(this.hints[Math.min(this.points.length, this.hints.length - 1)]);
    this.stage.redraw();
    return true;
  }

  cancel() {
    this.#end();
    this.stopped?.();
  }

  #end() {
    this.remove();
    this.stage.setTool(null);
    this.say("");
    return undefined;
  }

  // All points of one thing are of one frame: the one that the first was placed on.
  #elsewhere() {
    this.stage.pause();
    if (this.points.length === 0) this.frame = this.stage.frame;
    if (this.frame === this.stage.frame) return false;
    this.say(`This was begun on frame ${this.frame}, which is shown again; go on there, or stop with Esc.`);
    this.stage.goTo(this.frame);
    return true;
  }

  // A double click is one point and the word to finish, not two points.
  #isSecondOfDouble(point, event) {
    const last = this.points.at(-1);
    const near = last && distance(this.stage.toBox(last), this.stage.toBox(point)) < 4;
    if (near && event?.type === "keydown") {
      this.finish();
      return true;
    }
    return Boolean(near);
  }

  #show(pen) {
    this.draw(pen, this.points, this.at);
    for (const point of this.points) pen.cross(point, { colour: INK.target });
  }
}

export function drawEllipseSoFar(pen, points, hover, colour) {
  const [a, b = hover] = points;
  if (a && b) pen.line([a, b], { colour, width: 1.2, dash: [5, 4] });
  const ellipse = points.length === 2 && hover ? ellipseThrough(points[0], points[1], hover) : null;
  if (ellipse) pen.line(outlinePoints({ ellipse }, 90), { colour, closed: true });
}

export const ELLIPSE_HINTS = [
  "Point 1 of 3: one end of the longest diameter",
  "Point 2 of 3: its other end",
  "Point 3 of 3: the outline beside that line",
];

/** A tool for a polygon of any number of corners. */
export class Polygon extends Points {
  constructor(stage, options) {
    super(stage, { ...options, hints: ["Corner after corner round the target"] });
    this.wanted = Infinity;
  }

  place(point, event) {
    const [first] = this.points;
    const onFirst = first && distance(this.stage.toBox(first), this.stage.toBox(point)) < 11;
    if (onFirst && this.points.length >= 3) {
      this.finish();
      return false;
    }
    const placed = super.place(point, event);
    if (placed) this.#sayNext();
    return placed;
  }

  back() {
    const taken = super.back();
    if (this.points.length > 0) this.#sayNext();
    return taken;
  }

  #sayNext() {
    const left = 3 - this.points.length;
    this.say(left > 0 ? `${left} more at least` : "Go on, or close it: click the first corner, double click, or Enter twice");
  }

  finish() {
    this.wanted = Math.max(this.points.length, 3);
    const { points } = this;
    const fault = points.length < 3 ? "" : polygonFault(points);
    if (fault) this.say(fault);
    else super.finish();
    this.wanted = Infinity;
  }
}

function polygonFault(points) {
  if (areaPx2(points) < 12) return "This outline encloses next to nothing; place more corners, or stop with Esc.";
  return crossesItself(points) ? "The outline crosses itself; take corners back with Backspace." : "";
}
