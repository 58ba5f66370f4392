// Step 5: what is still missing, and the scoring itself.

import * as api from "./api.js";
import { byId, on, show } from "./mark-parts.js";

const NEEDED = [
  ["picture", "Picture"],
  ["scale", "Scale"],
  ["target", "Target"],
  ["details", "Details"],
];

export function scoreStep(ctx) {
  on("score", () => score(ctx));
  return { done: () => false, said: () => said(ctx), render: () => render(ctx), handles: () => [] };
}

function said(ctx) {
  if (faulty(ctx)) return "wants the details mended";
  if (lacking(ctx)) return `wants the needle’s ${lacking(ctx)}`;
  if (!ctx.steps.scale.done()) return "wants a scale";
  return ctx.steps.target.done() ? "ready" : "ready, but for the target";
}

// A core needle samples from behind its point, so its own measures are needed.
function lacking({ store: { marks } }) {
  if (marks.task !== "core") return "";
  const wanted = [["dead_space_mm", "dead space"], ["notch_mm", "notch"]].filter(([key]) => marks[key] === undefined || marks[key] === null);
  return wanted.map(([, words]) => words).join(" and ");
}

// A detail that can't be is not sent, so the scoring would go without it; a core needle's are nothing to an aspirate.
function faulty({ store: { marks } }) {
  const fields = [...document.querySelectorAll('#body-details [aria-invalid="true"]')];
  return fields.some((field) => marks.task === "core" || !field.closest("[data-core]"));
}

function render(ctx) {
  const rows = NEEDED.map(([name, title]) => {
    const row = document.createElement("li");
    const done = ctx.steps[name].done();
    row.className = done ? "done" : "open";
    row.textContent = `${title}: ${ctx.steps[name].said()}`;
    return row;
  });
  byId("score-list").replaceChildren(...rows);
  byId("score").textContent = ctx.store.marks.target ? "Score this clip" : "Score without a target";
  byId("score-hint").textContent = hint(ctx);
}

function hint(ctx) {
  if (faulty(ctx)) return "What is told at a field among the details is not taken over: mend it there, or empty the field.";
  if (lacking(ctx)) return `A core needle samples from behind its point: give its ${lacking(ctx)} among the details.`;
  return ctx.store.marks.target ? "" : "Without a target nothing is called hit or miss; what needs no target is still measured.";
}

async function score(ctx) {
  const button = byId("score");
  button.disabled = true;
  say("");
  try {
    if (!(await ctx.saver.flush())) throw new Error("the marks are not saved yet; see above.");
    show("score-run", true);
    byId("score-bar").removeAttribute("value");
    await api.follow(await api.post("score", ctx.store.marks.target ? {} : { no_target: true }), ({ what, share }) => {
      byId("score-what").textContent = what || "Scoring";
      if (share > 0) byId("score-bar").value = share;
    });
    say("Scored; opening the review.");
    window.location.assign("review");
  } catch (fault) {
    say(`Not scored: ${fault.message}`, "problem");
  } finally {
    button.disabled = false;
    show("score-run", false);
  }
}

function say(words, kind = "") {
  const place = byId("score-words");
  place.textContent = words;
  place.className = words ? `words ${kind}`.trim() : "";
}
