// Score cards: of the last attempt, and in short of all of the day.

import { make } from "./review-parts.js";

const OUTCOMES = { hit: "Hit", miss: "Miss", borderline: "Borderline", unscorable: "Can’t be scored" };
const TOLD = {
  checking: ["", "Live result. The recording is being checked with hindsight."],
  done: ["checked", "Checked with hindsight, from the recording."],
  "live only": ["failed", "Live result only; there is none from a recording."],
  forgotten: ["failed", "Forgotten; nothing of it is kept."],
};
const SHORT = { checking: "live, being checked", done: "checked", "live only": "live only", forgotten: "forgotten" };
const NEAREST = "closest_centre_mm";
// A visitor is told how near, and no more.
const FOR_VISITORS = {
  hit: "You hit it!",
  miss: "Not this time: the tip stayed outside.",
  borderline: "So close: the tip was at the very edge.",
  unscorable: "This try can’t be judged.",
};

export function showCard(host, card, visitor) {
  host.replaceChildren();
  if (!card) return;
  if (visitor?.nickname) make(host, "p", "nick", visitor.nickname);
  outcomeOf(make(host, "p"), card);
  if (visitor) forVisitor(host, card);
  else if (card.outcome_text !== wordOf(card)) make(host, "p", "headline", card.outcome_text);
  const [kind, words] = TOLD[card.fate] ?? ["", ""];
  if (!visitor) make(host, "p", `how ${kind}`, words);
  if (card.differences.length) {
    const list = make(host, "ul", "differences");
    for (const one of card.differences) make(list, "li", "", one);
  }
  const figures = make(host, "dl", "figures");
  for (const { title, text } of card.lines) {
    make(figures, "dt", "", title);
    make(figures, "dd", "", text);
  }
  for (const note of card.notes) make(host, "p", "small", note);
  if (card.folder && !visitor) make(host, "p", "small", `Results: ${card.folder}`);
}

export function showHistory(list, cards) {
  list.replaceChildren();
  for (const card of cards) {
    const line = make(list, "li");
    make(line, "span", "", `${card.number}.`);
    const middle = make(line, "span");
    outcomeOf(middle, card);
    make(line, "span", "small", card.at);
    const near = card.lines.find(({ name }) => name === NEAREST) ?? card.lines[0];
    const facts = [near && `${near.title}: ${near.text}`, SHORT[card.fate], card.learner];
    make(line, "span", "small facts", facts.filter(Boolean).join(" · "));
  }
}

function forVisitor(host, card) {
  make(host, "p", "headline", FOR_VISITORS[card.outcome] ?? "");
  const near = card.lines.find(({ name }) => name === NEAREST);
  if (near) make(host, "p", "near", `Nearest to the middle: ${near.text}`);
}

const wordOf = ({ outcome }) => OUTCOMES[outcome] ?? outcome;

function outcomeOf(host, card) {
  make(host, "span", `outcome ${card.outcome}`, wordOf(card));
}
