// Tries as the page holds them: each has one video, made once from its data and kept for all rounds.
"use strict";
const MORE_S = 2;
const byId = (id) => document.getElementById(id);

function blobUrl(base64, type) {
  const bytes = Uint8Array.from(atob(base64), (sign) => sign.charCodeAt(0));
  return URL.createObjectURL(new Blob([bytes], { type }));
}

/** Take the data out of the page's scripts, so that their text need not be kept. */
function taken(selector) {
  return [...document.querySelectorAll(selector)].map((script) => {
    script.remove();
    return JSON.parse(script.textContent);
  });
}

function makeTry(data, id) {
  const video = document.createElement("video");
  video.muted = true;
  video.playsInline = true;
  video.preload = "auto";
  video.hidden = true;
  video.disablePictureInPicture = true;
  const made = { id, film: data.film, words: data.words, photo: data.photo, simulated: data.simulated === true, visitor: id !== "", gone: false, broken: false, video };
  video.addEventListener("error", () => { made.broken = true; });
  video.src = blobUrl(data.video, "video/webm");
  byId("videos").append(video);
  return made;
}

/** Give back all that a try holds. */
function endTry(one) {
  const address = one.video.src;
  one.video.removeAttribute("src");
  one.video.load();
  one.video.remove();
  URL.revokeObjectURL(address);
}

/** Asks for visitors' tries by scripts beside the page, which work from a file where nothing else does. */
class Visitors {
  constructor(folder, onNew, onGone) {
    this.folder = folder;
    this.known = new Set();
    this.onNew = onNew;
    this.onGone = onGone;
    this.asked = 0;
    window.needlecoachMore = (ids) => this.sync(ids);
    window.needlecoachTry = (id, data) => { if (this.known.has(id)) this.onNew(makeTry(data, id)); };
    setInterval(() => this.ask(`${folder}.js?${++this.asked}`), MORE_S * 1000);
  }

  ask(address) {
    const script = document.createElement("script");
    script.onload = script.onerror = () => script.remove();
    script.src = address;
    document.head.append(script);
  }

  sync(ids) {
    for (const id of ids) {
      if (this.known.has(id)) continue;
      this.known.add(id);
      this.ask(`${this.folder}/${id}.js`);
    }
    for (const id of [...this.known]) {
      if (ids.includes(id)) continue;
      this.known.delete(id);
      this.onGone(id);
    }
  }
}
