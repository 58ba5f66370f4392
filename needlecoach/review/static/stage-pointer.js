// Mouse, pen and fingers on the picture: place a point, drag a handle, pan, pinch, turn the wheel.

const REACH = { mouse: 13, pen: 18, touch: 26 };

export class Pointers {
  #down = new Map();
  #act = null;
  #spread = 0;

  /**
   * hooks: tool() -> the tool or null; handle(at, within) -> handle or null; drag(handle, point, phase);
   * aim(at, point, type) shows where a point would go, at null hides it; place(point, event); changed() after the view was.
   */
  constructor(element, view, hooks) {
    Object.assign(this, { element, view, hooks });
    const listen = (name, does, options) => element.addEventListener(name, does.bind(this), options);
    listen("pointerdown", this.#pressed);
    listen("pointermove", this.#moved);
    listen("pointerup", this.#lifted);
    listen("pointercancel", this.#cancelled);
    listen("pointerleave", this.#gone);
    listen("wheel", this.#wheeled, { passive: false });
    listen("contextmenu", (event) => this.#act && event.preventDefault());
  }

  #at(event) {
    const box = this.element.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  #pressed(event) {
    const at = this.#at(event);
    this.#down.set(event.pointerId, at);
    this.element.setPointerCapture(event.pointerId);
    if (this.#down.size === 2) {
      this.#stop();
      this.#act = { name: "pinch" };
      this.#spread = this.#between().spread;
      return;
    }
    if (this.#down.size > 2) return;
    const left = event.button === 0;
    const reach = REACH[event.pointerType] ?? REACH.mouse;
    const tool = left ? this.hooks.tool() : null;
    const handle = left && !tool ? this.hooks.handle(at, reach) : null;
    if (tool) this.#act = { name: "place" };
    else if (handle) {
      const place = this.view.toBox(handle.at);
      // It is dragged by where it was taken, so that taking it does not move it.
      this.#act = { name: "drag", id: handle.id, off: [place[0] - at[0], place[1] - at[1]], from: handle.at };
    } else this.#act = { name: "pan", last: at };
    if (tool || handle) event.preventDefault();
    this.element.focus?.({ preventScroll: true });
    this.#follow(event, at, "start");
  }

  #moved(event) {
    const at = this.#at(event);
    if (!this.#down.has(event.pointerId)) {
      if (event.pointerType === "mouse" && this.hooks.tool()) this.hooks.aim(at, this.view.toImage(at), "mouse");
      return;
    }
    const before = this.#between();
    this.#down.set(event.pointerId, at);
    if (this.#act?.name === "pinch") this.#pinch(before);
    else this.#follow(event, at, "drag");
  }

  #follow(event, at, phase) {
    const act = this.#act;
    if (act?.name === "pan") {
      this.view.panBy(at[0] - act.last[0], at[1] - act.last[1]);
      act.last = at;
      this.hooks.changed();
    } else if (act?.name === "place") {
      this.hooks.aim(at, this.view.toImage(at), event.pointerType);
    } else if (act?.name === "drag") {
      const place = [at[0] + act.off[0], at[1] + act.off[1]];
      const point = phase === "start" ? act.from : this.view.toImage(place);
      this.hooks.drag(act.id, point, phase);
      this.hooks.aim(place, point, event.pointerType);
    }
  }

  #pinch(before) {
    const now = this.#between();
    this.view.panBy(now.middle[0] - before.middle[0], now.middle[1] - before.middle[1]);
    if (this.#spread > 0 && now.spread > 0) this.view.zoomBy(now.spread / this.#spread, now.middle);
    this.#spread = now.spread;
    this.hooks.changed();
  }

  #between() {
    const [one, other = one] = [...this.#down.values()];
    if (!one) return { middle: [0, 0], spread: 0 };
    return {
      middle: [(one[0] + other[0]) / 2, (one[1] + other[1]) / 2],
      spread: Math.hypot(one[0] - other[0], one[1] - other[1]),
    };
  }

  #lifted(event) {
    const at = this.#at(event);
    const act = this.#act;
    this.#down.delete(event.pointerId);
    if (act?.name === "pinch") {
      if (this.#down.size === 0) this.#act = null;
      return;
    }
    this.#act = null;
    if (act?.name === "place") this.hooks.place(this.view.toImage(at), event);
    else if (act?.name === "drag") {
      this.hooks.drag(act.id, this.view.toImage([at[0] + act.off[0], at[1] + act.off[1]]), "end");
    }
    if (event.pointerType !== "mouse" || !this.hooks.tool()) this.hooks.aim(null);
  }

  #cancelled(event) {
    this.#down.delete(event.pointerId);
    this.#stop();
  }

  #gone(event) {
    if (!this.#down.has(event.pointerId)) this.hooks.aim(null);
  }

  // What was begun is given up: a handle goes back to where it was.
  #stop() {
    const act = this.#act;
    this.#act = null;
    if (act?.name === "drag") this.hooks.drag(act.id, act.from, "end");
    this.hooks.aim(null);
  }

  #wheeled(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 16 : 1;
    this.view.zoomBy(Math.exp(-Math.max(-120, Math.min(120, event.deltaY * lines)) * 0.0025), this.#at(event));
    this.hooks.changed();
  }
}
