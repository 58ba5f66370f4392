// Step 3: the target's outline on one frame, marked a second time for its uncertainty, and shown followed.

import { INK } from "./stage.js";
import {
  centreOf, crossesItself, ellipseEnds, ellipseThrough, ellipseWithEnd, LEAST_SD_PX, markingSdPx, meanDiameterPx, moved,
  outlinePoints, roundedPoint,
} from "./mark-geometry.js";
import { drawEllipseSoFar, ELLIPSE_HINTS, Points, Polygon } from "./mark-tools.js";
import { byId, digits, on, show } from "./mark-parts.js";
import { scaleOf } from "./mark-scale.js";
import { Following } from "./mark-follow.js";

const LEAST_PX = 4;
const ENDS = ["one end of the first axis", "other end of the first axis", "one end of the second axis", "other end of the second axis"];

export function targetStep(ctx) {
  const step = new TargetStep(ctx);
  return {
    done: () => Boolean(ctx.store.marks.target),
    said: () => step.said(),
    render: () => step.render(),
    handles: () => step.handles(),
    opened: () => step.opened(),
    key: (key) => step.key(key),
  };
}

/** Mean diameter of the marked target in mm, null without a scale. */
export function markedMm({ marks }, proposal) {
  const scale = marks.target ? scaleOf(marks, proposal) : null;
  return scale && meanDiameterPx(marks.target) * Math.sqrt(scale.x * scale.y);
}

class TargetStep {
  // What is being marked: "first", "again", or nothing.
  #marking = null;
  #kind = null;

  constructor(ctx) {
    this.ctx = ctx;
    this.following = new Following(ctx);
    on("target-ellipse", () => this.mark("ellipse"));
    on("target-polygon", () => this.mark("polygon"));
    on("target-close", () => ctx.stage.tool?.finish());
    on("target-stop", () => ctx.stage.tool?.cancel());
    on("target-go", () => ctx.stage.goTo(ctx.store.marks.target.frame ?? 0));
    on("target-again", () => this.markAgain());
    on("target-again-drop", () => this.#put({ again: undefined }));
    on("target-delete", () => ctx.store.update({ target: undefined }));
    ctx.stage.addLayer((pen) => this.#draw(pen));
  }

  opened() {
    if (!this.ctx.store.marks.target && !this.ctx.stage.tool) this.mark("ellipse");
  }

  key(key) {
    const kinds = { e: "ellipse", p: "polygon" };
    if (kinds[key]) this.mark(kinds[key]);
    return Boolean(kinds[key]);
  }

  mark(kind) {
    this.#begin("first", kind, (outline, frame) => {
      const { name, kind: inside, true_mm: trueMm } = this.ctx.store.marks.target ?? {};
      this.ctx.store.update({ target: { ...outline, frame, name, kind: inside, true_mm: trueMm } });
      return "";
    });
  }

  async markAgain() {
    const { target } = this.ctx.store.marks;
    await this.ctx.stage.goTo(target.frame ?? 0);
    this.#begin("again", target.ellipse ? "ellipse" : "polygon", (outline) => {
      if (markingSdPx(target, outline) === null) return "That does not lie over the first marking; mark the same target again";
      this.#put({ again: outline });
      return "";
    });
  }

  said() {
    const { target } = this.ctx.store.marks;
    if (!target) return "to be marked";
    const mm = markedMm(this.ctx.store, this.ctx.proposal);
    return `${mm ? `${mm.toFixed(1)} mm` : `${digits(meanDiameterPx(target))} px`} across, frame ${target.frame ?? 0}`;
  }

  render() {
    const { target } = this.ctx.store.marks;
    const busy = Boolean(this.#marking);
    byId("target-ellipse").setAttribute("aria-pressed", String(busy && this.#kind === "ellipse"));
    byId("target-polygon").setAttribute("aria-pressed", String(busy && this.#kind === "polygon"));
    show("target-close", busy && this.#kind === "polygon");
    show("target-stop", busy);
    show("target-more", Boolean(target) && !busy);
    show("target-again-drop", Boolean(target?.again));
    byId("target-again").textContent = target?.again ? "Mark the second anew" : "Mark it a second time";
    byId("target-words").textContent = busy ? this.#busyWords() : sizeWords(this.ctx);
    byId("again-words").textContent = target ? againWords(this.ctx) : "";
    this.following.render();
  }

  handles() {
    const { target } = this.ctx.store.marks;
    if (!target || this.#marking || this.ctx.stage.frame !== (target.frame ?? 0)) return [];
    const parts = target.ellipse ? this.#ellipseHandles(target.ellipse) : this.#cornerHandles(target.polygon_px);
    return [...parts, this.#middleHandle(target)];
  }

  #begin(marking, kind, take) {
    const { stage, say } = this.ctx;
    stage.tool?.cancel();
    this.#marking = marking;
    this.#kind = kind;
    const colour = marking === "again" ? INK.again : INK.target;
    const finished = (outline, frame) => {
      const fault = faultOf(outline) || take(outline, frame);
      if (!fault) this.#end();
      return fault;
    };
    const shared = { say, stopped: () => this.#end() };
    stage.setTool(
      kind === "ellipse"
        ? new Points(stage, {
            ...shared,
            hints: ELLIPSE_HINTS,
            draw: (pen, points, hover) => drawEllipseSoFar(pen, points, hover, colour),
            done: ([a, b, p], frame) => {
              const ellipse = ellipseThrough(a, b, p);
              return ellipse ? finished({ ellipse }, frame) : "Place it nearer to the middle of a long side of the outline";
            },
          })
        : new Polygon(stage, {
            ...shared,
            draw: (pen, points, hover) => pen.line(hover ? [...points, hover] : points, { colour }),
            done: (points, frame) => finished({ polygon_px: points }, frame),
          }),
    );
    this.ctx.refresh();
    stage.focus();
  }

  #end() {
    this.#marking = null;
    // After the tool itself has gone.
    queueMicrotask(() => this.ctx.refresh());
  }

  #put(part, key = null) {
    const target = { ...this.ctx.store.marks.target, ...part };
    // A second marking that no longer lies over the first is of nothing.
    if (target.again && markingSdPx(target, target.again) === null) target.again = undefined;
    this.ctx.store.update({ target }, key);
  }

  #outline(outline, key) {
    if (!faultOf(outline)) this.#put(outline, key);
  }

  #ellipseHandles(ellipse) {
    return ellipseEnds(ellipse).map((at, end) => ({
      id: `target end ${end}`,
      label: `Target: ${ENDS[end]}`,
      colour: INK.target,
      at,
      move: (point, phase) => {
        if (phase === "start") return this.ctx.store.part();
        return this.#outline({ ellipse: ellipseWithEnd(this.ctx.store.marks.target.ellipse, end, point) }, `end ${end}`);
      },
    }));
  }

  #cornerHandles(points) {
    return points.map((at, i) => ({
      id: `target corner ${i}`,
      label: `Target: corner ${i + 1} of ${points.length}`,
      colour: INK.target,
      at,
      move: (point, phase) => {
        if (phase === "start") return this.ctx.store.part();
        const next = this.ctx.store.marks.target.polygon_px.map((corner, j) => (i === j ? roundedPoint(point) : corner));
        return crossesItself(next) ? undefined : this.#outline({ polygon_px: next }, `corner ${i}`);
      },
      remove: points.length > 3 ? () => this.#outline({ polygon_px: points.filter((_, j) => j !== i) }) : undefined,
    }));
  }

  #middleHandle(target) {
    const at = centreOf(target);
    return {
      id: "target middle",
      label: "Target: the whole outline, by its centre",
      shape: "cross",
      colour: INK.target,
      at,
      move: (point, phase) => {
        if (phase === "start") return this.ctx.store.part();
        const now = this.ctx.store.marks.target;
        const from = centreOf(now);
        return this.#outline(moved(now, [point[0] - from[0], point[1] - from[1]]), "middle");
      },
    };
  }

  #busyWords() {
    const again = this.#marking === "again" ? "The first marking is hidden, so that the second is free of it. " : "";
    return `${again}${this.#kind === "ellipse" ? "Ellipse: both ends of the longest diameter, then a point of the outline." : "Polygon: corner after corner."}`;
  }

  #draw(pen) {
    const { target } = this.ctx.store.marks;
    // Neither marking may be seen while another is made.
    if (!target || this.#marking) return;
    const here = pen.frame === (target.frame ?? 0);
    const shift = this.following.shiftAt(pen.frame);
    const points = outlinePoints(target, 120);
    if (here && pen.exact) {
      if (target.again) pen.line(outlinePoints(target.again, 120), { colour: INK.again, width: 1.5, dash: [3, 3], closed: true });
      pen.line(points, { colour: INK.target, closed: true });
    } else if (shift) {
      const at = points.map(([x, y]) => [x + shift.by[0], y + shift.by[1]]);
      pen.line(at, { colour: INK.target, dash: shift.found ? [] : [6, 5], closed: true });
      if (!shift.found) pen.label("lost: held at its last place", at[0], { colour: INK.target });
    } else {
      pen.line(points, { colour: INK.target, width: 1.2, dash: [2, 4], closed: true });
      if (this.ctx.step === "target") pen.label(`as marked on frame ${target.frame ?? 0}`, points[0], { colour: INK.target });
    }
  }
}

function faultOf(outline) {
  const points = outlinePoints(outline, 90);
  const sizes = [0, 1].map((axis) => Math.max(...points.map((p) => p[axis])) - Math.min(...points.map((p) => p[axis])));
  return Math.min(...sizes) < LEAST_PX ? "That is too small for a target; mark it again" : "";
}

function sizeWords({ store, proposal }) {
  const { target } = store.marks;
  if (!target) return "No target is marked yet.";
  const scale = scaleOf(store.marks, proposal);
  const frame = `Marked on frame ${target.frame ?? 0}`;
  const px = meanDiameterPx(target);
  const shape = target.ellipse
    ? `${target.ellipse.semi_axes_px.map((axis) => digits(2 * axis)).join(" × ")} px`
    : `${target.polygon_px.length} corners, ${digits(px)} px in mean diameter`;
  if (!scale) return `${frame}: ${shape}.`;
  return `${frame}: ${shape}, ${(px * Math.sqrt(scale.x * scale.y)).toFixed(1)} mm in mean diameter.`;
}

function againWords({ store, proposal }) {
  const { target } = store.marks;
  if (!target.again) return "Marked once: its outline counts as sure to 1 px. A second marking, made without seeing the first, measures that.";
  const sd = markingSdPx(target, target.again);
  const scale = scaleOf(store.marks, proposal);
  const mm = scale ? `, ${digits(sd * Math.sqrt(scale.x * scale.y), 2)} mm` : "";
  const least = sd <= LEAST_SD_PX ? " No hand counts as surer." : "";
  return `Marked twice: the outline is sure to ± ${digits(sd, 2)} px${mm}. The first marking is scored, this goes into its uncertainty.${least}`;
}
