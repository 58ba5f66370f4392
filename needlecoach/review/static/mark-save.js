// Saves the marks a moment after the last change, and says in words how that went.

const WAIT_MS = 600;
const AGAIN_MS = 5000;

export class Saver {
  #timer = 0;
  #saving = null;
  #saved;
  #version;

  /**
   * put(marks, version) answers {version} or throws an ApiError; said(words, kind, fault) shows the state;
   * conflict({error, marks, version}) asks which marks are to stay.
   */
  constructor(store, { version, put, said, conflict }) {
    Object.assign(this, { store, put, said, conflict, stopped: false });
    this.#version = version;
    this.#saved = JSON.stringify(store.marks);
    store.subscribe(() => this.#later());
  }

  get unsaved() {
    return JSON.stringify(this.store.marks) !== this.#saved;
  }

  /** Save now what is not saved yet; true when all is. */
  async flush() {
    clearTimeout(this.#timer);
    while (this.unsaved && !this.stopped) {
      this.#saving ??= this.#save().finally(() => (this.#saving = null));
      if (!(await this.#saving)) return false;
    }
    return !this.unsaved;
  }

  /** After a conflict: go on from the other's version, with theirs or with mine. */
  settle({ marks, version }, takeTheirs) {
    this.stopped = false;
    this.#version = version;
    if (takeTheirs) {
      this.#saved = JSON.stringify(marks ?? { schema: 1 });
      this.store.set(marks ?? { schema: 1 });
      this.said("the other’s marks taken", "saved");
      // Key order may differ from ours; what is the same in the file needs no saving.
      this.#saved = JSON.stringify(this.store.marks);
    } else {
      this.flush();
    }
  }

  #later() {
    clearTimeout(this.#timer);
    if (this.stopped) return;
    if (!this.unsaved) {
      this.said("nothing to save", "saved");
      return;
    }
    this.said("not saved yet", "waiting");
    this.#timer = setTimeout(() => this.flush(), WAIT_MS);
  }

  async #save() {
    const marks = this.store.marks;
    this.said("saving", "waiting");
    try {
      ({ version: this.#version } = await this.put(marks, this.#version));
    } catch (fault) {
      this.#failed(fault);
      return false;
    }
    this.#saved = JSON.stringify(marks);
    this.said(`saved ${new Date().toLocaleTimeString("en-GB")}`, "saved");
    return true;
  }

  #failed(fault) {
    if (fault.status === 409) {
      this.stopped = true;
      this.said("not saved: other marks were saved meanwhile", "problem");
      this.conflict(fault.answer);
      return;
    }
    this.said("not saved, kept in this page", "problem", fault);
    // What the file can't hold stays so until it is changed; anything else may mend itself.
    if (fault.status !== 422) this.#timer = setTimeout(() => this.flush(), AGAIN_MS);
  }
}
