// Putting right: the tip dragged, placed or moved by keys; what is said of a frame; attempts and passes parted.

import { INK } from "./stage.js";
import { Corrections } from "./review-corrections.js";
import { attemptAt, byId, page, say, shownData, tipAt } from "./review-state.js";

export function showHandle() {
  const at = shownData() ? tipAt(page.stage.frame) : null;
  const handles = !at || page.raw || page.blocked || page.stage.playing || !page.shown.tip || page.stage.tool ? [] : [
    { id: "tip", at, label: "Tip; arrow keys move it, Enter keeps it", shape: "cross", colour: INK.seen, move: (point, phase) => moveTip(point, phase) },
  ];
  page.stage.setHandles(handles);
}
function moveTip(point, phase) {
  if (phase === "start" && !page.pending) page.dragFrom = point;
  page.stage.pause();
  page.pending = inPicture(point);
  page.pendingFrame = page.stage.frame;
  // A press that moves nothing is no correction.
  if (phase === "end" && page.dragFrom && Math.hypot(point[0] - page.dragFrom[0], point[1] - page.dragFrom[1]) < 0.5) dropPending();
  else if (phase === "end") keepPending();
  else if (phase === "key") say("Tip being moved: Enter keeps it, Esc gives up.");
  showHandle();
  page.stage.redraw();
}

const inPicture = ([x, y]) => [Math.min(Math.max(x, 0), page.clip.width_px - 1), Math.min(Math.max(y, 0), page.clip.height_px - 1)];

export function keepPending() {
  const [tip, frame] = [page.pending, page.pendingFrame];
  if (!tip) return;
  correct({ kind: "tip", frame, tip_px: tip.map((one) => Number(one.toFixed(2))), visible: true }, () => { page.pending = null; });
}

export function dropPending() {
  page.pending = page.dragFrom = null;
  say("");
  showHandle();
  page.stage.redraw();
}

// Make a correction; without a code it is kept, and waits for one.
export function correct(one, done = () => {}) {
  if (page.raw || page.blocked) return;
  const code = byId("code").value.trim(), good = Corrections.isCode(code);
  if (good) page.corrections.code = code;
  done();
  page.dragFrom = null;
  page.corrections.add(one, good ? code : null);
  if (!good) askForCode();
  showHandle();
}

export function askForCode() {
  const n = page.corrections.waiting;
  byId("code-fault").textContent = `Give your code first (letters and digits, a digit among them): ${n === 1 ? "the correction is" : `${n} corrections are`} kept until then.`;
  byId("code").setAttribute("aria-invalid", "true");
  byId("code").focus();
}

export function codeTyped() {
  const code = byId("code").value.trim();
  if (!Corrections.isCode(code)) return;
  noFault();
  page.corrections.code = code;
  if (page.corrections.waiting) page.corrections.sign(code);
}

export function noFault() {
  byId("code-fault").textContent = "";
  byId("code").removeAttribute("aria-invalid");
}

/** Go back by one change, or forth again, and to the frame that it was about. */
export function turn(way) {
  if (page.pending) return dropPending();
  if (page.blocked) return;
  const one = page.corrections[way]();
  if (!page.corrections.waiting) noFault();
  if (one && one.frame !== page.stage.frame) page.stage.goTo(one.frame);
  showHandle();
  page.stage.redraw();
}

export const here = (kind) => correct({ kind, frame: page.stage.frame });
export const tipHere = () => {
  const tip = tipAt(page.stage.frame);
  if (tip) correct({ kind: "tip", frame: page.stage.frame, tip_px: tip, visible: true }, () => { page.pending = null; });
};
export const hiddenHere = () => {
  // A tip that was put in place by hand stays there, and is said to be out of sight.
  const placed = page.corrections.at(page.stage.frame).find((one) => one.kind === "tip");
  if (placed) correct({ kind: "tip", frame: placed.frame, tip_px: placed.tip_px, visible: false });
  else here("tip hidden");
};
export const joinAttempts = () => {
  const attempt = attemptAt(page.stage.frame);
  if (attempt?.number > 1) correct({ kind: "join attempts", frame: attempt.first });
};
export const joinPasses = () => {
  const n = page.stage.frame, passes = attemptAt(n)?.passes ?? [], i = passes.findIndex((one) => n >= one.first && n <= one.last);
  if (i > 0) correct({ kind: "join passes", frame: passes[i].first });
};

export function toggleMoving() {
  const { stage } = page;
  if (page.raw || page.blocked) return;
  if (stage.tool) return stage.tool.cancel();
  stage.pause();
  const end = (words = "") => {
    stage.setTool(null);
    byId("move-tip").setAttribute("aria-pressed", "false");
    say(words);
    showHandle();
  };
  stage.setTool({
    place: (point) => {
      page.pending = inPicture(point);
      page.pendingFrame = stage.frame;
      end();
      keepPending();
    },
    cancel: () => end(),
  });
  byId("move-tip").setAttribute("aria-pressed", "true");
  say("Click where the tip is on this frame, or use the arrow keys and Enter. Esc gives up.");
  showHandle();
  stage.focus();
}
