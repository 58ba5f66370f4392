// Waiting for the server: the video made ready, saved corrections worked in, the folder written.

import * as api from "./api.js";
import { byId, page, say, tellProblem } from "./review-state.js";

const LOOK_MS = 1200;
// A result that holds other corrections than the file, with no work going on, is asked for so often.
const MOST_TRIES = 3;
const READING = "The clip is being read once for corrections; they can be made already.";
const WORKING = "Saved corrections are being worked into the figures …";
const pause = () => new Promise((done) => setTimeout(done, LOOK_MS));
let latest = 0;

export async function waitForVideo() {
  for (let clip = page.clip; ; clip = await api.get("clip").catch(() => clip)) {
    if (clip.video?.state === "ready") return page.stage.setVideo(api.videoUrl);
    if (clip.video?.state !== "preparing") return;
    await pause();
  }
}

/**
 * Look, until all is at rest, whether saved corrections are in the result shown and that result in its folder.
 * `answer` is what GET corrections said, if it was just asked; load() gets and shows the result again; `words` stay said.
 */
export async function catchUp(load, answer = null, words = "") {
  const mine = ++latest, { corrections } = page;
  const tell = (more, share = null) => corrections.busy || corrections.failed || page.pending || say(`${words} ${more}`.trim(), { share, problem: Boolean(words) });
  for (let tries = 0; ; answer = null) {
    answer ??= await api.get("corrections").catch(() => null);
    if (mine !== latest) return;
    if (!answer) return tell("");
    showFolder(answer);
    if (answer.error) return say(answer.error, { problem: true });
    const mineOnly = corrections.busy || corrections.unsaved || corrections.failed;
    if (!mineOnly && answer.version !== corrections.version) corrections.take(answer);
    if (!mineOnly && answer.job) {
      if (!(await worked(answer.job, answer.ready === false ? READING : WORKING, tell, () => mine === latest && !corrections.busy))) return;
      tell("");
      await load();
    } else if (answer.ready === false) tell(READING, answer.share ?? 0);
    else if (!mineOnly && !isShown(answer.corrections) && ++tries <= MOST_TRIES) await load();
    else if (answer.folder?.state !== "writing") break;
    await pause();
  }
  if (byId("state").textContent.endsWith(READING)) tell("");
}

/** Follow a job of the server's own; false when it failed, which is told, or is no longer waited for. */
async function worked(job, words, tell, wanted) {
  try {
    await api.follow({ job }, ({ share }) => wanted() && tell(words, share));
    return wanted();
  } catch (problem) {
    if (wanted()) say(problem.message, { problem: true });
    return false;
  }
}

// A tenth of a px is more than anyone can point at.
const plain = (list) => JSON.stringify(list.map((one) => [one.kind, one.frame, (one.tip_px ?? []).map((x) => Math.round(10 * x)), one.kind !== "tip" || one.visible !== false]));

const isShown = (list) => page.data.strip !== null && plain(list) === plain(page.data.corrections);

function showFolder({ folder, problem }) {
  const words = { writing: "The folder’s tables and pictures are being written.", behind: `The folder’s tables and pictures are behind what is shown here: ${folder?.why || "the reason is not known."}` };
  const host = byId("folder");
  host.textContent = words[folder?.state] ?? "";
  host.classList.toggle("problem", folder?.state === "behind");
  tellProblem(problem ?? "", "corrections");
}
