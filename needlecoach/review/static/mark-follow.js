// The marked target followed through the clip by the tool, so that the eye can check it before scoring.

import * as api from "./api.js";
import { byId, digits, on, show } from "./mark-parts.js";
import { centreOf } from "./mark-geometry.js";

export class Following {
  // {centre_px, found, of}: `of` is the target that was followed, as text.
  #result = null;
  #asked = null;
  #words = "";

  constructor(ctx) {
    this.ctx = ctx;
    on("target-follow", () => this.follow());
    on("lost-next", () => this.#nextLost());
  }

  async follow() {
    const { target, region_px: region } = this.ctx.store.marks;
    const asked = key(target);
    this.#asked = asked;
    this.#result = null;
    this.#say("Following the target");
    try {
      const job = await api.post("follow", { target, ...(region ? { region_px: region } : {}) });
      const result = await api.follow(job, ({ share }) => {
        if (this.#asked === asked) this.#say(`Following the target, ${Math.round(100 * share)} %`);
      });
      if (this.#asked !== asked) return;
      this.#result = { ...result, of: asked };
      this.#say("");
    } catch (fault) {
      if (this.#asked === asked) this.#say(`It could not be followed: ${fault.message}`);
    } finally {
      if (this.#asked === asked) this.#asked = null;
      this.ctx.refresh();
    }
  }

  /** How far the target is from where it was marked, {by, found}; null when that is not known. */
  shiftAt(frame) {
    const result = this.#current();
    const place = result?.centre_px[frame];
    if (!place) return null;
    const marked = result.centre_px[this.ctx.store.marks.target.frame ?? 0] ?? centreOf(this.ctx.store.marks.target);
    return { by: [place[0] - marked[0], place[1] - marked[1]], found: result.found[frame] };
  }

  render() {
    const result = this.#current();
    const lost = result ? spans(result.found) : [];
    show("lost-row", lost.length > 0);
    byId("follow-words").textContent = result ? followedWords(result, lost) : this.#words;
    this.ctx.stage.showSpans(lost, lost.length ? `Frames where the target is lost: ${spansText(lost)}` : "");
  }

  // What was followed may have been marked anew since.
  #current() {
    const { target } = this.ctx.store.marks;
    return target && this.#result?.of === key(target) ? this.#result : null;
  }

  #say(words) {
    this.#words = words;
    byId("follow-words").textContent = words;
  }

  #nextLost() {
    const lost = spans(this.#current().found);
    const next = lost.find(([first]) => first > this.ctx.stage.frame) ?? lost[0];
    this.ctx.stage.goTo(next[0]);
  }
}

// Name and size do not move a target.
function key({ ellipse, polygon_px: polygon, frame = 0 }) {
  return JSON.stringify([ellipse, polygon, frame]);
}

function spans(found) {
  const lost = [];
  found.forEach((is, n) => {
    if (is) return;
    if (lost.at(-1)?.[1] === n - 1) lost.at(-1)[1] = n;
    else lost.push([n, n]);
  });
  return lost;
}

function spansText(lost) {
  const shown = lost.slice(0, 4).map(([first, last]) => (first === last ? `${first}` : `${first} to ${last}`));
  return shown.join(", ") + (lost.length > shown.length ? " and more" : "");
}

function followedWords({ found }, lost) {
  if (lost.length === 0) return "Followed through all frames: step or play to check it.";
  const missing = found.filter((is) => !is).length;
  return `Followed, but lost in ${missing} of ${found.length} frames (${digits((100 * missing) / found.length, 2)} %): ${spansText(lost)}; striped below the picture.`;
}
