// The marking page: one clip, five steps, saved as it goes.

import * as api from "./api.js";
import { keepAsFile } from "./keep.js";
import { createStage } from "./stage.js";
import { Store } from "./mark-state.js";
import { Saver } from "./mark-save.js";
import { byId, on } from "./mark-parts.js";
import { pictureStep } from "./mark-picture.js";
import { scaleStep } from "./mark-scale.js";
import { targetStep } from "./mark-target.js";
import { detailsStep } from "./mark-details.js";
import { scoreStep } from "./mark-score.js";

const ORDER = ["picture", "scale", "target", "details", "score"];
const VIDEO_LOOK_MS = 1500;
// Undoing belongs to the field while one of these is being typed in.
const TYPED = 'input:not([type="range"], [type="checkbox"], [type="radio"]), textarea, select';

async function start() {
  const [clip, saved, known] = await Promise.all([api.get("clip"), api.get("marks"), api.get("blocks")]);
  const stage = createStage(byId("stage"), { clip, frameUrl: api.frameUrl });
  const store = new Store(saved.marks ?? { schema: 1 });
  const ctx = { clip, stage, store, known, proposal: null, proposalFault: null, step: null, say: (words) => stage.say(words) };
  ctx.refresh = () => refresh(ctx);
  ctx.refreshScore = () => tellStep(ctx, "score");
  ctx.putTarget = (part, key) => store.update({ target: { ...store.marks.target, ...part } }, key);
  ctx.saver = makeSaver(store, saved.version);
  ctx.steps = {
    picture: pictureStep(ctx),
    scale: scaleStep(ctx),
    target: targetStep(ctx),
    details: detailsStep(ctx),
    score: scoreStep(ctx),
  };
  showClip(clip);
  keepClear();
  listen(ctx);
  open(ctx, "picture");
  await stage.goTo(store.marks.target?.frame ?? 0);
  // Who gave a block with the command has said which one was pricked.
  if (known.given && !store.marks.block) store.update({ block: known.given });
  tellProblem("blocks", known.faults.join(" "));
  document.body.dataset.ready = "yes";
  await Promise.all([propose(ctx), waitForVideo(stage, clip)]);
}

// Where the picture stays in sight, what gets the focus must not come to lie under it.
function keepClear() {
  const place = byId("clip");
  new ResizeObserver(() => {
    const covers = getComputedStyle(place).zIndex !== "auto";
    document.documentElement.style.scrollPaddingTop = covers ? `${place.offsetHeight + 8}px` : "";
  }).observe(place);
}

function showClip(clip) {
  byId("to-review").hidden = !clip.pages.review;
  byId("to-live").hidden = !clip.pages.live;
  document.body.classList.toggle("for-live", Boolean(clip.pages.live));
  byId("clip-name").textContent = clip.file;
  document.title = `Mark ${clip.file} - needlecoach`;
  const seconds = clip.times_s.at(-1) - clip.times_s[0];
  byId("clip-facts").textContent = `${clip.width_px} × ${clip.height_px} px, ${clip.n_frames} frames, ${seconds.toFixed(1)} s`;
}

function makeSaver(store, version) {
  return new Saver(store, {
    version,
    put: (marks, seen) => api.put("marks", { marks, version: seen }),
    said: (words, kind, fault) => {
      byId("saved").textContent = words;
      byId("saved").dataset.kind = kind;
      if (kind !== "waiting") tellProblem("saving", fault ? `Can’t be saved: ${fault.message.replace(/^Not saved: /, "")}` : "");
      // What can't stand in a file is mended here; whatever else keeps it from being written, the marks can be taken out of the page.
      byId("keep").hidden = !fault || fault.status === 422;
    },
    conflict: (answer) => askWhose(answer),
  });
}

let settle = null;

function askWhose(answer) {
  byId("conflict-words").textContent =
    "Another page or program has saved other marks for this clip meanwhile. Nothing of yours is lost as long as this page stays open.";
  byId("conflict").hidden = false;
  settle = (saver, takeTheirs) => {
    byId("conflict").hidden = true;
    saver.settle(answer, takeTheirs);
  };
}

function listen(ctx) {
  const { store, stage, saver } = ctx;
  let screen = JSON.stringify(store.marks.screen_px);
  store.subscribe((marks) => {
    refresh(ctx);
    const now = JSON.stringify(marks.screen_px);
    // Only "a camera filmed it" or not changes what the tool finds; corners by hand are the user's.
    if (now !== screen && (now === '"auto"' || now === undefined)) propose(ctx);
    screen = now;
  });
  stage.on("frame", () => {
    refreshHandles(ctx);
    tellProblem("frames", "");
  });
  stage.on("problem", (words) => tellProblem("frames", words));
  on("undo", () => undo(ctx));
  on("redo", () => store.redo());
  on("take-theirs", () => settle(saver, true));
  on("keep-mine", () => settle(saver, false));
  on("help-open", () => byId("help").showModal());
  on("to-live", async () => {
    if (await saver.flush()) window.location.assign(ctx.clip.pages.live);
  });
  on("keep", () => keepAsFile(`${ctx.clip.name}.marks.json`, store.marks));
  for (const name of ORDER) on(`head-${name}`, () => open(ctx, ctx.step === name ? null : name));
  for (const button of document.querySelectorAll("[data-next]")) {
    button.addEventListener("click", () => {
      open(ctx, button.dataset.next);
      byId(`head-${button.dataset.next}`).scrollIntoView({ block: "nearest" });
    });
  }
  document.addEventListener("keydown", (event) => keyed(ctx, event));
  window.addEventListener("beforeunload", (event) => {
    if (saver.unsaved) event.preventDefault();
  });
}

/** Open one step, or none; what was begun in another is given up. */
function open(ctx, name) {
  if (name === "score" && ctx.clip.pages.live) return; // the still of a live picture has no attempt in it
  if (ctx.step !== name) ctx.stage.tool?.cancel();
  ctx.step = name;
  for (const step of ORDER) {
    byId(`body-${step}`).hidden = step !== name;
    byId(`head-${step}`).setAttribute("aria-expanded", String(step === name));
  }
  refresh(ctx);
  if (name) ctx.steps[name].opened?.();
}

function refresh(ctx) {
  for (const name of ORDER) tellStep(ctx, name);
  byId("undo").disabled = !ctx.store.canUndo && !ctx.stage.tool;
  byId("redo").disabled = !ctx.store.canRedo;
  refreshHandles(ctx);
  ctx.stage.redraw();
}

function tellStep(ctx, name) {
  const step = ctx.steps[name];
  step.render();
  byId(`said-${name}`).textContent = step.said();
  byId(`head-${name}`).parentElement.classList.toggle("done", step.done());
}

// What lies on one frame only can be taken hold of only there.
function refreshHandles(ctx) {
  ctx.stage.setHandles(ctx.step && !ctx.stage.tool ? ctx.steps[ctx.step].handles() : []);
  byId("target-go").disabled = (ctx.store.marks.target?.frame ?? 0) === ctx.stage.frame;
}

// While points are placed, the last of them is what is undone first.
function undo(ctx) {
  if (ctx.stage.tool?.back()) return;
  if (ctx.stage.tool) ctx.stage.tool.cancel();
  else ctx.store.undo();
}

function keyed(ctx, event) {
  if (event.defaultPrevented || byId("help").open) return;
  const typing = event.target.matches?.(TYPED);
  if ((event.ctrlKey || event.metaKey) && !typing && event.key.toLowerCase() === "z") {
    event.preventDefault();
    if (event.shiftKey) ctx.store.redo();
    else undo(ctx);
    return;
  }
  if (event.key === "Escape" && ctx.stage.tool) {
    ctx.stage.tool.cancel();
    return;
  }
  if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "?") byId("help").showModal();
  else if (/^[1-5]$/.test(event.key)) open(ctx, ORDER[Number(event.key) - 1]);
  else if (event.key === "e" || event.key === "p") {
    if (ctx.step !== "target") open(ctx, "target");
    ctx.steps.target.key(event.key);
  } else if (!isOwnKey(event)) ctx.stage.keys(event);
}

// Buttons take Space, the scrubber and a choice take their arrows.
function isOwnKey({ target, key }) {
  if (target.matches('button, summary, input[type="checkbox"]')) return key === " " || key === "Enter";
  return target.matches('input[type="range"], input[type="radio"]') && /^(Arrow|Page|Home|End| )/.test(key);
}

async function propose(ctx) {
  const asked = Symbol("asked");
  ctx.asked = asked;
  ctx.proposal = null;
  ctx.proposalFault = null;
  refresh(ctx);
  try {
    const answer = await api.get(ctx.store.marks.screen_px ? "proposal?screen=auto" : "proposal");
    if (ctx.asked === asked) ctx.proposal = answer;
  } catch (fault) {
    if (ctx.asked === asked) ctx.proposalFault = fault.message;
  }
  if (ctx.asked === asked) refresh(ctx);
}

async function waitForVideo(stage, clip) {
  let { video } = clip;
  while (video.state === "preparing") {
    await new Promise((done) => setTimeout(done, VIDEO_LOOK_MS));
    ({ video } = await api.get("clip"));
  }
  if (video.state === "ready") stage.setVideo(api.videoUrl);
}

const problems = new Map();

/** Show what is wrong with one thing, or, by empty words, that it no longer is. */
function tellProblem(about, words) {
  problems.set(about, words);
  const all = [...problems.values()].filter(Boolean).join(" ");
  if (byId("problem-words").textContent !== all) byId("problem-words").textContent = all;
  byId("problem").hidden = !all;
}

start().catch((fault) => {
  tellProblem("start", `The clip can’t be marked here: ${fault.message} Then load this page again.`);
  document.body.dataset.ready = "no";
});
