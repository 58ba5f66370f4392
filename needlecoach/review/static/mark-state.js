// The marks as they go into the file, with undo and redo over all of them.

const MOST_STEPS = 300;
// Changes of one thing that follow each other this fast are undone together.
const TOGETHER_MS = 900;

export class Store {
  #past = [];
  #future = [];
  #last = { key: null, at: 0 };
  #listeners = new Set();

  constructor(marks) {
    this.marks = marks;
  }

  get canUndo() {
    return this.#past.length > 0;
  }

  get canRedo() {
    return this.#future.length > 0;
  }

  subscribe(does) {
    this.#listeners.add(does);
  }

  /** Put marks in place of the present ones; changes with one key in quick succession are one step. */
  set(marks, key = null) {
    const next = without(marks);
    if (JSON.stringify(next) === JSON.stringify(this.marks)) return;
    const now = performance.now();
    const together = key !== null && key === this.#last.key && now - this.#last.at < TOGETHER_MS;
    if (!together) this.#past.push(this.marks);
    if (this.#past.length > MOST_STEPS) this.#past.shift();
    this.#future = [];
    this.#last = { key, at: now };
    this.#change(next);
  }

  /** Change some keys; undefined takes a key out. */
  update(part, key = null) {
    this.set({ ...this.marks, ...part }, key);
  }

  /** The next change is a step of its own. */
  part() {
    this.#last = { key: null, at: 0 };
  }

  undo() {
    this.#turn(this.#past, this.#future);
  }

  redo() {
    this.#turn(this.#future, this.#past);
  }

  #turn(from, to) {
    if (from.length === 0) return;
    to.push(this.marks);
    this.part();
    this.#change(from.pop());
  }

  #change(marks) {
    this.marks = marks;
    for (const does of this.#listeners) does(marks);
  }
}

// Keys without a value are left out, as they are in the file.
function without(value) {
  if (Array.isArray(value) || value === null || typeof value !== "object") return value;
  const kept = Object.entries(value).filter(([, part]) => part !== undefined && part !== null);
  return Object.fromEntries(kept.map(([key, part]) => [key, without(part)]));
}
