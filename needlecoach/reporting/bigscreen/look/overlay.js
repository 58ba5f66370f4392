// What is drawn over the film, from its data, as sharp as the screen is.
"use strict";
const INK = { tip: "#6fd3e3", unseen: "#ffaa64", target: "#d9b8ff", sample: "#ffe08a", line: "#ffffff", halo: "#060b14" };
const ZOOM = 1.9;
// Least width of the panel, in hundredths of the screen's.
const PANEL = 47;

class Overlay {
  constructor(canvas, videos) {
    this.canvas = canvas;
    this.videos = videos;
    this.pen = canvas.getContext("2d");
    this.film = null;
    this.drawn = "";
    this.view = { zoom: 1, left: 0, top: 0 };
  }

  /** Fit the picture's box to the screen, beside the panel. */
  fit(film) {
    this.film = film;
    this.drawn = "";
    const aspect = film.width / film.height, box = this.canvas.parentElement;
    const unit = Math.min(innerWidth / 100, innerHeight / 56.25);
    const width = Math.round(Math.min(innerWidth - PANEL * unit, innerHeight * aspect)), height = Math.round(width / aspect);
    Object.assign(box.style, { width: `${width}px`, height: `${height}px`, alignSelf: "center" });
    const sharp = window.devicePixelRatio || 1;
    this.canvas.width = Math.round(width * sharp);
    this.canvas.height = Math.round(height * sharp);
  }

  /** Look closer by a share from 0 (all of the picture) to 1. */
  look(share) {
    const zoom = 1 + (ZOOM - 1) * share, at = this.middle(), room = 1 - 1 / zoom;
    const place = (middle) => Math.min(Math.max(middle - 0.5 / zoom, 0), room);
    this.view.zoom = zoom;
    this.view.left = place(at[0]);
    this.view.top = place(at[1]);
    this.videos.style.transform = `scale(${zoom}) translate(${-this.view.left * 100}%, ${-this.view.top * 100}%)`;
  }

  middle() {
    const i = this.index(this.film.decisive_s), tip = this.film.tip[i], target = this.film.target[i];
    if (!tip || !target) return tip || target || [0.5, 0.5];
    return [(tip[0] + target[0]) / 2, (tip[1] + target[1]) / 2];
  }

  index(time) {
    const times = this.film.time_s;
    let low = 0, high = times.length - 1;
    while (low < high) {
      const half = (low + high + 1) >> 1;
      if (times[half] <= time + 0.002) low = half; else high = half - 1;
    }
    return low;
  }

  x(share) { return (share - this.view.left) * this.view.zoom * this.canvas.width; }
  y(share) { return (share - this.view.top) * this.view.zoom * this.canvas.height; }

  /** Draw what belongs to a time of the film; nothing where that is drawn already. */
  draw(time, withLine) {
    const i = this.index(time), key = `${i} ${withLine} ${this.view.zoom}`;
    if (key === this.drawn) return;
    this.drawn = key;
    const { film, pen } = this, thick = Math.max(this.canvas.width, this.canvas.height) / 180;
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.lineCap = pen.lineJoin = "round";
    this.outline(film.target[i], thick);
    this.path(i, thick);
    if (film.notch_near) this.stretch(film.notch_near[i], film.notch_far[i], thick);
    if (film.tip[i]) this.tip(film.tip[i], film.seen[i], thick);
    if (withLine && film.line) this.line(film.line, thick);
  }

  stroke(ink, width, dash) {
    const { pen } = this;
    pen.setLineDash([]);
    pen.strokeStyle = INK.halo;
    pen.globalAlpha = 0.75;
    pen.lineWidth = width * 2;
    pen.stroke();
    pen.setLineDash(dash);
    pen.globalAlpha = 1;
    pen.strokeStyle = ink;
    pen.lineWidth = width;
    pen.stroke();
    pen.setLineDash([]);
  }

  outline(centre, thick) {
    if (!centre) return;
    this.pen.beginPath();
    for (const [dx, dy] of this.film.outline) this.pen.lineTo(this.x(centre[0] + dx), this.y(centre[1] + dy));
    this.pen.closePath();
    this.stroke(INK.target, thick, []);
  }

  /** The tip's way up to now; dashed where it was out of sight. */
  path(last, thick) {
    const { film, pen } = this;
    for (const seen of [0, 1]) {
      pen.beginPath();
      for (let i = Math.max(film.first, 1); i <= last; i += 1) {
        const from = film.tip[i - 1], to = film.tip[i];
        if (!from || !to || film.seen[i] !== seen) continue;
        pen.moveTo(this.x(from[0]), this.y(from[1]));
        pen.lineTo(this.x(to[0]), this.y(to[1]));
      }
      pen.globalAlpha = 0.8;
      pen.strokeStyle = seen ? INK.tip : INK.unseen;
      pen.lineWidth = thick;
      pen.setLineDash(seen ? [] : [thick * 2, thick * 2]);
      pen.stroke();
    }
    pen.setLineDash([]);
    pen.globalAlpha = 1;
  }

  tip(place, seen, thick) {
    const { pen } = this, x = this.x(place[0]), y = this.y(place[1]), radius = thick * 4.4;
    pen.beginPath();
    pen.arc(x, y, radius, 0, 2 * Math.PI);
    this.stroke(seen ? INK.tip : INK.unseen, thick, seen ? [] : [radius * 0.6, radius * 0.45]);
    if (!seen) return;
    pen.beginPath();
    pen.arc(x, y, thick * 1.1, 0, 2 * Math.PI);
    pen.fillStyle = INK.tip;
    pen.fill();
  }

  stretch(near, far, thick) {
    if (!near || !far) return;
    this.pen.beginPath();
    this.pen.moveTo(this.x(near[0]), this.y(near[1]));
    this.pen.lineTo(this.x(far[0]), this.y(far[1]));
    this.stroke(INK.sample, thick * 1.6, []);
  }

  /** The distance that is told, from the tip to the middle or the rim. */
  line(ends, thick) {
    if (ends.length < 2) return;
    const { pen } = this, [[ax, ay], [bx, by]] = ends.map(([u, v]) => [this.x(u), this.y(v)]);
    pen.beginPath();
    pen.moveTo(ax, ay);
    pen.lineTo(bx, by);
    this.stroke(INK.line, thick, []);
    pen.beginPath();
    pen.arc(bx, by, thick * 1.4, 0, 2 * Math.PI);
    pen.fillStyle = INK.line;
    pen.fill();
  }
}
