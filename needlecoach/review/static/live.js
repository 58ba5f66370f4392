// The live page: draws each picture as it comes, tells the server that it did, and shows what the session says.

import * as api from "./api.js";
import { Picture } from "./live-picture.js";
import { Stream } from "./live-stream.js";
import { Strip } from "./live-strip.js";
import { showCard, showHistory } from "./live-card.js";
import { make } from "./review-parts.js";

// Figures that change with every picture can't be read.
const READ_MS = 200;
// Without a picture for so long, what is shown is called old.
const OLD_MS = 1500;
const TYPED = "input, textarea, select";
const KINDS = {
  opening: ["", "…"], settling: ["", "…"], marks_needed: ["", "+"], ready: ["good", "✓"], needle_in: ["good", "↓"],
  tip_hidden: ["doubt", "~"], tip_lost: ["doubt", "?"], no_picture: ["fault", "×"], ended: ["fault", "■"], frozen: ["fault", "="], gone: ["fault", "×"],
};
const SIGHTS = { seen: "Tip seen", inferred: "Tip inferred: it does not show", lost: "Tip lost", none: "No needle" };

const byId = (id) => document.getElementById(id);
const picture = new Picture(byId("picture-box"), byId("picture"));
const strip = new Strip(byId("strip-box"), byId("strip"));
const page = { state: null, row: null, key: "", waiting: null, decoding: false, drawnAt: -Infinity, readAt: -Infinity };

function takePart(head, jpeg) {
  page.key = head.page;
  if (head.state) takeState(head.state);
  if (head.latency) showLatency(head.latency);
  for (const column of head.rows ?? []) strip.add(column);
  if (!jpeg.length) return;
  page.waiting = { head, jpeg };
  if (!page.decoding) drawNewest();
}

// While one picture is decoded only the newest of those that come meanwhile waits.
async function drawNewest() {
  page.decoding = true;
  while (page.waiting) {
    const { head, jpeg } = page.waiting;
    page.waiting = null;
    try {
      picture.draw(await createImageBitmap(new Blob([jpeg], { type: "image/jpeg" })), head);
    } catch {
      continue; // a spoilt picture; the next one comes in 30 ms
    }
    tellDrawn(head.number);
    page.row = head.row;
    page.drawnAt = performance.now();
    byId("no-picture").hidden = true;
    if (page.drawnAt - page.readAt >= READ_MS) showReading();
  }
  page.decoding = false;
}

function tellDrawn(number) {
  stream.tell({ page: page.key, number, hidden: document.hidden, whole: picture.whole, zoom: picture.zoom });
}

/** What is read off: distance and sight, and the strip, some times a second. */
function showReading() {
  page.readAt = performance.now();
  const { row } = page, sight = row?.sight ?? "none";
  byId("distance").dataset.sight = sight;
  const old = performance.now() - page.drawnAt > OLD_MS;
  byId("sight-words").textContent = old ? "No picture" : SIGHTS[sight];
  const known = (sight === "seen" || sight === "inferred") && row.centre_mm !== null;
  byId("distance").dataset.known = known ? "yes" : "no";
  byId("distance-mm").textContent = known ? rounded(row.centre_mm, row.sd_mm) : "–";
  byId("distance-words").textContent = known ? edgeWords(row) : sight === "lost" ? "Not known while the tip is lost." : old ? "No picture comes." : "No needle is in the picture.";
  if (row && sight !== "none") strip.setBand(row, page.state?.setup.mm_per_px);
  strip.draw();
}

// No finer than it is known.
const rounded = (mm, sd) => Math.abs(mm).toFixed(sd !== null && sd >= 1 ? 0 : 1);

function edgeWords({ edge_mm: edge, sd_mm: sd }) {
  if (edge === null) return "";
  const give = sd === null ? "" : ` ± ${sd >= 1 ? sd.toFixed(0) : sd.toFixed(1)}`;
  return `${rounded(edge, sd)}${give} mm ${edge < 0 ? "inside" : "outside"} its edge`;
}

function takeState(state) {
  page.state = { ...page.state, ...state };
  const { word, source, recording, setup, warnings, visitor } = page.state;
  showWord(word.key, word.text, word.help);
  byId("source").textContent = [source.words, gives(source), page.state.learner && `Learner ${page.state.learner}`].filter(Boolean).join(" · ");
  byId("recording").hidden = recording.state !== "recording";
  picture.setRegion(setup.region_px.length ? setup.region_px : null);
  byId("whole").hidden = !setup.region_px.length;
  byId("distance").hidden = setup.ready && !setup.has_target;
  byId("setup-words").textContent = setup.fault;
  byId("setup-words").hidden = !setup.fault;
  byId("mark").classList.toggle("main", !setup.ready);
  document.body.classList.toggle("unready", !setup.ready);
  showWarnings([...warnings.map(({ text }) => text), ...(recording.state === "stopped" ? [recording.words] : [])]);
  showVisitor(visitor);
  byId("end").disabled = !page.state.attempt;
  byId("forget").disabled = !page.state.attempt && !page.state.card;
  if (state.history) showCards();
  document.body.dataset.ready = "yes";
}

function gives({ state, size_px: size, fps, followed_fps: followed }) {
  if (state !== "running" || !size) return "";
  const some = fps && followed && Math.round(followed) < Math.round(fps) ? `, ${followed.toFixed(0)} of them followed` : "";
  return `${size[0]} × ${size[1]} px${fps ? `, ${fps.toFixed(fps < 10 ? 1 : 0)} pictures a second${some}` : ""}`;
}

function showCards() {
  const { card, history, visitor } = page.state;
  byId("card").hidden = !card;
  showCard(byId("card-body"), card, visitor);
  byId("history-part").hidden = !history.length;
  showHistory(byId("history"), history);
}

function showVisitor(visitor) {
  document.body.classList.toggle("visitor", Boolean(visitor));
  byId("visitor").hidden = !visitor || Boolean(visitor.caution);
  byId("caution").hidden = !visitor?.caution;
  byId("caution-words").textContent = visitor?.caution ?? "";
  byId("card-name").textContent = visitor ? "Your try" : "Last attempt";
  const box = byId("nickname");
  // Cleared with the try; what is being typed stays.
  if (visitor && document.activeElement !== box && box.value !== visitor.nickname) box.value = visitor.nickname;
}

function showWord(key, text, help) {
  const [kind, sign] = KINDS[key] ?? ["fault", "!"];
  const panel = byId("state");
  [panel.dataset.key, panel.dataset.kind] = [key, kind];
  byId("sign").textContent = sign;
  if (byId("state-words").textContent !== text) byId("state-words").textContent = text;
  byId("state-hint").textContent = help;
}

function showWarnings(list) {
  const host = byId("warnings");
  if (host.dataset.told === list.join("\n")) return;
  host.dataset.told = list.join("\n");
  host.hidden = !list.length;
  host.replaceChildren();
  for (const words of list) make(host, "p", "", words);
}

function showLatency({ n, median_ms: median, p95_ms: p95 }) {
  if (n) byId("latency").textContent = `Camera to this page: ${median} ms, 95 of 100 pictures within ${p95} ms (the last ${n}).`;
}

function tellLine(up, words) {
  byId("problem").textContent = up ? "" : words;
  if (!up) {
    showWord("gone", "No connection", words ? "" : "needlecoach does not answer. It is tried again every second; if the command was ended, start it again and open its new address.");
    byId("source").textContent = "";
    byId("recording").hidden = true;
  } else if (page.state) takeState({});
}

setInterval(() => {
  const old = performance.now() - page.drawnAt > OLD_MS;
  document.querySelector(".view").classList.toggle("old", old);
  if (performance.now() - page.readAt < 500) return;
  if (old) page.row = null;
  showReading();
}, 500);

async function ask(path, body, words) {
  try {
    const answer = await api.post(`live/${path}`, body);
    byId("said").textContent = words;
    return answer;
  } catch (problem) {
    byId("said").textContent = problem.message;
    return null;
  }
}

const does = {
  async mark() {
    const answer = await ask("mark", {}, "Opening the picture for marking.");
    if (answer) window.location.assign(answer.page);
  },
  end: () => ask("end", {}, "The attempt is ended."),
  forget() {
    byId("forget-ask").returnValue = "no";
    byId("forget-ask").showModal();
  },
  whole() {
    picture.setWhole(!picture.whole);
    byId("whole").setAttribute("aria-pressed", String(picture.whole));
  },
  next: () => ask("next", {}, ""),
  "help-open": () => byId("help").showModal(),
};
const KEYS = { m: "mark", e: "end", f: "forget", w: "whole", "?": "help-open" };

for (const [id, act] of Object.entries(does)) byId(id).onclick = act;
byId("forget-ask").onclose = () => byId("forget-ask").returnValue === "yes" && ask("forget", {}, "Forgotten.");
byId("nickname").onchange = () => ask("nickname", { text: byId("nickname").value }, "");
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches(TYPED) || document.querySelector("dialog[open]")) return;
  const id = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!id || byId(id).disabled || byId(id).hidden) return;
  event.preventDefault();
  does[id]();
});
const stream = new Stream({ part: takePart, line: tellLine });
