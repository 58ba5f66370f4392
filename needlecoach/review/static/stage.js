// The picture with what is drawn on it: exact frames, the playing video, zoom, magnified view, handles, keys.
//
//   import { createStage, INK } from "./stage.js";
//   const stage = createStage(host, { clip, frameUrl: (n) => `api/frames/${n}` });
//
// clip is what api/clip answers. host is an empty element; page needs page.css and stage.css.
// All places are [x, y] in px of the original frame, with fractions; frames count from 0.
//
//   stage.frame, stage.playing, stage.exact     what is shown now (exact: not the video's own picture)
//   stage.goTo(n), stage.step(by), stage.play(), stage.pause(), stage.toggle(), stage.setVideo(url)
//   stage.on(name, does)   "frame" (n), "play" (true or false), "view" (), "problem" (words); returns how to stop
//   stage.addLayer(draw)   draw(pen) is called at each drawing, in order; see Pen in stage-pen.js: pen.line,
//                          pen.cross, pen.dot, pen.label, pen.frame, pen.scale, pen.magnified; returns how to remove it
//   stage.redraw()         after anything that a layer draws has changed
//   stage.setHandles([{ id, at, label, shape: "round" | "square" | "cross", colour, move(point, phase), remove() }])
//                          phase: "start", "drag", "end" of a drag, or "key"; after a move, set the handles again
//   stage.setTool(tool)    a tool takes points: { place(point, event), hover(point), finish(), cancel(), back() }; null for
//                          none. Click, tap or Enter places; double click or Enter again finishes; Escape cancels
//   stage.showSpans([[first, last]…], words)    frames marked below the scrubber, such as those without the target
//   stage.say(words)       on the picture, above; "" takes them away
//   stage.zoomBy(factor), stage.fit(), stage.reveal(point), stage.toBox(point), stage.toImage(at)
//   stage.view             { box: [width, height], scale, fitted, centre(point) } in CSS px; after centre() call stage.zoomBy(1)
//   stage.focus(), stage.focusHandle(id)
//   stage.keys(event)      handles a keydown of the page (frames, play, zoom); true when it did
import { View } from "./stage-view.js";
import { Pen, INK } from "./stage-pen.js";
import { Player } from "./stage-player.js";
import { Handles, keyStep } from "./stage-handles.js";
import { Pointers } from "./stage-pointer.js";
import { Magnifier } from "./stage-magnifier.js";
import { build } from "./stage-parts.js";

export { INK, Pen };

export function createStage(host, { clip, frameUrl }) {
  return new Stage(host, clip, frameUrl);
}

class Stage {
  #listeners = new Map();
  #layers = [];
  #tool = null;
  #cursor = null;
  #due = false;
  #picture;

  constructor(host, clip, frameUrl) {
    this.clip = clip;
    this.parts = build(host, clip);
    this.view = new View(clip.width_px, clip.height_px);
    this.#picture = new OffscreenCanvas(clip.width_px, clip.height_px);
    this.exact = true;
    this.player = new Player({
      frameUrl,
      timesS: clip.times_s,
      framePx: clip.width_px * clip.height_px,
      show: (source, number, exact) => this.#show(source, number, exact),
      changed: () => this.#playChanged(),
      problem: (words) => this.#tell("problem", words),
    });
    this.magnifier = new Magnifier(this.parts.lens, (pen) => this.#drawOn(pen));
    this.handles = new Handles(this.parts.handles, this.view, {
      moved: (handle) => this.#aimByKey(handle.at),
      left: () => this.magnifier.hide(),
    });
    this.#listenToPointers();
    this.#listenToParts();
    new ResizeObserver(() => this.#resized()).observe(this.parts.box);
    this.#resized();
  }

  get frame() {
    return Math.max(this.player.frame, 0);
  }

  get playing() {
    return this.player.playing;
  }

  get tool() {
    return this.#tool;
  }

  goTo(number) {
    return this.player.goTo(number);
  }

  step(by) {
    return this.player.step(by);
  }

  play() {
    this.player.play();
  }

  pause() {
    this.player.pause();
  }

  toggle() {
    this.player.toggle();
  }

  setVideo(url) {
    this.player.setVideo(url);
  }

  on(name, does) {
    const all = this.#listeners.get(name) ?? new Set();
    this.#listeners.set(name, all.add(does));
    return () => all.delete(does);
  }

  addLayer(draw) {
    this.#layers.push(draw);
    this.redraw();
    return () => {
      this.#layers = this.#layers.filter((layer) => layer !== draw);
      this.redraw();
    };
  }

  setHandles(list) {
    this.handles.set(list);
  }

  setTool(tool) {
    this.#tool = tool;
    this.#cursor = null;
    this.parts.canvas.classList.toggle("placing", Boolean(tool));
    this.magnifier.hide();
    this.#touchable();
    this.redraw();
  }

  showSpans(spans, words = "") {
    this.parts.showSpans(spans, words);
  }

  say(words) {
    this.parts.hint.textContent = words;
  }

  zoomBy(factor, at) {
    this.view.zoomBy(factor, at);
    this.#viewChanged();
  }

  fit() {
    this.view.fit();
    this.#viewChanged();
  }

  reveal(point) {
    this.view.reveal(point);
    this.#viewChanged();
  }

  toBox(point) {
    return this.view.toBox(point);
  }

  toImage(at) {
    return this.view.toImage(at);
  }

  focus() {
    this.parts.canvas.focus({ preventScroll: true });
  }

  focusHandle(id) {
    this.handles.focus(id);
  }

  /** Draw once before the next picture of the screen, however often this is asked for. */
  redraw() {
    if (this.#due) return;
    this.#due = true;
    requestAnimationFrame(() => {
      this.#due = false;
      this.#draw();
    });
  }

  keys(event) {
    const does = this.#keyOf(event);
    if (!does) return false;
    event.preventDefault();
    does();
    return true;
  }

  #keyOf(event) {
    if (event.ctrlKey || event.metaKey) return null;
    const by = event.shiftKey ? 10 : 1;
    const named = {
      ArrowLeft: () => this.step(-by),
      ArrowRight: () => this.step(by),
      ",": () => this.step(-1),
      ".": () => this.step(1),
      "<": () => this.step(-10),
      ">": () => this.step(10),
      ";": () => this.step(-10),
      ":": () => this.step(10),
      PageUp: () => this.step(-10),
      PageDown: () => this.step(10),
      Home: () => this.goTo(0),
      End: () => this.goTo(this.clip.n_frames - 1),
      " ": () => this.toggle(),
      k: () => this.toggle(),
      "+": () => this.zoomBy(1.4),
      "=": () => this.zoomBy(1.4),
      "-": () => this.zoomBy(1 / 1.4),
      0: () => this.fit(),
    };
    return event.altKey ? null : (named[event.key] ?? null);
  }

  #canvasKey(event) {
    const step = this.#tool ? keyStep(event) : null;
    if (step) {
      event.preventDefault();
      event.stopPropagation();
      const [x, y] = this.#cursor ?? this.view.toImage([this.view.box[0] / 2, this.view.box[1] / 2]);
      const [width, height] = [this.clip.width_px - 0.5, this.clip.height_px - 0.5];
      // The first press shows the cursor where it is.
      const moved = this.#cursor ? [x + step[0], y + step[1]] : [Math.round(x), Math.round(y)];
      this.#cursor = [Math.min(Math.max(moved[0], -0.5), width), Math.min(Math.max(moved[1], -0.5), height)];
      this.view.reveal(this.#cursor);
      this.#viewChanged();
      this.#aimByKey(this.#cursor);
    } else if (this.#cursor && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      event.stopPropagation();
      this.#placed(this.#cursor, event);
    } else if (this.#tool && event.key === "Enter") {
      event.preventDefault();
      this.#tool.finish?.();
    } else if (this.#tool && (event.key === "Backspace" || event.key === "Delete")) {
      event.preventDefault();
      this.#tool.back?.();
    }
  }

  #placed(point, event) {
    this.#tool?.place(point, event);
    this.redraw();
  }

  #aimByKey(point) {
    this.#tool?.hover?.(point);
    this.#readout(point);
    this.magnifier.show(this.#source(), this.view.toBox(point), point, this.view, "key");
    this.redraw();
  }

  #listenToPointers() {
    new Pointers(this.parts.canvas, this.view, {
      tool: () => this.#tool,
      handle: (at, within) => this.handles.near(at, within),
      drag: (id, point, phase) => {
        const before = document.activeElement;
        this.handles.get(id)?.move(point, phase);
        // What the drag led to may have asked for something in a field, which then keeps the focus.
        if (phase === "end" && document.activeElement === before) this.handles.focus(id);
      },
      aim: (at, point, type) => this.#aim(at, point, type),
      place: (point, event) => this.#placed(point, event),
      changed: () => this.#viewChanged(),
    });
    this.parts.canvas.addEventListener("dblclick", () => this.#tool?.finish?.());
    this.parts.canvas.addEventListener("keydown", (event) => this.#canvasKey(event));
    this.parts.canvas.addEventListener("blur", () => {
      this.#cursor = null;
      this.magnifier.hide();
      this.redraw();
    });
  }

  #aim(at, point, type) {
    if (!at) this.magnifier.hide();
    else {
      this.#cursor = null;
      this.#tool?.hover?.(point);
      this.#readout(point);
      this.magnifier.show(this.#source(), at, point, this.view, type);
    }
    this.redraw();
  }

  #readout([x, y]) {
    this.parts.place.textContent = `x ${x.toFixed(1)}, y ${y.toFixed(1)} px`;
  }

  #listenToParts() {
    const { parts } = this;
    parts.onStep((by) => this.step(by));
    parts.onGoTo((number) => this.goTo(number));
    parts.onToggle(() => this.toggle());
    parts.onZoom((factor) => (factor ? this.zoomBy(factor) : this.fit()));
    parts.onRate((rate) => {
      this.player.rate = rate;
      if (!this.playing) return;
      this.pause();
      this.play();
    });
  }

  #source() {
    return { picture: this.#picture, frame: this.frame, exact: this.exact };
  }

  #show(source, number, exact) {
    const { width_px: width, height_px: height } = this.clip;
    this.#picture.getContext("2d").drawImage(source, 0, 0, width, height);
    this.exact = exact;
    this.parts.showFrame(number);
    this.#tell("frame", number);
    this.redraw();
  }

  #playChanged() {
    this.parts.showPlaying(this.playing);
    this.#tell("play", this.playing);
  }

  #viewChanged() {
    this.handles.place();
    this.#touchable();
    this.parts.showZoom(this.view.scale, this.view.fitted);
    this.#tell("view");
    this.redraw();
  }

  // While nothing is placed and all is seen, a finger that moves up or down scrolls the page.
  #touchable() {
    this.parts.canvas.style.touchAction = this.#tool || !this.view.fitted ? "none" : "pan-y";
  }

  #resized() {
    const { clientWidth: width, clientHeight: height } = this.parts.box;
    const fine = window.devicePixelRatio || 1;
    this.parts.canvas.width = Math.round(width * fine);
    this.parts.canvas.height = Math.round(height * fine);
    this.view.resize(width, height);
    this.#viewChanged();
  }

  #draw() {
    const { canvas } = this.parts;
    const fine = window.devicePixelRatio || 1;
    const ctx = canvas.getContext("2d");
    const { scale, left, top } = this.view;
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = "#000000";
    ctx.fillRect(0, 0, canvas.width, canvas.height);
    ctx.setTransform(fine, 0, 0, fine, 0, 0);
    // Magnified far enough, px are shown as what they are.
    ctx.imageSmoothingEnabled = scale * fine < 4;
    ctx.imageSmoothingQuality = "high";
    ctx.drawImage(this.#picture, left, top, this.clip.width_px * scale, this.clip.height_px * scale);
    const pen = new Pen(ctx, (point) => this.view.toBox(point), scale, { frame: this.frame, exact: this.exact });
    this.#drawOn(pen);
    if (this.#cursor) pen.cross(this.#cursor, { colour: "#ffffff", size: 16, gap: 3 });
    this.magnifier.draw(this.#source());
  }

  #drawOn(pen) {
    for (const draw of this.#layers) draw(pen);
  }

  #tell(name, value) {
    for (const does of this.#listeners.get(name) ?? []) does(value);
  }
}
