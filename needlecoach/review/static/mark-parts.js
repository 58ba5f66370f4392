// Small things that all steps use: elements, numbers as people type them, and words for numbers.

export const byId = (id) => document.getElementById(id);

export function on(id, does) {
  byId(id).addEventListener("click", does);
}

export function show(id, shown) {
  byId(id).hidden = !shown;
}

/** Number as typed, with a point or a comma; NaN for anything else. */
export function numberIn(text) {
  const typed = text.trim().replace(",", ".");
  return /^\d*\.?\d+$|^\d+\.$/.test(typed) ? Number(typed) : NaN;
}

/** Words for what is wrong with a number; empty when it is within its limits, or nothing was typed. */
export function rangeFault(text, [least, most], unit) {
  if (text.trim() === "") return "";
  const value = numberIn(text);
  if (value >= least && value <= most) return "";
  return `${Number.isNaN(value) ? "Give a number" : "This must be"} from ${least} to ${most} ${unit}`.trimEnd() + ".";
}

/** Number with so many digits that matter, without trailing zeros. */
export function digits(value, n = 3) {
  return String(Number(value.toPrecision(n)));
}

/** Put a value into a field unless it already says so, or holds what is wrong and yet to be mended. */
export function fill(field, value) {
  const text = value === undefined || value === null ? "" : String(value);
  if (text === "" && field.getAttribute("aria-invalid") === "true") return;
  if (field.value === text || (text !== "" && numberIn(field.value) === Number(text))) return;
  field.value = text;
  const place = byId(field.getAttribute("aria-describedby") ?? "");
  if (place) tellFault(field, place, "");
}

export function tellFault(field, place, words) {
  place.textContent = words;
  if (words) field.setAttribute("aria-invalid", "true");
  else field.removeAttribute("aria-invalid");
}
