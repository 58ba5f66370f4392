// What the review page shows at the moment, for all of its parts.

export const byId = (id) => document.getElementById(id);

// pending: a tip being moved on pendingFrame; blocked: why nothing can be put right here, in words, or "";
// chosen: the attempt whose figures are shown; span: the one that the strip shows, null for the whole clip.
export const page = {
  clip: null, stage: null, data: null, raw: false, chosen: 0, span: null, strip: null, flat: null, corrections: null,
  shown: { shaft: true, tip: true, target: true, scale: true }, pending: null, pendingFrame: null, blocked: "", versionSeen: 0,
};

/** The result as shown: the corrected one, or the one without corrections. */
export const shownData = () => (page.raw && page.data?.raw ? { ...page.data, ...page.data.raw, corrections: [] } : page.data);

export const attemptAt = (frame) => shownData()?.attempts.find((one) => frame >= one.first && frame <= one.last) ?? null;

/** A tip put in place by hand on a frame, which the result may not hold yet; null without one. */
export function placedAt(frame) {
  if (page.raw) return null;
  if (page.pending && page.pendingFrame === frame) return { at: page.pending, seen: true };
  const said = page.corrections?.at(frame).find((one) => one.kind === "tip");
  return said ? { at: said.tip_px, seen: said.visible !== false } : null;
}

export const tipAt = (frame) => placedAt(frame)?.at ?? shownData()?.frames.tip_px[frame] ?? null;

export function say(words, { share = null, problem = false } = {}) {
  byId("state").textContent = words;
  byId("state").classList.toggle("problem", problem);
  byId("progress").hidden = share === null;
  if (share) byId("progress").value = share;
  else byId("progress").removeAttribute("value");
}

const problems = new Map();

/** Show what is wrong with one thing, or, by empty words, that it no longer is. */
export function tellProblem(words, about = "result") {
  problems.set(about, words);
  const all = [...problems.values()].filter(Boolean).join(" ");
  if (byId("problem").textContent !== all) byId("problem").textContent = all;
}
