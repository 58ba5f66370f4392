// The block that was pricked, by its file: its targets to choose from, and what marks and file say differently.

import * as api from "./api.js";
import { byId, digits } from "./mark-parts.js";
import { scaleOf } from "./mark-scale.js";

const WAIT_MS = 400;
const CHOOSE = "another, or not said";

export function blockFields(ctx) {
  byId("block-codes").replaceChildren(...ctx.known.blocks.map(({ code }) => optionOf(code, code)));
  byId("block-target").addEventListener("change", () => choose(ctx));
}

function optionOf(value, words) {
  const option = document.createElement("option");
  option.value = value;
  option.textContent = words;
  return option;
}

function blockOf({ known, store }) {
  return known.blocks.find(({ code }) => code === store.marks.block);
}

// As scoring takes it: however it is written, where only one is called so.
function targetOf(block, name) {
  if (!block || !name) return undefined;
  const alike = block.targets.filter((one) => one.name.toLowerCase() === name.toLowerCase());
  return block.targets.find((one) => one.name === name) ?? (alike.length === 1 ? alike[0] : undefined);
}

function choose(ctx) {
  const target = targetOf(blockOf(ctx), byId("block-target").value);
  if (!target) ctx.putTarget({ name: undefined }, null);
  else ctx.putTarget(target.kind ? { name: target.name, kind: target.kind } : { name: target.name }, null);
}

export function renderBlock(ctx) {
  const block = blockOf(ctx);
  const { target } = ctx.store.marks;
  const chosen = targetOf(block, target?.name);
  const list = byId("block-target");
  list.closest(".field").hidden = !block?.targets.length;
  if (list.dataset.block !== (block?.code ?? "")) {
    list.dataset.block = block?.code ?? "";
    list.replaceChildren(optionOf("", CHOOSE), ...(block?.targets ?? []).map((one) => optionOf(one.name, targetWords(one))));
  }
  list.value = chosen?.name ?? "";
  list.disabled = !target;
  byId("medium-none").textContent = block?.sound ? "as the block’s file says" : "not said: depths as shown";
  byId("block-words").textContent = block ? blockWords(block, chosen, ctx.store.marks) : "";
  ask(ctx, block);
}

function targetWords({ name, kind, shape, size_mm: size }) {
  return [name, kind, `${shape} ${sizeWords(shape, size)}`].filter(Boolean).join(", ");
}

function sizeWords(shape, size) {
  return shape === "ball" && new Set(size).size === 1 ? `${digits(size[0])} mm` : `${size.map((side) => digits(side)).join(" × ")} mm`;
}

function blockWords({ code, cast_on: day, beside, sound }, chosen, { medium }) {
  const parts = [`Block ${code}${day ? `, cast ${day}` : ""}.`];
  if (chosen) parts.push(`Target ${targetWords(chosen)}${chosen.shape === "ball" ? "" : " (width, length, height)"}.`);
  if (sound && !medium) parts.push(`Depths go by its speed of sound, ${sound}.`);
  if (!beside) parts.push(`Its file is not beside the clip: copy it there as ${code}.block.json, so that scoring finds it without --block.`);
  return parts.join(" ");
}

let asked = "";
let timer = 0;

// The same words as in the summary, from the same sums: asked of the server once typing and dragging rest.
function ask(ctx, block) {
  const { marks } = ctx.store;
  const scale = scaleOf(marks, ctx.proposal);
  const key = block ? JSON.stringify({ marks, mm_per_px: scale ? [scale.x, scale.y] : null }) : "";
  if (key === asked) return;
  asked = key;
  clearTimeout(timer);
  if (!key) byId("block-problem").textContent = "";
  else timer = setTimeout(() => tell(key), WAIT_MS);
}

async function tell(key) {
  try {
    const { notes } = await api.post("blocks", JSON.parse(key));
    if (key === asked) byId("block-problem").textContent = notes.join(" ");
  } catch {
    // What can't be asked now is told with the score.
    if (key === asked) asked = "";
  }
}
