// The stage's elements: picture, magnified view, handles, and below them what moves through the clip.

let count = 0;

export function build(host, clip) {
  count += 1;
  const id = (name) => `stage${count}-${name}`;
  host.classList.add("stage");
  const box = child(host, "div", "stage-box");
  box.style.setProperty("--ratio", String(clip.width_px / clip.height_px));
  const canvas = child(box, "canvas", "stage-canvas");
  // Keys go to the picture itself: placing points with a cursor is no text and no form.
  set(canvas, { tabindex: "0", role: "application", "aria-label": "Picture of the clip", "aria-describedby": id("keys") });
  const handles = child(box, "div", "stage-handles");
  const lens = child(box, "canvas", "stage-lens");
  set(lens, { "aria-hidden": "true" }).hidden = true;
  const hint = child(box, "p", "stage-hint");
  hint.setAttribute("role", "status");
  const run = runRow(host, clip, id);
  const keys = child(host, "p", "away");
  keys.id = id("keys");
  keys.textContent =
    "While a point is to be placed: arrow keys move the cursor, with Shift by 10 px, with Alt by a quarter; Enter places. " +
    "Else the left and right arrow keys step through the frames.";
  return { box, canvas, handles, lens, hint, ...run };
}

function zoomRow(bar) {
  const row = child(bar, "div", "stage-zoom");
  set(row, { role: "group", "aria-label": "Zoom" });
  const smaller = button(row, "−", "Zoom out (-)");
  const level = child(row, "span", "number");
  const larger = button(row, "+", "Zoom in (+)");
  const whole = button(row, "Whole", "Show the whole picture (0)");
  return {
    onZoom(does) {
      smaller.onclick = () => does(1 / 1.4);
      larger.onclick = () => does(1.4);
      whole.onclick = () => does(0);
    },
    showZoom(scale, fitted) {
      level.textContent = `${Math.round(scale * 100)} %`;
      smaller.disabled = whole.disabled = fitted;
    },
  };
}

function runRow(host, clip, id) {
  const bar = child(host, "div", "stage-run");
  const buttons = child(bar, "div", "stage-steps");
  set(buttons, { role: "group", "aria-label": "Through the clip" });
  const steps = [];
  const step = (text, name, by) => steps.push([button(buttons, text, name), by]);
  step("−10", "10 frames back (Shift and left arrow)", -10);
  step("−1", "One frame back (left arrow)", -1);
  const play = button(buttons, "Play", "");
  play.classList.add("stage-play");
  step("+1", "One frame on (right arrow)", 1);
  step("+10", "10 frames on (Shift and right arrow)", 10);
  const rate = rateChoice(buttons, id("rate"));
  const zoom = zoomRow(bar);
  const said = child(bar, "p", "stage-said number");
  const when = child(said, "span");
  const place = child(said, "span", "stage-place");
  const along = child(host, "div", "stage-along");
  const scrubber = child(along, "input");
  set(scrubber, { type: "range", min: "0", max: String(clip.n_frames - 1), step: "1", value: "0", "aria-label": "Frame" });
  const spans = child(along, "div", "stage-spans");
  spans.setAttribute("role", "img");
  spans.hidden = true;
  return {
    ...zoom,
    place,
    onStep: (does) => steps.forEach(([one, by]) => (one.onclick = () => does(by))),
    onToggle: (does) => (play.onclick = does),
    onGoTo: (does) => (scrubber.oninput = () => does(Number(scrubber.value))),
    onRate: (does) => (rate.onchange = () => does(Number(rate.value))),
    showPlaying: (playing) => (play.textContent = playing ? "Pause" : "Play"),
    showFrame: (number) => showFrame(clip, number, when, scrubber),
    showSpans: (list, words) => showSpans(spans, list, words, clip.n_frames),
  };
}

function rateChoice(row, id) {
  const label = child(row, "label", "away");
  label.htmlFor = id;
  label.textContent = "Speed";
  const rate = child(row, "select");
  rate.id = id;
  for (const [value, text] of [["1", "1 ×"], ["0.5", "½ ×"], ["0.25", "¼ ×"], ["2", "2 ×"]]) {
    child(rate, "option").value = value;
    rate.lastElementChild.textContent = text;
  }
  return rate;
}

function showFrame(clip, number, when, scrubber) {
  const second = (clip.times_s[number] - clip.times_s[0]).toFixed(2);
  when.textContent = `Frame ${number} of ${clip.n_frames - 1} · ${second} s`;
  if (Number(scrubber.value) !== number) scrubber.value = String(number);
  scrubber.setAttribute("aria-valuetext", `frame ${number}, ${second} s`);
}

function showSpans(strip, list, words, nFrames) {
  strip.replaceChildren();
  strip.hidden = list.length === 0;
  strip.setAttribute("aria-label", words);
  strip.title = words;
  for (const [first, last] of list) {
    const span = child(strip, "span");
    span.style.left = `${(100 * first) / nFrames}%`;
    span.style.width = `${(100 * (last - first + 1)) / nFrames}%`;
  }
}

function button(row, text, name) {
  const made = child(row, "button");
  made.type = "button";
  made.textContent = text;
  if (name) set(made, { "aria-label": name, title: name });
  return made;
}

function child(parent, tag, classes = "") {
  const made = document.createElement(tag);
  if (classes) made.className = classes;
  parent.append(made);
  return made;
}

function set(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}
