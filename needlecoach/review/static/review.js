// The review page: look at a result beside its recording, put it right, have it computed again.

import * as api from "./api.js";
import { keepAsFile } from "./keep.js";
import { createStage } from "./stage.js";
import { Reading } from "./drawing-parts.js";
import { plan } from "./drawing-plan.js";
import { shaftStrip, stripLegend } from "./drawing-strip.js";
import { isWhole } from "./review-check.js";
import { overlay } from "./review-overlay.js";
import { Corrections, WORDS } from "./review-corrections.js";
import { codeTyped, dropPending, here, hiddenHere, joinAttempts, joinPasses, keepPending, noFault, showHandle, tipHere, toggleMoving, turn } from "./review-correct.js";
import { attemptAt, byId, page, placedAt, say, shownData, tellProblem, tipAt } from "./review-state.js";
import { countChanged, showFigures } from "./review-figures.js";
import { make } from "./review-parts.js";
import { catchUp, waitForVideo } from "./review-wait.js";

const MARGIN_S = 0.6, LONG_S = 40;
const SPOILT = "This result is spoilt; score the clip again.";
const TOGGLES = { s: "shaft", t: "tip", g: "target", b: "scale" };

const corrections = (page.corrections = new Corrections({ said: say, changed: showCorrections, scored: rescored, taken }));

async function start() {
  page.clip = await api.get("clip");
  showClip();
  page.stage = createStage(byId("stage"), { clip: page.clip, frameUrl: api.frameUrl });
  page.stage.addLayer(overlay(() => ({ data: shownData(), shown: page.shown, placed: placedAt(page.stage.frame) })));
  listen();
  waitForVideo();
  await loadResult();
  const answer = await loadCorrections();
  zoomToPicture();
  await page.stage.goTo(startFrame());
  document.body.dataset.ready = "yes";
  if (answer) await catchUp(renewed, answer);
}

// Without its corrections a result can still be looked at.
async function loadCorrections() {
  try {
    const answer = await api.get("corrections");
    corrections.take(answer);
    return answer;
  } catch (problem) {
    block(`Nothing can be put right here: ${problem.message}`);
    return null;
  }
}

function block(words) {
  page.blocked = words;
  byId("correcting").querySelectorAll("button, input").forEach((one) => (one.disabled = true));
  say(words, { problem: true });
}

// The ultrasound picture fills the box where there is room to; a phone's page must scroll by it, and shows the whole.
function zoomToPicture() {
  const { stage } = page, xs = page.data.outline_px.map(([x]) => x), ys = page.data.outline_px.map(([, y]) => y);
  if (window.innerWidth < 1024 || !xs.length) return;
  const [left, right, top, bottom] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const { scale, box } = stage.view;
  stage.zoomBy(Math.min(box[0] / (right - left), box[1] / (bottom - top)) * 0.96 / scale);
  stage.view.centre([(left + right) / 2, (top + bottom) / 2]);
  stage.zoomBy(1);
}

function startFrame() {
  const attempt = shownData().attempts[page.chosen];
  return attempt ? (attempt.core?.frame ?? attempt.closest ?? attempt.deepest ?? attempt.first) : 0;
}

function showClip() {
  byId("clip-name").textContent = page.clip.file;
  document.title = `Review ${page.clip.file} - needlecoach`;
  const seconds = page.clip.times_s.at(-1) - page.clip.times_s[0];
  const facts = [`${page.clip.n_frames} frames, ${seconds.toFixed(1)} s`];
  if (page.clip.learner) facts.unshift(`Learner ${page.clip.learner}`);
  byId("clip-facts").textContent = facts.join(" · ");
  byId("to-mark").hidden = page.clip.pages?.mark === false;
}

/** Get and show the result; what can't be shown leaves the former one in place. */
async function loadResult() {
  const data = await api.get("result"), former = page.data;
  if (!isWhole(data)) throw new Error(SPOILT);
  if (data.strip) data.strip.image = `api/strip.png?v=${++page.versionSeen}`;
  page.data = data;
  if (!former) page.span = defaultSpan();
  page.chosen = Math.max(Math.min(page.chosen, data.attempts.length - 1), 0);
  if (page.span !== null) page.span = Math.min(page.span, data.attempts.length - 1);
  if (page.span === -1) page.span = null;
  showResult();
  return { former, now: data };
}

// A long recording, or a narrow page, begins with one attempt.
function defaultSpan() {
  const reading = new Reading(page.data), long = page.data.frames.time_s.length && reading.time(reading.last) - reading.time(reading.first) > LONG_S;
  return (long || window.innerWidth < 700) && page.data.attempts.length ? 0 : null;
}

function showResult() {
  const data = shownData();
  document.body.classList.toggle("raw", page.raw);
  const words = data.unscorable ? `This clip can’t be scored: ${data.unscorable}` : data.attempts.length ? "" : "No needle was followed in this clip.";
  byId("figures-part").hidden = byId("plan-part").hidden = data.attempts.length === 0;
  tellProblem(words);
  showStrip();
  showAttempt();
  showTrust();
  page.stage.redraw();
}

function frames(span) {
  const reading = new Reading(page.data), attempt = shownData().attempts[span];
  if (span === null || !attempt) return [reading.first, reading.last];
  return [reading.nearest(reading.time(attempt.first) - MARGIN_S), reading.nearest(reading.time(attempt.last) + MARGIN_S)];
}

function showStrip() {
  const data = shownData();
  if (!data.frames.time_s.length) return;
  const [from, to] = frames(page.span);
  page.strip = shaftStrip(byId("strip"), data, { from, to, at: page.stage.frame, onFrame: goTo });
  stripLegend(byId("legend"), data);
  const choice = byId("choice");
  choice.replaceChildren();
  [null, ...data.attempts.keys()].forEach((span) => {
    const button = make(choice, "button", "", span === null ? "Whole clip" : `Attempt ${span + 1}`);
    button.type = "button";
    button.setAttribute("aria-pressed", String(span === page.span));
    button.addEventListener("click", () => chooseSpan(span));
  });
  choice.hidden = data.attempts.length === 0;
}

function goTo(frame) {
  page.stage.pause();
  page.stage.goTo(frame);
}

function chooseSpan(span) {
  page.span = span;
  const first = frames(span)[0], last = frames(span)[1];
  if (span !== null) page.chosen = span;
  if (page.stage.frame < first || page.stage.frame > last) page.stage.goTo(span === null ? page.stage.frame : startFrame());
  page.strip.show(first, last);
  byId("choice").querySelectorAll("button").forEach((one, i) => one.setAttribute("aria-pressed", String(i === (span === null ? 0 : span + 1))));
  page.strip.setFrame(page.stage.frame);
  showAttempt();
}

function showAttempt() {
  const data = shownData(), attempt = data.attempts[page.chosen], host = byId("attempts");
  if (!attempt) return;
  host.hidden = data.attempts.length < 2;
  host.replaceChildren();
  data.attempts.forEach((one, i) => {
    const button = make(host, "button", "", `Attempt ${one.number}`);
    button.type = "button";
    button.setAttribute("aria-pressed", String(i === page.chosen));
    button.addEventListener("click", () => chooseAttempt(i));
  });
  byId("figures-name").textContent = page.raw ? "Figures without corrections" : "Figures";
  showFigures(byId("figures"), attempt, { goTo, evidenceWords: data.evidence_words });
  byId("plan-core").hidden = !attempt.core;
  page.flat = plan(byId("plan"), data, attempt);
  page.flat.setFrame(page.stage.frame);
}

function chooseAttempt(i) {
  page.chosen = i;
  if (page.span !== null) chooseSpan(i);
  else showAttempt();
  page.stage.goTo(startFrame());
  byId("attempts").querySelectorAll("button")[i]?.focus();
}

function showTrust() {
  const data = shownData(), host = byId("trust");
  host.replaceChildren();
  if (data.confidence_words) make(host, "p", "", `Confidence: ${data.confidence_words}.`);
  make(host, "p", "small", `Scale: ${data.scale.words}.`);
  make(host, "p", "small", "Only what lies in the plane of the picture is measured. The tip that shows may lie up to a few millimetres in front of or behind that plane.");
  const list = make(host, "ul", "small");
  for (const note of data.notes) make(list, "li", "", note);
  list.hidden = !data.notes.length;
}

// ---- the moment shown

function showFrame(n) {
  if (page.pending && page.pendingFrame !== n) keepPending();
  page.strip?.setFrame(n);
  page.flat?.setFrame(n);
  const attempt = attemptAt(n);
  if (attempt && page.span === null && attempt.number - 1 !== page.chosen) {
    page.chosen = attempt.number - 1;
    showAttempt();
  }
  showNow();
  showHandle();
}

function showNow() {
  const data = shownData(), n = page.stage.frame;
  if (!data || !data.frames.time_s.length) return;
  const mine = corrections.at(n).map((one) => WORDS[one.kind].toLowerCase());
  byId("now").textContent = new Reading(data).words(n) + (mine.length && !page.raw ? ` (put right: ${mine.join(", ")})` : "");
  const attempt = attemptAt(n), passes = attempt?.passes ?? [], inPass = passes.findIndex((one) => n >= one.first && n <= one.last);
  const locked = page.raw || Boolean(page.blocked), off = locked || !data.attempts.length;
  byId("split-attempt").disabled = off || !attempt || attempt.first === n;
  byId("join-attempts").disabled = off || !attempt || attempt.number < 2;
  byId("split-pass").disabled = off || !attempt || passes.some((one) => one.first === n);
  byId("join-passes").disabled = off || inPass < 1;
  byId("join-attempts").textContent = attempt?.number > 1 ? `Join attempts ${attempt.number - 1} and ${attempt.number}` : "Join attempts";
  byId("join-passes").textContent = inPass > 0 ? `Join passes ${inPass} and ${inPass + 1}` : "Join passes";
  byId("tip-visible").disabled = locked || !tipAt(n);
  byId("move-tip").disabled = byId("tip-hidden").disabled = byId("no-needle").disabled = locked;
}

async function rescored() {
  const count = await renew();
  say(`Done: ${count === 0 ? "no figure changed" : count === 1 ? "1 figure changed" : `${count} figures changed`}. ${corrections.note}`.trim());
  catchUp(renewed).catch(tellFault);
}

/** Get the result again; how many figures it changed. */
async function renew() {
  const { former, now } = await loadResult();
  showNow();
  showHandle();
  return countChanged(former, now);
}

/** The same, after the server worked in on its own what was saved before. */
async function renewed(words = "") {
  const count = await renew();
  if (count && !words && !corrections.busy) say(`Saved corrections are in the figures now: ${count === 1 ? "1 figure" : `${count} figures`} changed.`);
}

/** Another page's corrections stand in place of ours, and its figures with them. */
async function taken(words) {
  say(words, { problem: true });
  await renew().then(() => catchUp(() => renewed(words), null, words)).catch(tellFault);
}

const tellFault = (problem) => tellProblem(problem instanceof api.ApiError ? problem.message : SPOILT);

function showCorrections() {
  const host = byId("corrections"), { list } = corrections;
  byId("corrections-part").hidden = list.length === 0;
  host.replaceChildren();
  for (const one of [...list].reverse()) {
    const item = make(host, "li"), goto = make(item, "button", "quiet goto", `${WORDS[one.kind]}, frame ${one.frame}`);
    const seen = one.kind === "tip" && one.visible === false ? "not visible, " : "";
    make(item, "p", "small", `${seen}${one.by === null ? "waits for your code" : `by ${one.by || "no code"}`}, ${(one.at ?? "").replace("T", " ").replace("Z", " UTC")}`);
    const remove = make(item, "button", "delete", "Delete");
    goto.type = remove.type = "button";
    remove.setAttribute("aria-label", `Delete: ${WORDS[one.kind]}, frame ${one.frame}`);
    goto.addEventListener("click", () => page.stage.goTo(one.frame));
    remove.addEventListener("click", () => { corrections.remove(one); if (!corrections.waiting) noFault(); byId("state").scrollIntoView({ block: "nearest" }); });
  }
  if (!list.length && page.raw) setRaw(false);
  byId("show-raw").disabled = corrections.busy;
  byId("undo").disabled = !corrections.canUndo;
  byId("redo").disabled = !corrections.canRedo;
  byId("unsaved").hidden = !corrections.failed;
  byId("keep").hidden = !corrections.unsaved;
  if (page.stage) showNow();
}

function setRaw(raw) {
  if (raw && !page.data?.raw) return;
  page.raw = byId("show-raw").checked = raw;
  page.chosen = Math.max(Math.min(page.chosen, shownData().attempts.length - 1), 0);
  if (page.span !== null) page.span = page.chosen;
  showResult();
  showNow();
  showHandle();
}

// ---- words, keys

function listen() {
  const { stage } = page;
  stage.on("frame", showFrame);
  stage.on("play", showHandle);
  stage.on("problem", (words) => tellProblem(words, "frames"));
  api.onServer((gone) => tellProblem(gone ? "needlecoach does not answer: was it ended in its terminal? What was saved is saved." : "", "server"));
  const does = {
    "move-tip": toggleMoving, "tip-visible": tipHere, "tip-hidden": hiddenHere, "no-needle": () => here("no needle"),
    "split-attempt": () => here("split attempt"), "join-attempts": joinAttempts, "split-pass": () => here("split pass"), "join-passes": joinPasses,
    "undo": () => turn("undo"), "redo": () => turn("redo"), "again": () => corrections.again(), "keep": keep, "help-open": () => byId("help").showModal(),
  };
  for (const [id, act] of Object.entries(does)) byId(id).addEventListener("click", act);
  for (const name of Object.values(TOGGLES)) byId(`show-${name}`).addEventListener("change", (event) => toggle(name, event.target.checked));
  byId("show-raw").addEventListener("change", (event) => setRaw(event.target.checked));
  byId("code").value = corrections.code;
  byId("code").addEventListener("change", codeTyped);
  byId("code").addEventListener("keydown", (event) => event.key === "Enter" && codeTyped());
  document.addEventListener("keydown", (event) => keyed(event));
  window.addEventListener("beforeunload", (event) => (corrections.unsaved || page.pending) && event.preventDefault());
}

// What waits for a code is nobody's yet, and no file may hold it.
function keep() {
  keepAsFile(`${page.clip.name}.corrections.json`, { schema: 1, clip_sha256: page.data.clip.sha256, corrections: corrections.list.filter((one) => one.by !== null) });
}

function toggle(name, on) {
  page.shown[name] = byId(`show-${name}`).checked = on;
  showHandle();
  page.stage.redraw();
}

function keyed(event) {
  if (event.target.closest('input:not([type="checkbox"], [type="range"]), textarea, select, dialog')) return;
  if (page.pending && (event.key === "Enter" || event.key === "Escape")) {
    event.preventDefault();
    return event.key === "Enter" ? keepPending() : dropPending();
  }
  if (event.key === "Escape" && page.stage.tool) return page.stage.tool.cancel();
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
    event.preventDefault();
    return turn(event.shiftKey ? "redo" : "undo");
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  // What is typed now is meant for the field, wherever the focus has gone.
  if (corrections.waiting && event.key.length === 1 && event.key !== " ") return byId("code").focus();
  const key = event.key.toLowerCase(), last = (shownData()?.attempts.length ?? 0) - 1;
  const own = { m: toggleMoving, v: tipHere, h: hiddenHere, n: () => here("no needle"), r: () => setRaw(!page.raw),
    "[": () => page.chosen > 0 && chooseAttempt(page.chosen - 1), "]": () => page.chosen < last && chooseAttempt(page.chosen + 1), "?": () => byId("help").showModal() };
  if (TOGGLES[key]) return toggle(TOGGLES[key], !page.shown[TOGGLES[key]]);
  if (own[key] && shownData()) return own[key]();
  const typed = event.target.closest("button, summary, a, input") && (event.key === " " || event.key === "Enter");
  if (!typed && !(event.target.matches?.('input[type="range"]') && /Arrow|Home|End|Page/.test(event.key))) page.stage.keys(event);
}

start().catch((problem) => {
  tellFault(problem);
  if (page.data) return;
  byId("correcting").querySelectorAll("button, input").forEach((one) => (one.disabled = true));
  for (const id of ["figures-part", "plan-part", "trust-part"]) byId(id).hidden = true;
  document.body.dataset.ready = "no";
});
