// The list of corrections: kept here with all that can be undone, saved on the server at once, the result computed
// again after each change. A correction made before there is a code stands in the list without `by`; nothing is sent until then.

import * as api from "./api.js";

const CODE_KEY = "needlecoach-code";
const CODE = /^(?=.*\d)[\p{L}\p{N}_][\p{L}\p{N}_.-]{0,15}$/u;
const OF_TIP = ["tip", "tip hidden", "no needle"];
const OPPOSITE = { "split attempt": "join attempts", "join attempts": "split attempt", "split pass": "join passes", "join passes": "split pass" };
const MOST_STEPS = 300;

export const WORDS = {
  "tip": "Tip put in place",
  "tip hidden": "Tip not visible",
  "no needle": "No needle",
  "split attempt": "New attempt begins",
  "join attempts": "Attempt joined to the one before",
  "split pass": "New pass begins",
  "join passes": "Pass joined to the one before",
};

export class Corrections {
  #queued = false;
  #following = null;
  #past = [];
  #future = [];
  #saved = "[]";

  /**
   * said(words, {share, problem}) tells the state; changed() after any change of the list; scored() when there is a new
   * result; taken() after another page's corrections were taken in place of ours.
   */
  constructor({ said, changed, scored, taken }) {
    Object.assign(this, { said, changed, scored, taken, list: [], version: "", busy: false, failed: false });
  }

  get code() {
    try {
      return localStorage.getItem(CODE_KEY) ?? "";
    } catch {
      return this.typed ?? "";
    }
  }

  set code(text) {
    this.typed = text;
    try {
      localStorage.setItem(CODE_KEY, text);
    } catch {
      // A browser that keeps nothing: the code is asked for again next time.
    }
  }

  static isCode(text) {
    return CODE.test(text);
  }

  /** How many wait for the code of who made them. */
  get waiting() {
    return this.list.filter((one) => one.by === null).length;
  }

  get unsaved() {
    return JSON.stringify(this.list) !== this.#saved;
  }

  get canUndo() {
    return this.#past.length > 0;
  }

  get canRedo() {
    return this.#future.length > 0;
  }

  /** Take what the server has in place of the list here; what was done before can't be undone beyond that. */
  take({ corrections, version }) {
    Object.assign(this, { list: corrections, version, failed: false });
    this.#saved = JSON.stringify(corrections);
    this.#past = [];
    this.#future = [];
    this.changed();
  }

  /** Add one, by a code or, with `by` null, waiting for one; what was said of the tip in that frame gives way to it. */
  add(one, by) {
    // To join where a person split, or to split where one joined, is to take that back.
    const opposite = this.list.find((other) => other.frame === one.frame && other.kind === OPPOSITE[one.kind]);
    if (opposite) return this.remove(opposite);
    const made = { ...one, by, at: new Date().toISOString().replace(/\.\d+Z$/, "Z") };
    const replaces = (other) => other.frame === one.frame && (other.kind === one.kind || (OF_TIP.includes(one.kind) && OF_TIP.includes(other.kind)));
    return this.#step([...this.list.filter((other) => !replaces(other)), made]);
  }

  remove(one) {
    return this.#step(this.list.filter((other) => other !== one));
  }

  undo() {
    return this.#turn(this.#past, this.#future);
  }

  redo() {
    return this.#turn(this.#future, this.#past);
  }

  /** All that wait were made by this code. */
  sign(by) {
    // Lists that can be undone or redone hold the same objects.
    for (const one of [this.list, ...this.#past, ...this.#future].flat()) if (one.by === null) one.by = by;
    return this.#set(this.list);
  }

  at(frame) {
    return this.list.filter((one) => one.frame === frame);
  }

  /** Save once more, or have it computed once more. */
  again() {
    return this.#queue();
  }

  #step(list) {
    this.#past = [...this.#past, this.list].slice(-MOST_STEPS);
    this.#future = [];
    return this.#set(list);
  }

  /** Returns a correction that came or went, so that it can be looked at. */
  #turn(from, to) {
    const list = from.pop(), former = this.list;
    if (!list) return null;
    to.push(former);
    this.#set(list);
    return list.find((one) => !former.includes(one)) ?? former.find((one) => !list.includes(one)) ?? null;
  }

  #set(list) {
    this.list = list;
    this.changed();
    if (this.waiting) return Promise.resolve();
    if (!this.unsaved && !this.busy && !this.failed) return Promise.resolve(this.said(""));
    return this.#queue();
  }

  #queue() {
    this.#queued = true;
    if (!this.busy) return this.#send();
    // What is being computed is no longer wanted; what was saved stays saved.
    this.#following?.abort();
    return Promise.resolve();
  }

  async #send() {
    Object.assign(this, { busy: true, failed: false });
    this.changed();
    try {
      while (this.#queued) await this.#sendOnce();
      await this.scored();
    } catch (problem) {
      this.#failed(problem);
    } finally {
      this.busy = false;
      this.changed();
      // Taken only now: what follows it looks whether anything is being saved.
      if (this.theirs) this.taken(this.theirs);
      this.theirs = null;
    }
  }

  // One after another: each needs the version that the one before led to.
  async #sendOnce() {
    this.#queued = false;
    this.#following = new AbortController();
    const sent = this.list;
    this.said("Saving …", { share: 0 });
    const started = await api.put("corrections", { corrections: sent, version: this.version });
    this.version = started.version;
    this.#saved = JSON.stringify(sent);
    this.changed();
    try {
      this.note = "";
      const result = await api.follow(started, ({ share }) => this.said("Saved. The result is being computed again …", { share }), this.#following);
      this.note = result?.note ?? "";
    } catch (problem) {
      if (!this.#queued) throw problem;
    }
  }

  #failed(problem) {
    this.#queued = false;
    if (problem.status === 409 && problem.answer?.corrections) {
      this.take(problem.answer);
      this.theirs = `${problem.message} Its corrections are shown now; your last change is not among them.`;
      return;
    }
    this.failed = true;
    const words = problem.message.replace(/^Not saved: /, "");
    this.said(this.unsaved ? `Not saved, kept in this page: ${words}` : `Saved, but not in the figures yet: ${words}`, { problem: true });
  }
}
