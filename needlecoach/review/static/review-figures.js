// The figures of one attempt in words, each with its meaning and uncertainty on demand.

import { make } from "./review-parts.js";
import { showAdvice, showChecks, showCore, showEarlier } from "./review-teaching.js";

/** Show an attempt's verdict, advice and figures; what was open stays open. `goTo(frame)` shows a moment. */
export function showFigures(host, attempt, { goTo, evidenceWords }) {
  const open = new Set([...host.querySelectorAll("details[open]")].map((one) => one.dataset.name));
  host.replaceChildren();
  const headline = make(host, "p", "headline");
  if (attempt.outcome) make(headline, "span", `outcome ${attempt.outcome}`, attempt.outcome);
  if (attempt.outcome_was) make(headline, "span", "was", `corrected, was ${attempt.outcome_was}`);
  headline.append(attempt.headline);
  if (attempt.headline_was) make(host, "p", "was", `Corrected; the headline was: ${attempt.headline_was}`);
  if (attempt.cut_off) make(host, "p", "small", "The recording ends while the needle is in: what came later is not known.");
  showAdvice(host, attempt, goTo);
  showCore(host, attempt);
  const keys = attempt.figures.filter((one) => one.key && (one.text !== "–" || wasKnown(one))).sort((p, q) => p.key - q.key);
  const others = attempt.figures.filter((one) => !keys.includes(one));
  for (const one of keys) figure(host, one, open, true);
  showChecks(host, attempt);
  showEarlier(host, attempt);
  if (others.length) showOthers(host, others, open);
  for (const part of host.querySelectorAll("details.more")) part.open = open.has(part.dataset.name);
  make(host, "p", "small", "± is one standard uncertainty: about two of three such values lie within it of the true one. A dash means not known, or not applicable.");
  make(host, "p", "small", evidenceWords);
}

function showOthers(host, others, open) {
  const more = make(host, "details", "more");
  more.dataset.name = "more";
  const changed = others.filter((one) => one.corrected).length;
  make(more, "summary", "", `All other figures${changed ? ` (${changed} corrected)` : ""}`);
  for (const one of others) figure(more, one, open);
}

// What a correction made unknown stays in sight, with what it was.
const wasKnown = (one) => one.corrected && !["", "not known", "no such attempt"].includes(one.was);

// A key figure tells its grade of evidence without being opened.
function figure(parent, one, open, graded = false) {
  const details = make(parent, "details", "figure");
  details.dataset.name = one.name;
  details.open = open.has(one.name);
  const summary = make(details, "summary");
  make(summary, "span", "name", one.title);
  summary.append(" ");
  make(summary, "strong", "", one.text);
  if (one.condition) {
    summary.append(" ");
    make(summary, "span", "condition", one.condition);
  }
  if (graded && one.grade) {
    summary.append(" ");
    make(make(summary, "span", "grade"), "span", "away", "Evidence: ").after(one.grade);
  }
  if (one.corrected) {
    summary.append(" ");
    make(summary, "span", "was", `corrected, was ${one.was}`);
  }
  make(details, "p", "", `${one.meaning} ${one.sd_text} ${one.evidence ? `Evidence: ${one.evidence}.` : ""}`.trim());
}

/** How many figures of all attempts differ between two results. */
export function countChanged(former, now) {
  const texts = (data) => new Map(data.attempts.flatMap((one) => one.figures.map((each) => [`${one.number} ${each.name}`, each.text])));
  const [before, after] = [texts(former), texts(now)];
  return [...new Set([...before.keys(), ...after.keys()])].filter((name) => before.get(name) !== after.get(name)).length;
}
