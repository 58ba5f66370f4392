// Which frame is shown. Paused: the exact frame that the tool sees. Playing: the video, where the browser has
// one, else the exact frames as fast as they come.

const KEPT_BYTES = 160e6;
const AHEAD = 4;

/** Frames fetched once and kept while there is room. */
class FrameStore {
  #kept = new Map();
  #most;

  constructor(frameUrl, nFrames, framePx) {
    this.frameUrl = frameUrl;
    this.nFrames = nFrames;
    this.#most = Math.max(12, Math.min(240, Math.floor(KEPT_BYTES / (4 * framePx))));
  }

  get(number) {
    const kept = this.#kept.get(number);
    if (kept) {
      this.#kept.delete(number);
      this.#kept.set(number, kept);
      return kept;
    }
    const coming = fetched(this.frameUrl(number));
    // A frame that failed is asked for again the next time.
    coming.catch(() => this.#kept.delete(number));
    this.#kept.set(number, coming);
    this.#drop();
    return coming;
  }

  async ahead(number, direction) {
    for (let i = 1; i <= AHEAD; i += 1) {
      const next = number + i * direction;
      if (next >= 0 && next < this.nFrames) this.get(next).catch(() => {});
    }
  }

  #drop() {
    for (const [number, coming] of this.#kept) {
      if (this.#kept.size <= this.#most) return;
      this.#kept.delete(number);
      coming.then((picture) => picture.close()).catch(() => {});
    }
  }
}

async function fetched(url) {
  let answer;
  try {
    answer = await fetch(url);
  } catch {
    throw new Error("The program behind this page does not answer; is it still running?");
  }
  if (!answer.ok) {
    const said = await answer.json().catch(() => ({}));
    throw new Error(said.error ?? `The frame could not be read (${answer.status}).`);
  }
  return createImageBitmap(await answer.blob());
}

export class Player {
  #store;
  #offsets;
  #wanted = 0;
  #loading = false;
  #run = 0;
  #video = null;

  /** show(picture, frame, exact) draws; changed() follows every change of play state; problem(words) tells. */
  constructor({ frameUrl, timesS, framePx, show, changed, problem }) {
    this.#offsets = timesS.map((time) => time - timesS[0]);
    this.#store = new FrameStore(frameUrl, timesS.length, framePx);
    Object.assign(this, { show, changed, problem, frame: -1, playing: false, rate: 1 });
  }

  /** The video to play; its first frame is shown at 0 s. */
  setVideo(url) {
    const video = document.createElement("video");
    video.muted = true;
    video.playsInline = true;
    video.preload = "auto";
    video.src = url;
    video.addEventListener("canplay", () => (this.#video ??= video), { once: true });
  }

  goTo(number) {
    const last = this.#offsets.length - 1;
    this.#wanted = Math.min(Math.max(Math.round(number), 0), last);
    if (this.playing) {
      this.pause(false);
      return this.#load().then(() => this.play());
    }
    return this.#load();
  }

  step(by) {
    if (this.playing) this.pause(false);
    return this.goTo(this.#wanted + by);
  }

  toggle() {
    if (this.playing) this.pause();
    else this.play();
  }

  play() {
    if (this.playing) return;
    if (this.#wanted >= this.#offsets.length - 1) this.#wanted = 0;
    this.playing = true;
    this.#run += 1;
    if (this.#video) this.#playVideo(this.#run);
    else this.#playFrames(this.#run);
    this.changed();
  }

  /** Stop, and show the exact frame in place of the video's. */
  pause(load = true) {
    if (!this.playing) return;
    this.playing = false;
    this.#run += 1;
    this.#video?.pause();
    this.changed();
    if (load) this.#load();
  }

  /** Number of the frame that is shown at so many seconds from the first. */
  frameAt(second) {
    let [low, high] = [0, this.#offsets.length - 1];
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      // Containers round their times; half a millisecond tells no frames apart.
      if (this.#offsets[middle] <= second + 0.0006) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  async #load() {
    if (this.#loading) return;
    this.#loading = true;
    try {
      for (let n = -1; n !== this.#wanted && !this.playing; ) {
        n = this.#wanted;
        const before = this.frame;
        const picture = await this.#store.get(n);
        if (this.playing) break;
        this.#shown(picture, n, true);
        this.#store.ahead(n, n < before ? -1 : 1);
      }
    } catch (fault) {
      this.problem(fault.message);
    } finally {
      this.#loading = false;
    }
  }

  #shown(picture, number, exact) {
    this.frame = number;
    this.show(picture, number, exact);
  }

  async #playVideo(run) {
    const video = this.#video;
    video.playbackRate = this.rate;
    video.currentTime = this.#offsets[this.#wanted] + 0.0005;
    video.onended = () => this.#ended(run);
    const next = (_now, { mediaTime }) => {
      if (run !== this.#run) return;
      this.#wanted = this.frameAt(mediaTime);
      this.#shown(video, this.#wanted, false);
      video.requestVideoFrameCallback(next);
    };
    video.requestVideoFrameCallback(next);
    try {
      await video.play();
    } catch {
      // The browser can't play it after all: the frames themselves can be shown.
      if (run !== this.#run) return;
      this.#video = null;
      this.#playFrames(run);
    }
  }

  async #playFrames(run) {
    const [from, start] = [this.#offsets[this.#wanted], performance.now()];
    const last = this.#offsets.length - 1;
    try {
      while (run === this.#run) {
        const number = this.frameAt(from + ((performance.now() - start) / 1000) * this.rate);
        if (number !== this.frame) {
          this.#store.ahead(number, 1);
          const picture = await this.#store.get(number);
          if (run !== this.#run) return;
          this.#wanted = number;
          this.#shown(picture, number, true);
        }
        if (number >= last) return this.#ended(run);
        await new Promise(requestAnimationFrame);
      }
    } catch (fault) {
      if (run === this.#run) this.pause(false);
      this.problem(fault.message);
    }
    return undefined;
  }

  #ended(run) {
    if (run !== this.#run) return;
    this.#wanted = this.#offsets.length - 1;
    this.pause();
  }
}
