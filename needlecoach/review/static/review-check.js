// Whether page data holds all that this page draws from; a file that something else wrote or cut short may not.

const OF_FRAMES = ["present", "visible", "tip_px", "entry_px", "target_px", "target_found", "along_mm", "tip_mm", "band_mm"];

/** True when nothing that the page needs is absent. */
export function isWhole(data) {
  return isResult(data) && isScale(data.scale) && isList(data.outline_px) && isList(data.corrections) &&
    (data.target === null || (isList(data.target?.outline_px) && isList(data.target.centre_px))) &&
    (data.strip === null || (isNumber(data.strip?.step_mm) && isNumber(data.strip.samples) && isNumber(data.strip.first))) &&
    (data.core === null || (isList(data.frames.notch_near_px) && isList(data.frames.notch_far_px))) && (!data.raw || isResult(data.raw));
}

const isList = Array.isArray;
const isNumber = Number.isFinite;
const isScale = (scale) => isNumber(scale?.x_mm_per_px) && typeof scale.words === "string";

function isResult(data) {
  const n = data?.frames?.time_s?.length;
  return isNumber(n) && OF_FRAMES.every((name) => data.frames[name]?.length === n) && isList(data.notes) && isList(data.attempts) && data.attempts.every(isAttempt);
}

function isAttempt(one) {
  return [one?.number, one?.first, one?.last].every(isNumber) && typeof one.headline === "string" && isList(one.passes) && isList(one.figures) &&
    isList(one.advice) && isList(one.checks) && isList(one.core_words) && (one.earlier === null || (isList(one.earlier?.rows) && isList(one.earlier.notes))) &&
    (one.core === null || (isList(one.core?.boxes) && isList(one.core.spots))) &&
    one.figures.every((figure) => typeof figure?.name === "string" && typeof figure.text === "string");
}
