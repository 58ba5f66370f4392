// Step 4: what is known of learner, needle, target and phantom. What can't be is told at the field and not sent.

import { blockFields, renderBlock } from "./mark-block.js";
import { mediumFields, renderMedium } from "./mark-medium.js";
import { byId, digits, fill, numberIn, rangeFault } from "./mark-parts.js";
import { markedMm } from "./mark-target.js";

// A code, never a name: a digit must be in a learner's.
const LEARNER = /^(?=.*\d)[\p{L}\p{N}_][\p{L}\p{N}_.-]{0,15}$/u;
const PHANTOM = /^[\p{L}\p{N}_][\p{L}\p{N}_.-]{0,15}$/u;
// From here on the marked size is told to differ from the true one.
const SIZE_SHARE = 0.1;

const FIELDS = {
  learner: { fault: (text) => (LEARNER.test(text) ? "" : "A code of up to 16 letters, digits, - _ or . with a digit in it, such as L01; no name.") },
  task: {},
  needle_gauge: { limits: [1, 40], unit: "gauge", whole: true },
  needle_length_mm: { limits: [10, 500], unit: "mm" },
  dead_space_mm: { limits: [0, 20], unit: "mm" },
  throw_mm: { limits: [2, 60], unit: "mm", fault: throwFault, pair: "notch_mm" },
  notch_mm: { limits: [2, 60], unit: "mm", fault: notchFault, pair: "throw_mm" },
  target_name: { ofTarget: "name" },
  target_kind: { ofTarget: "kind", choice: true },
  true_mm: { limits: [0.5, 300], unit: "mm", ofTarget: "true_mm" },
  phantom: { fault: (text) => (PHANTOM.test(text) ? "" : "A code of up to 16 letters, digits, - _ or ., such as G3.") },
  block: { fault: (text) => (PHANTOM.test(text) ? "" : "A code of up to 16 letters, digits, - _ or ., such as G3.") },
  date: {},
  notes: { long: true },
};

export function detailsStep(ctx) {
  for (const [id, field] of Object.entries(FIELDS)) {
    const element = byId(id);
    if (id !== "task" && !field.choice && !field.long) addFaultPlace(element);
    element.addEventListener("input", () => typed(ctx, id));
  }
  mediumFields(ctx);
  blockFields(ctx);
  return {
    done: () => Boolean(ctx.store.marks.learner),
    said: () => said(ctx.store.marks),
    render: () => render(ctx),
    handles: () => [],
  };
}

function addFaultPlace(element) {
  const place = document.createElement("p");
  place.id = `${element.id}-fault`;
  place.className = "fault";
  place.setAttribute("role", "status");
  element.setAttribute("aria-describedby", place.id);
  element.after(place);
}

function said({ learner, task, needle_gauge: gauge }) {
  const parts = [learner ?? "no learner’s code", task === "core" ? "core sample" : "aspiration"];
  if (gauge) parts.push(`${gauge} gauge`);
  return parts.join(", ");
}

function valueIn(marks, id) {
  const { ofTarget } = FIELDS[id];
  return ofTarget ? marks.target?.[ofTarget] : marks[id];
}

// Of two fields that must fit each other, mending one mends the other; what can't be is told at step 5 too.
function typed(ctx, id) {
  const pair = FIELDS[id].pair && byId(FIELDS[id].pair);
  const wrong = pair && pair.getAttribute("aria-invalid") === "true" ? pair.value : "";
  take(ctx, id);
  if (wrong) {
    pair.value = wrong; // What was taken may have put back what was marked before.
    take(ctx, pair.id);
  }
  ctx.refreshScore();
}

function take(ctx, id) {
  const element = byId(id);
  const field = FIELDS[id];
  const text = field.long ? element.value : element.value.trim();
  const fault = text === "" ? "" : faultOf(field, text);
  const place = byId(`${id}-fault`);
  if (place) place.textContent = fault;
  if (fault) element.setAttribute("aria-invalid", "true");
  else element.removeAttribute("aria-invalid");
  if (fault) return;
  const value = text === "" ? undefined : field.limits ? numberIn(text) : text;
  if (field.ofTarget) ctx.putTarget({ [field.ofTarget]: value }, id);
  else ctx.store.update({ [id]: value }, id);
}

function faultOf(field, text) {
  const wide = field.limits ? rangeFault(text, field.limits, field.unit) : "";
  if (wide) return wide;
  if (field.whole && !Number.isInteger(numberIn(text))) return "A whole number is wanted.";
  return field.fault?.(text) ?? "";
}

function notchFault(text) {
  const throwMm = numberIn(byId("throw_mm").value);
  return throwMm < numberIn(text) ? "The notch can’t be longer than the throw." : "";
}

function throwFault(text) {
  const notchMm = numberIn(byId("notch_mm").value);
  return numberIn(text) < notchMm ? "The throw can’t be shorter than the notch." : "";
}

function render(ctx) {
  const { marks } = ctx.store;
  for (const id of Object.keys(FIELDS)) {
    if (id === "task") byId(id).value = marks.task ?? "aspirate";
    else fill(byId(id), valueIn(marks, id));
  }
  renderMedium(marks);
  renderBlock(ctx);
  for (const element of document.querySelectorAll("[data-core]")) element.hidden = marks.task !== "core";
  for (const id of ["target_name", "target_kind", "true_mm"]) setOff(byId(id), !marks.target);
  byId("size-words").textContent = sizeWords(ctx);
}

function setOff(field, off) {
  field.disabled = off;
  if ("placeholder" in field) field.placeholder = off ? "mark it first" : "";
}

function sizeWords({ store, proposal }) {
  const trueMm = store.marks.target?.true_mm;
  const marked = markedMm(store, proposal);
  if (!trueMm || !marked) return "";
  const share = marked / trueMm - 1;
  if (Math.abs(share) <= SIZE_SHARE) return "";
  return (
    `The marked target is ${marked.toFixed(1)} mm across, ${Math.round(Math.abs(share) * 100)} % ${share > 0 ? "more" : "less"} ` +
    `than its true ${digits(trueMm)} mm. Look at scale and outline again.`
  );
}
