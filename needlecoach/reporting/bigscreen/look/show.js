// The show: title, the needle goes in, slowly about the decisive moment, a halt there, what it was; then the next.
"use strict";
const SECONDS = { title: 10, hold: 4.5, step: 2.5, reveal: 11 };
const SLOWER = 4;
// A film that does not get on is left after this many times its length, and some seconds.
const PATIENCE = 3, PATIENCE_S = 10;
const SECTION = { title: "title", reveal: "reveal" };
const words = taken("#words")[0];
const photos = taken(".photo").map((base64) => blobUrl(base64, "image/jpeg"));

class Show {
  constructor(tries) {
    this.tries = tries;
    this.fresh = [];
    this.current = null;
    this.turn = -1;
    this.rounds = 0;
    this.phase = "title";
    this.clock = 0;
    this.closer = 0;
    this.last = 0;
    this.shown = 0;
    this.paused = false;
    this.speed = Math.max(Number(new URLSearchParams(location.hash.slice(1)).get("speed")) || 1, 0.1);
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.overlay = new Overlay(byId("over"), byId("videos"));
    this.tick = this.tick.bind(this);
    this.pictured = this.pictured.bind(this);
    addEventListener("resize", () => { if (this.current) this.fit(); });
    requestAnimationFrame(this.tick);
    this.next();
  }

  /** Go on to the newest try that has not been shown, else round. */
  next() {
    this.leave();
    this.tries = this.tries.filter((one) => !(one.gone && (endTry(one), true)));
    this.fresh = this.fresh.filter((one) => !one.gone);
    const able = this.tries.filter((one) => !one.broken);
    byId("what").textContent = this.tries.length && !able.length ? words.broken : words.what;
    this.isFresh = this.fresh.length > 0;
    if (this.isFresh) this.current = this.fresh.shift();
    else if (able.length) {
      this.turn = (this.turn + 1) % able.length;
      if (this.turn === 0) this.rounds += 1;
      this.current = able[this.turn];
    } else this.current = null;
    byId("visitor").hidden = !(this.current && this.current.visitor);
    const simulated = Boolean(this.current && this.current.simulated);
    for (const one of document.querySelectorAll(".simulated")) one.hidden = !simulated;
    byId("what").hidden = !byId("visitor").hidden;
    if (this.current) this.ready();
    this.enter("title");
  }

  leave() {
    if (!this.current) return;
    this.current.video.pause();
    this.current.video.hidden = true;
    if (this.watching) this.current.video.cancelVideoFrameCallback(this.watching);
    this.watching = 0;
  }

  ready() {
    const { video, film } = this.current;
    video.hidden = false;
    video.currentTime = 0;
    this.shown = 0;
    this.closer = 0;
    byId("sample").hidden = !film.notch_near;
    byId("unseen").hidden = !film.tip.some((tip, i) => tip && !film.seen[i]);
    this.fit();
    if (video.requestVideoFrameCallback) this.watching = video.requestVideoFrameCallback(this.pictured);
  }

  fit() {
    this.overlay.fit(this.current.film);
    this.overlay.look(this.closer);
  }

  /** The browser shows a picture of the film: this time is what is drawn over it. */
  pictured(_, told) {
    this.shown = told.mediaTime;
    this.watching = this.current.video.requestVideoFrameCallback(this.pictured);
  }

  enter(phase) {
    this.phase = phase;
    this.clock = 0;
    byId("screen").dataset.phase = phase;
    const section = SECTION[phase] || "film";
    for (const id of ["title", "film", "reveal"]) byId(id).hidden = id !== section;
    if (section === "film") byId("caption").textContent = this.caption();
    if (phase === "reveal") this.fillReveal();
    this.run();
  }

  caption() {
    if (this.phase === "hold") return this.current.words.moment;
    return this.still.matches && this.phase === "slow" ? words.approach : words[this.phase];
  }

  fillReveal() {
    const told = this.current.words, photo = byId("photo");
    for (const id of ["verdict", "hidden", "name", "distance"]) byId(id).textContent = told[id];
    byId("name").hidden = !told.name;
    byId("name").classList.toggle("long", told.name.length > 14);
    photo.hidden = this.current.photo === null;
    if (photo.hidden) return;
    photo.src = photos[this.current.photo];
    photo.alt = told.photo;
  }

  /** Start or halt the video as the phase wants it. */
  run() {
    if (!this.current) return;
    const { video, film } = this.current, moves = this.moves();
    if (!moves || this.paused) video.pause();
    if (this.phase === "hold" && !this.paused) video.currentTime = film.decisive_s + 0.001;
    if (!moves || this.paused) return;
    video.playbackRate = Math.min(Math.max(this.speed / (this.phase === "approach" ? 1 : SLOWER), 0.0625), 16);
    const started = video.play();
    if (started) started.catch(() => {});
  }

  moves() {
    return ["approach", "slow", "after"].includes(this.phase) && !this.still.matches;
  }

  tick(now) {
    requestAnimationFrame(this.tick);
    const passed = Math.min(now - this.last, 250) / 1000;
    this.last = now;
    if (this.paused || !this.current) return;
    this.clock += passed * this.speed;
    if (this.phase === "title") { if (this.clock > SECONDS.title) this.enter("approach"); }
    else if (this.phase === "reveal") { if (this.clock > SECONDS.reveal) this.next(); }
    else this.play(passed);
  }

  play(passed) {
    const { film, video, broken } = this.current;
    const expected = film.end_s * SLOWER * PATIENCE + PATIENCE_S * Math.max(this.speed, 1);
    if (broken || (this.phase !== "hold" && this.clock > expected)) return this.next();
    const time = this.still.matches ? this.step() : video.requestVideoFrameCallback ? this.shown : video.currentTime;
    const near = this.phase !== "approach";
    if (this.still.matches) this.closer = near ? 1 : 0;
    else this.closer = Math.min(Math.max(this.closer + (near ? 1 : -1) * passed * this.speed, 0), 1);
    this.overlay.look(this.closer * this.closer * (3 - 2 * this.closer));
    this.overlay.draw(this.phase === "hold" ? film.decisive_s : time, this.phase === "hold");
    this.move(time, video.ended, film);
  }

  move(time, ended, film) {
    if (this.phase === "approach" && (time >= film.slow_from_s || ended)) this.enter("slow");
    else if (this.phase === "slow" && (time >= film.decisive_s || ended)) this.enter("hold");
    else if (this.phase === "hold" && this.clock > SECONDS.hold) this.enter(ended || this.still.matches ? "reveal" : "after");
    else if (this.phase === "after" && (time >= film.end_s - 0.001 || ended)) this.enter("reveal");
  }

  /** For whoever asked for less motion: single pictures instead of a film. Returns the time shown. */
  step() {
    const { film, video } = this.current;
    if (this.phase === "hold") return film.decisive_s;
    const from = this.phase === "approach" ? 0.5 * film.slow_from_s : (film.slow_from_s + film.decisive_s) / 2;
    if (this.clock > SECONDS.step) return this.phase === "approach" ? film.slow_from_s : film.decisive_s;
    if (Math.abs(video.currentTime - from) > 0.01 && !video.seeking) video.currentTime = from;
    return Math.min(from, film.decisive_s - 0.01);
  }

  pause() {
    this.paused = !this.paused;
    byId("paused").hidden = !this.paused;
    byId("pause").textContent = this.paused ? words.go_on : words.pause;
    this.run();
  }

  /** A visitor's try has come: shown at once, unless another new one is being shown. */
  add(one) {
    this.tries.push(one);
    this.fresh.push(one);
    if (!this.isFresh && !this.paused) this.next();
  }

  drop(id) {
    for (const one of this.tries) if (one.id === id) one.gone = true;
  }
}

const show = new Show(taken(".try").map((data) => makeTry(data, "")));
if (words.more) new Visitors(words.more, (one) => show.add(one), (id) => show.drop(id));
byId("pause").addEventListener("click", () => show.pause());
byId("next").addEventListener("click", () => show.next());
addEventListener("keydown", (event) => {
  if (event.target instanceof HTMLButtonElement && event.key !== "ArrowRight") return;
  if (event.key === " " || event.key === "p") { event.preventDefault(); show.pause(); }
  else if (event.key === "ArrowRight") show.next();
  else if (event.key === "f" && document.documentElement.requestFullscreen) document.documentElement.requestFullscreen().catch(() => {});
});
