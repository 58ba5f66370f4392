// Points on the picture that can be taken hold of: by mouse or finger (the nearest one is taken), or by Tab and
// the arrow keys. Each is a button, so that it has a name and the browser's focus.

const KEYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** What an arrow key moves by, in px of the picture; null for any other key. Shift: 10 px, Alt: a quarter. */
export function keyStep(event) {
  const way = KEYS[event.key];
  if (!way || event.ctrlKey || event.metaKey) return null;
  const by = event.shiftKey ? 10 : event.altKey ? 0.25 : 1;
  return [way[0] * by, way[1] * by];
}

export class Handles {
  #shown = new Map();

  /** moved(handle) is called after a key has moved one, left() when none has the focus any more. */
  constructor(layer, view, { moved, left }) {
    Object.assign(this, { layer, view, moved, left });
  }

  /** Show these handles; one with the id of a former one takes its place and keeps its focus. */
  set(list) {
    const wanted = new Set(list.map((handle) => handle.id));
    for (const [id, { button }] of this.#shown) {
      if (wanted.has(id)) continue;
      button.remove();
      this.#shown.delete(id);
    }
    for (const handle of list) {
      const button = this.#shown.get(handle.id)?.button ?? this.#button(handle.id);
      this.#shown.set(handle.id, { handle, button });
      // Only a change of order moves a button: moving one would take its focus.
      const place = this.layer.children[list.indexOf(handle)];
      if (place !== button) this.layer.insertBefore(button, place ?? null);
      const [x, y] = handle.at;
      button.setAttribute("aria-label", `${handle.label}, x ${x.toFixed(1)}, y ${y.toFixed(1)} px`);
      button.className = `handle ${handle.shape ?? "round"}`;
      button.style.setProperty("--handle", handle.colour ?? "#ffffff");
    }
    this.place();
  }

  /** Put the buttons where the view shows their points. */
  place() {
    for (const { handle, button } of this.#shown.values()) {
      const [x, y] = this.view.toBox(handle.at);
      button.style.transform = `translate(${x}px, ${y}px)`;
    }
  }

  /** The handle nearest to a place in the box, not farther than so many CSS px; null when there is none. */
  near(at, within) {
    let [best, least] = [null, within];
    for (const { handle } of this.#shown.values()) {
      const [x, y] = this.view.toBox(handle.at);
      const away = Math.hypot(x - at[0], y - at[1]);
      if (away <= least) [best, least] = [handle, away];
    }
    return best;
  }

  /** The handle that now has this id. */
  get(id) {
    return this.#shown.get(id)?.handle ?? null;
  }

  focus(id) {
    this.#shown.get(id)?.button.focus({ preventScroll: true });
  }

  #button(id) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.handle = id;
    button.addEventListener("keydown", (event) => this.#key(event, id));
    button.addEventListener("blur", () => this.left());
    return button;
  }

  #key(event, id) {
    const { handle } = this.#shown.get(id);
    const step = keyStep(event);
    if (step) {
      event.preventDefault();
      event.stopPropagation();
      handle.move([handle.at[0] + step[0], handle.at[1] + step[1]], "key");
      const now = this.get(id);
      if (now) this.moved(now);
    } else if ((event.key === "Delete" || event.key === "Backspace") && handle.remove) {
      event.preventDefault();
      handle.remove();
    }
  }
}
