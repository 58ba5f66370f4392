// What a learner is told beside the figures: advice with its moments, a core sample, a standard, earlier attempts.

import { make } from "./review-parts.js";

/** Advice under the headline; `goTo(frame)` shows the moment that one refers to. */
export function showAdvice(host, attempt, goTo) {
  if (!attempt.advice.length) return;
  make(host, "h3", "", "For next time");
  const list = make(host, "ol", "advice");
  for (const one of attempt.advice) {
    const item = make(list, "li"), happened = make(item, "p", "happened", `${one.happened} `), button = make(happened, "button", "quiet moment", one.moment);
    make(button, "span", "away", ": show it");
    button.type = "button";
    button.addEventListener("click", () => goTo(one.frame));
    const more = make(item, "dl");
    make(more, "dt", "", "Why it matters");
    make(more, "dd", "", one.why);
    make(more, "dt", "", "Try");
    make(more, "dd", "", one.try_next);
  }
}

/** Where a core sample came from, and whether a firing was seen. */
export function showCore(host, attempt) {
  for (const words of attempt.core_words) make(host, "p", "small", words);
}

/** A programme's own criteria: met, not met or can't tell, by word and form. */
export function showChecks(host, attempt) {
  if (!attempt.checks.length) return;
  make(host, "h3", "", "The programme’s own standard");
  for (const [i, words] of (attempt.standard ?? []).entries()) make(host, "p", i ? "small" : "", words);
  const list = make(host, "ul", "checks");
  for (const one of attempt.checks) {
    const item = make(list, "li");
    make(item, "span", `result ${one.result.replace(" ", "-").replace("'", "")}`, one.result.replace("'", "’"));
    item.append(` ${one.words}`);
    if (one.reason) make(item, "span", "small reason", one.reason);
  }
}

/** One's own earlier attempts beside this one. */
export function showEarlier(host, attempt) {
  const { earlier } = attempt;
  if (!earlier) return;
  const part = make(host, "details", "more");
  part.dataset.name = "earlier";
  make(part, "summary", "", "Beside your own earlier attempts");
  make(part, "p", "small", [earlier.words, ...earlier.notes].join(" "));
  const table = make(make(part, "div", "scroll"), "table", "earlier");
  const head = make(make(table, "thead"), "tr"), body = make(table, "tbody");
  for (const name of ["Figure", "This one", "Best before", earlier.last_words]) make(head, "th", "", name).scope = "col";
  for (const row of earlier.rows) {
    const line = make(body, "tr");
    make(line, "th", "", row.title).scope = "row";
    for (const text of [row.this, row.best, row.last.join("; ")]) make(line, "td", "", text);
  }
}
