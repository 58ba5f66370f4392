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
  return { done: () => false, said: () => (missing(ctx).length ? "not everything is marked" : "ready"), render: () => render(ctx), handles: () => [] };
}

function missing(ctx) {
  // A clip is scored without a code too; what it needs are the other three, and the picture can be found again.
  return ["scale", "target"].filter((name) => !ctx.steps[name].done());
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
}

async function score(ctx) {
  const button = byId("score");
  button.disabled = true;
  say("");
  try {
    if (!(await ctx.saver.flush())) throw new Error("the marks are not saved yet; see above.");
    show("score-run", true);
    byId("score-bar").removeAttribute("value");
    await api.follow(await api.post("score", {}), ({ what, share }) => {
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
