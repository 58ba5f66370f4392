// What the sound runs through, by which depths are corrected: half an answer is told at its field and not sent.

import { byId, fill, numberIn, rangeFault, tellFault } from "./mark-parts.js";

const FIELDS = {
  temperature_c: { of: ["water", "gel"], limits: { water: [0, 95], gel: [0, 40] }, unit: "°C" },
  speed_m_s: { of: ["custom"], limits: { custom: [900, 2500] }, unit: "m/s" },
};
// Water's sound changes by some 3 m/s with each degree, a speed of its own must be said; a gel's is taken as usual.
const NEEDED = { water: "temperature_c", custom: "speed_m_s" };

export function mediumFields(ctx) {
  byId("medium").addEventListener("change", () => take(ctx));
  for (const id of Object.keys(FIELDS)) byId(id).addEventListener("input", () => take(ctx));
}

function take(ctx) {
  const kind = byId("medium").value;
  showFields(kind);
  const medium = { kind };
  let whole = true;
  for (const [id, { of, limits, unit }] of Object.entries(FIELDS)) {
    if (!of.includes(kind)) continue;
    const text = byId(id).value.trim();
    let fault = rangeFault(text, limits[kind], unit);
    if (text === "" && NEEDED[kind] === id) fault = "Without it depths stay as the scanner shows them.";
    tellFault(byId(id), byId(`${id}-fault`), fault);
    if (fault) whole = false;
    else if (text !== "") medium[id] = numberIn(text);
  }
  ctx.store.update({ medium: kind && whole ? medium : undefined }, "medium");
}

function showFields(kind) {
  for (const [id, { of }] of Object.entries(FIELDS)) byId(id).closest(".field").hidden = !of.includes(kind);
}

/** Show what is marked, unless half an answer stands in the fields. */
export function renderMedium({ medium }) {
  const half = Object.keys(FIELDS).some((id) => byId(id).getAttribute("aria-invalid") === "true");
  if (!medium && half && byId("medium").value) return;
  const kind = medium?.kind ?? (medium ? "custom" : "");
  byId("medium").value = kind;
  for (const id of Object.keys(FIELDS)) fill(byId(id), medium?.[id]);
  showFields(kind);
}
