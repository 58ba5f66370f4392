// The list of corrections: kept here, saved on the server at once, the result computed again after each change.

import * as api from "./api.js";

const CODE_KEY = "needlecoach-code";
const CODE = /^(?=.*\d)[\p{L}\p{N}_][\p{L}\p{N}_.-]{0,15}$/u;
const OF_TIP = ["tip", "tip hidden", "no needle"];

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
  #waiting = false;
  #following = null;

  /** said(words, {share, problem}) tells the state; changed() after any change of the list; scored() when there is a new result. */
  constructor({ said, changed, scored }) {
    Object.assign(this, { said, changed, scored, list: [], version: "", busy: false });
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

  async load() {
    const answer = await api.get("corrections");
    this.list = answer.corrections;
    this.version = answer.version;
    this.changed();
    return answer;
  }

  /** Add one; what was said of the tip in that frame before gives way to it. */
  add(one) {
    const made = { ...one, by: this.code, at: new Date().toISOString().replace(/\.\d+Z$/, "Z") };
    const replaces = (other) => other.frame === one.frame && (other.kind === one.kind || (OF_TIP.includes(one.kind) && OF_TIP.includes(other.kind)));
    return this.#set([...this.list.filter((other) => !replaces(other)), made]);
  }

  remove(one) {
    return this.#set(this.list.filter((other) => other !== one));
  }

  at(frame) {
    return this.list.filter((one) => one.frame === frame);
  }

  #set(list) {
    this.list = list;
    this.changed();
    this.#waiting = true;
    if (!this.busy) return this.#send();
    // What is being computed is no longer wanted; what was saved stays saved.
    this.#following?.abort();
    return Promise.resolve();
  }

  async #send() {
    this.busy = true;
    this.changed();
    try {
      while (this.#waiting) await this.#sendOnce();
      await this.scored();
    } catch (problem) {
      await this.#failed(problem);
    } finally {
      this.busy = false;
      this.changed();
    }
  }

  // One after another: each needs the version that the one before led to.
  async #sendOnce() {
    this.#waiting = false;
    this.#following = new AbortController();
    this.said("Saving …", { share: 0 });
    const started = await api.put("corrections", { corrections: this.list, version: this.version });
    this.version = started.version;
    try {
      await api.follow(started, ({ share }) => this.said("Saved. The result is being computed again …", { share }), this.#following);
    } catch (problem) {
      if (!this.#waiting) throw problem;
    }
  }

  async #failed(problem) {
    this.#waiting = false;
    if (problem.status === 409 && problem.answer?.corrections) {
      this.list = problem.answer.corrections;
      this.version = problem.answer.version;
      this.said(`${problem.message} Its corrections are shown now; your last change is not among them.`, { problem: true });
      return;
    }
    this.said(problem.message, { problem: true });
    if (!problem.serverGone) await this.load().catch(() => {});
  }
}
