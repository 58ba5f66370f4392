// Step 1: where the ultrasound picture lies on the screen, and the screen itself where a camera filmed it.

import { INK } from "./stage.js";
import { rounded, roundedPoint } from "./mark-geometry.js";
import { Points } from "./mark-tools.js";
import { byId, on, show } from "./mark-parts.js";

const LEAST_PX = 8;
// A picture of so much of the frame is mostly a camera's whole one.
const WHOLE = 0.95;
// Which sides of the box (left, top, right, bottom) each handle moves.
const HANDLES = {
  "upper left corner": [1, 1, 0, 0],
  "upper side": [0, 1, 0, 0],
  "upper right corner": [0, 1, 1, 0],
  "right side": [0, 0, 1, 0],
  "lower right corner": [0, 0, 1, 1],
  "lower side": [0, 0, 0, 1],
  "lower left corner": [1, 0, 0, 1],
  "left side": [1, 0, 0, 0],
};
const CORNERS = ["upper left", "upper right", "lower right", "lower left"];

export function pictureStep(ctx) {
  const { stage, store, clip } = ctx;
  on("region-draw", () => drawNew(ctx));
  on("region-reset", () => store.update({ region_px: undefined }));
  on("screen-auto", () => store.update({ screen_px: "auto" }));
  byId("filmed").addEventListener("change", (event) => {
    store.update({ screen_px: event.target.checked ? "auto" : undefined });
    if (event.target.checked) stage.goTo(0);
  });
  stage.addLayer((pen) => draw(ctx, pen));
  const box = () => store.marks.region_px ?? ctx.proposal?.region?.box_px ?? null;
  return {
    done: () => Boolean(box()),
    said: () => said(ctx, box()),
    render: () => render(ctx, box()),
    handles: () => [...(box() ? boxHandles(store, box(), clip) : []), ...screenHandles(ctx)],
  };
}

function said({ store, proposal }, box) {
  if (!box) return proposal ? "none found" : "looking for it";
  return `${box[2]} × ${box[3]} px, ${store.marks.region_px ? "marked" : "found by the tool"}`;
}

function render(ctx, box) {
  const { store, proposal } = ctx;
  byId("picture-words").textContent = words(ctx, box);
  byId("region-reset").disabled = !store.marks.region_px;
  const { screen_px: screen } = store.marks;
  byId("filmed").checked = Boolean(screen);
  show("filmed-more", Boolean(screen));
  byId("screen-auto").disabled = screen === "auto";
  byId("filmed-words").textContent = filmedWords(screen, proposal);
}

function words({ store, proposal, proposalFault, clip }, box) {
  if (store.marks.region_px) return `Marked: ${box[2]} × ${box[3]} px at x ${box[0]}, y ${box[1]}.`;
  if (proposalFault) return `The tool could not look at the clip: ${proposalFault} Draw the picture’s outline yourself.`;
  if (!proposal) return "Looking for the ultrasound picture; you can go on meanwhile.";
  if (!box) return `No ultrasound picture was found: ${proposal.region_problem || "draw its outline yourself"}.`;
  const shape = proposal.region.kind === "sector" ? "A sector within" : "A rectangle of";
  if (!store.marks.screen_px && box[2] * box[3] > WHOLE * clip.width_px * clip.height_px) {
    return "What was found fills the whole frame. If a camera filmed the screen, say so below; else draw the picture’s outline.";
  }
  const doubt = proposal.region_problem ? ` Look closely: ${proposal.region_problem}.` : "";
  return `${shape} ${box[2]} × ${box[3]} px, found by the tool.${doubt}`;
}

function filmedWords(screen, proposal) {
  if (Array.isArray(screen)) return "The screen’s four corners are marked, on the first frame.";
  if (proposal?.screen_corners_px) return "The screen was found, on the first frame. Drag its corners where they are wrong.";
  return "The screen is looked for.";
}

function drawNew({ stage, store, clip, say }) {
  stage.setTool(
    new Points(stage, {
      hints: ["Point 1 of 2: a corner of the ultrasound picture", "Point 2 of 2: the opposite corner"],
      say,
      draw: (pen, [a], hover) => a && hover && pen.line(rectangle(a, hover), { colour: INK.region, closed: true }),
      done: ([a, b]) => {
        const sides = [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1])];
        const box = boxOf(sides, clip);
        if (box[2] < LEAST_PX || box[3] < LEAST_PX) return "That is too small for a picture; place the opposite corner";
        store.update({ region_px: box });
        return "";
      },
    }),
  );
  stage.focus();
}

function rectangle(a, b) {
  return [a, [b[0], a[1]], b, [a[0], b[1]]];
}

// The box covers whole px: its sides run between them, half a px beside their centres.
function sidesOf([x, y, w, h]) {
  return [x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5];
}

function boxOf(sides, clip) {
  const [left, top, right, bottom] = sides.map((side, i) => {
    const most = i % 2 ? clip.height_px : clip.width_px;
    return Math.min(Math.max(Math.round(side + 0.5), 0), most);
  });
  return [left, top, right - left, bottom - top];
}

function boxHandles(store, box, clip) {
  const sides = sidesOf(box);
  const middle = [(sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2];
  return Object.entries(HANDLES).map(([name, moves]) => ({
    id: `region ${name}`,
    label: `Picture: ${name}`,
    shape: "square",
    colour: INK.region,
    at: [0, 1].map((axis) => (moves[axis] ? sides[axis] : moves[axis + 2] ? sides[axis + 2] : middle[axis])),
    move: (point, phase) => {
      if (phase === "start") return store.part();
      // A key moves by less than a px now and then; the box is of whole px.
      const reach = phase === "key" ? outward : (value) => value;
      const next = sides.map((side, i) => (moves[i] ? reach(point[i % 2], side) : side));
      const marked = boxOf(next, clip);
      if (marked[2] >= LEAST_PX && marked[3] >= LEAST_PX) store.update({ region_px: marked }, `region ${name}`);
      return undefined;
    },
  }));
}

function outward(value, side) {
  return side + Math.sign(value - side) * Math.ceil(Math.abs(value - side));
}

function screenCorners({ store, proposal }) {
  const { screen_px: screen } = store.marks;
  return Array.isArray(screen) ? screen : screen ? (proposal?.screen_corners_px ?? null) : null;
}

function screenHandles(ctx) {
  const corners = screenCorners(ctx);
  // Its corners are those of the first frame; on another one they would be put beside the screen.
  if (!corners || ctx.stage.frame !== 0) return [];
  return corners.map((at, i) => ({
    id: `screen ${i}`,
    label: `Screen: ${CORNERS[i]} corner`,
    colour: INK.screen,
    at,
    move: (point, phase) => {
      if (phase === "start") return ctx.store.part();
      const moved = corners.map((corner, j) => (i === j ? roundedPoint(point) : corner.map(rounded)));
      ctx.store.update({ screen_px: moved }, `screen ${i}`);
      return undefined;
    },
  }));
}

function draw(ctx, pen) {
  const { store, proposal, step, clip } = ctx;
  const now = step === "picture";
  const marked = store.marks.region_px;
  const box = marked ?? proposal?.region?.box_px;
  const outline = marked ? corners(sidesOf(marked)) : proposal?.region?.outline_px;
  if (box && outline && now) shade(pen, outline, clip);
  // The handles are of the box round it.
  if (box && now && !marked) pen.line(corners(sidesOf(box)), { colour: INK.region, width: 1, dash: [2, 6], closed: true });
  if (outline) pen.line(outline, { colour: INK.region, width: now ? 2 : 1, dash: marked ? [] : [7, 5], closed: true });
  const screen = screenCorners(ctx);
  if (screen && pen.frame === 0) pen.line(screen, { colour: INK.screen, width: now ? 2 : 1, closed: true });
}

function corners([left, top, right, bottom]) {
  return rectangle([left, top], [right, bottom]);
}

// What lies outside is dimmed, so that a side that is off is seen at once.
function shade(pen, outline, { width_px: width, height_px: height }) {
  const path = new Path2D();
  for (const points of [corners([-0.5, -0.5, width - 0.5, height - 0.5]), outline]) {
    points.map(pen.toBox).forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
    path.closePath();
  }
  pen.ctx.fillStyle = "rgba(0, 0, 0, 0.45)";
  pen.ctx.fill(path, "evenodd");
}
