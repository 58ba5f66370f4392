// Step 2: what a pixel is in millimetres, by whichever way the user takes, and how sure that is.

import { INK } from "./stage.js";
import { distance, markingSdPx, MARKED_ONCE_SD_PX, meanDiameterPx, roundedPoint, tickSpacing } from "./mark-geometry.js";
import { Points } from "./mark-tools.js";
import { byId, digits, fill, numberIn, on, rangeFault, tellFault } from "./mark-parts.js";

// As the scoring takes them.
const LIMITS = { "tick-mm": [0.1, 50], "points-mm": [0.1, 1000], "stated-x": [0.001, 5], "stated-y": [0.001, 5], "target-mm": [0.5, 300] };
const SCALE_LIMITS = [0.001, 5];

export function scaleStep(ctx) {
  const step = new ScaleStep(ctx);
  return {
    done: () => Boolean(step.scale()),
    said: () => step.said(),
    render: () => step.render(),
    handles: () => step.handles(),
  };
}

/** Scale {x, y, sdShare, from} of marks as far as the page can tell it; null when there is none yet. */
export function scaleOf(marks, proposal) {
  const { scale, target } = marks;
  if (scale?.points_px) return byPoints(scale);
  if (scale?.mm_per_px) {
    const [x, y] = [scale.mm_per_px].flat();
    return { x, y: y ?? x, sdShare: null, from: "stated" };
  }
  const found = proposal?.scale;
  if (proposal?.from_file && found) return { x: found.x_mm_per_px, y: found.y_mm_per_px, sdShare: found.sd_share, from: "the file" };
  const spacing = scale?.tick_mm ? tickSpacing(proposal?.ruler?.ticks_px ?? []) : null;
  if (spacing) return both(scale.tick_mm / spacing.px, spacing.sdShare, "the ruler");
  if (scale?.target_mm && target) {
    const px = meanDiameterPx(target);
    return both(scale.target_mm / px, (Math.SQRT2 * markedSdPx(target)) / px, "the target’s size");
  }
  return null;
}

export function markedSdPx(target) {
  return (target.again ? markingSdPx(target, target.again) : null) ?? MARKED_ONCE_SD_PX;
}

function byPoints({ points_px: [a, b], mm }) {
  const px = distance(a, b);
  return both(mm / px, Math.SQRT2 / px, "two points");
}

function both(size, sdShare, from) {
  return { x: size, y: size, sdShare, from };
}

class ScaleStep {
  // Points that are placed while their distance is not told yet, and the way that was chosen.
  #placed = null;
  #way = null;

  constructor(ctx) {
    this.ctx = ctx;
    for (const radio of this.#radios()) radio.addEventListener("change", () => this.#choose(radio.value));
    on("points-place", () => this.#placeBoth());
    for (const button of document.querySelectorAll("[data-tick]")) {
      button.addEventListener("click", () => {
        byId("tick-mm").value = button.dataset.tick;
        this.#choose("ticks");
      });
    }
    for (const id of Object.keys(LIMITS)) byId(id).addEventListener("input", () => this.#choose(wayOf(id), id));
    ctx.stage.addLayer((pen) => this.#draw(pen));
  }

  scale() {
    return scaleOf(this.ctx.store.marks, this.ctx.proposal);
  }

  said() {
    const scale = this.scale();
    if (!scale) return this.ctx.proposal || this.ctx.proposalFault ? "to be told" : "looking for a ruler";
    return `${sizeText(scale)} mm per px, ${scale.from}`;
  }

  way() {
    const { scale } = this.ctx.store.marks;
    if (scale?.points_px) return "points";
    if (scale?.mm_per_px) return "stated";
    if (scale?.tick_mm) return "ticks";
    if (scale?.target_mm) return "target";
    if (this.#way) return this.#way;
    if (this.ctx.proposal?.from_file) return "file";
    return this.ctx.proposal?.ruler?.ticks_px?.length ? "ticks" : "points";
  }

  render() {
    const { store, proposal } = this.ctx;
    const scale = store.marks.scale ?? {};
    if (scale.points_px) this.#placed = scale.points_px;
    const way = this.way();
    for (const radio of this.#radios()) {
      radio.checked = radio.value === way;
      radio.closest(".way").classList.toggle("chosen", radio.checked);
    }
    this.#fill(way, scale);
    byId("way-file").hidden = !proposal?.from_file;
    byId("file-words").textContent = proposal?.from_file ? `${words(fileScale(proposal)).slice(0, -1)}, ${proposal.scale.source}.` : "";
    const ruler = proposal?.ruler;
    const found = ruler?.ticks_px?.length ? `Found: ${ruler.words}${way === "ticks" ? "; drawn on the picture" : ""}.` : `None could be read: ${ruler?.words || "there is none"}.`;
    byId("ticks-found").textContent = proposal ? found : (this.ctx.proposalFault ?? "Looking for a ruler.");
    byId("points-place").textContent = this.#placed ? "Place both anew" : "Place both points";
    byId("scale-words").textContent = this.#outcome(way);
  }

  // The fields of other ways keep what was typed.
  #fill(way, scale) {
    const [x, y] = [scale.mm_per_px ?? []].flat();
    if (way === "ticks") fill(byId("tick-mm"), scale.tick_mm);
    if (way === "target") fill(byId("target-mm"), scale.target_mm);
    if (way === "points" && scale.mm) fill(byId("points-mm"), scale.mm);
    if (way === "stated" && x) fill(byId("stated-x"), x);
    if (way === "stated" && y) fill(byId("stated-y"), y);
  }

  handles() {
    if (this.way() !== "points" || !this.#placed) return [];
    return this.#placed.map((at, i) => ({
      id: `scale ${i}`,
      label: `Scale: ${i ? "second" : "first"} point`,
      shape: "cross",
      colour: INK.ruler,
      at,
      move: (point, phase) => {
        if (phase === "start") return this.ctx.store.part();
        this.#placed = this.#placed.map((other, j) => (i === j ? roundedPoint(point) : other));
        this.#put(`scale ${i}`, "points");
        return undefined;
      },
    }));
  }

  opened() {
    if (this.way() === "points" && !this.#placed) this.#placeBoth();
  }

  #radios() {
    return document.querySelectorAll('input[name="way"]');
  }

  #outcome(way) {
    const scale = this.scale();
    if (scale) return words(scale) + this.#but(scale, way);
    if (way === "points" && this.#placed) return `${digits(distance(...this.#placed), 4)} px between the points; say how many mm that is.`;
    if (way === "ticks" && this.ctx.proposal?.ruler?.ticks_px?.length) return "Say what the ticks are apart; a scale is never guessed.";
    if (way === "target" && !this.ctx.store.marks.target) return "Mark the target next; the scale follows from its size.";
    return "No scale yet.";
  }

  // What a reader of these figures should know besides.
  #but(scale, way) {
    if (scale.from === "the file" && way !== "file") return " The file’s own calibration goes before this.";
    const filmed = this.ctx.store.marks.screen_px && way !== "stated";
    return filmed ? " The camera’s slant is not taken out here; in scoring it is." : "";
  }

  #choose(way, field = null) {
    this.#way = way;
    this.#put(field, way);
    if (way === "points" && !this.#placed && !field) this.#placeBoth();
  }

  #put(key, way = this.way()) {
    this.ctx.store.update({ scale: this.#entry(way) }, key);
    // What is not in the marks yet, such as points without a distance, shows all the same.
    this.ctx.refresh();
  }

  // What the fields say for the way that was chosen; undefined while something is missing or wrong.
  #entry(way) {
    const value = (id) => this.#checked(id);
    if (way === "ticks") return entryOf("tick_mm", value("tick-mm"));
    if (way === "target") return entryOf("target_mm", value("target-mm"));
    if (way === "points") return this.#pointsEntry(value("points-mm"));
    if (way === "stated") {
      const [y, x] = [value("stated-y"), value("stated-x")];
      return entryOf("mm_per_px", x && y ? [x, y] : x);
    }
    return undefined;
  }

  #pointsEntry(mm) {
    if (!mm || !this.#placed) return undefined;
    const size = mm / distance(...this.#placed);
    const within = size >= SCALE_LIMITS[0] && size <= SCALE_LIMITS[1];
    const fault = within ? "" : `That would be ${digits(size)} mm per px, which can’t be; look at the points and the distance.`;
    tellFault(byId("points-mm"), byId("points-fault"), fault);
    return within ? { points_px: this.#placed, mm } : undefined;
  }

  #checked(id) {
    const field = byId(id);
    const fault = rangeFault(field.value, LIMITS[id], id.startsWith("stated") ? "mm per px" : "mm");
    tellFault(field, byId(`${wayOf(id)}-fault`), fault);
    const value = numberIn(field.value);
    return fault || Number.isNaN(value) ? undefined : value;
  }

  #placeBoth() {
    const { stage, say } = this.ctx;
    this.#way = "points";
    stage.setTool(
      new Points(stage, {
        hints: ["Point 1 of 2: a tick of the ruler", "Point 2 of 2: another one, as far away as can be"],
        say,
        draw: (pen, [a], hover) => a && hover && pen.line([a, hover], { colour: INK.ruler, dash: [5, 4] }),
        done: (points) => {
          if (distance(...points) < 2) return "That is the same point; place the second farther away";
          this.#placed = points;
          this.#put("points", "points");
          byId("points-mm").focus();
          return "";
        },
      }),
    );
    this.ctx.refresh();
    stage.focus();
  }

  #draw(pen) {
    if (this.ctx.step !== "scale") return;
    const way = this.way();
    if (way === "ticks") {
      const ticks = this.ctx.proposal?.ruler?.ticks_px ?? [];
      for (const tick of ticks) pen.cross(tick, { colour: INK.ruler, size: 8, gap: 3 });
      const mm = this.ctx.store.marks.scale?.tick_mm;
      if (mm && ticks.length > 1) pen.label(`${mm} mm`, ticks[0], { colour: INK.ruler, dx: 12, dy: 18 });
    }
    if (way === "points" && this.#placed) {
      pen.line(this.#placed, { colour: INK.ruler, width: 1.5 });
      const mm = this.ctx.store.marks.scale?.mm;
      if (mm) pen.label(`${mm} mm`, this.#placed[1], { colour: INK.ruler, dx: 12 });
    }
  }
}

function wayOf(id) {
  const name = id.split("-")[0];
  return name === "tick" ? "ticks" : name;
}

function entryOf(key, value) {
  return value === undefined ? undefined : { [key]: value };
}

function fileScale({ scale }) {
  return { x: scale.x_mm_per_px, y: scale.y_mm_per_px, sdShare: scale.sd_share };
}

function sizeText({ x, y }) {
  return x === y ? digits(x, 4) : `${digits(x, 4)} × ${digits(y, 4)}`;
}

function words(scale) {
  const sure = scale.sdShare === null ? "how sure that is, is not known" : `± ${digits(100 * scale.sdShare, 2)} %`;
  return `${sizeText(scale)} mm per px (${sure}).`;
}
