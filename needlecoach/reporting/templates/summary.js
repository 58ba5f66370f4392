// Draws strip and plan of each attempt, and joins them to the replay. Stands below the drawing in the same script.
const views = JSON.parse(document.getElementById("views").textContent);
const video = document.querySelector(".replay video");
const drawn = views.map((view) => {
  const attempt = view.attempts[0], number = attempt.number;
  const around = document.getElementById(`around-${number}`);
  const flat = around ? plan(around, view, attempt) : { setFrame() {} };
  const strip = shaftStrip(document.getElementById(`strip-${number}`), view, {
    at: attempt.core?.frame ?? attempt.closest ?? attempt.deepest ?? attempt.first,
    name: `Attempt ${number}, moment in the clip`,
    onFrame(frame) {
      flat.setFrame(frame);
      if (video) video.currentTime = Math.max(view.frames.time_s[frame - view.first] - view.start_s + 0.001, 0);
    },
  });
  stripLegend(document.getElementById(`legend-${number}`), view);
  return { view, flat, strip };
});
// Advice names a moment: the strip goes there as by a click, with all that follows it.
for (const link of document.querySelectorAll("a.moment")) {
  link.addEventListener("click", (event) => {
    const strip = drawn.find(({ view }) => view.attempts[0].number === Number(link.dataset.attempt))?.strip;
    if (!strip) return;
    event.preventDefault();
    strip.pick(Number(link.dataset.frame));
    strip.element.closest("figure").scrollIntoView({ block: "nearest" });
    strip.element.focus({ preventScroll: true });
  });
}
video?.addEventListener("timeupdate", () => {
  for (const { view, flat, strip } of drawn) {
    const reading = new Reading(view), time = video.currentTime + view.start_s;
    if (time < reading.time(reading.first) || time > reading.end(reading.last)) continue;
    const frame = reading.nearest(time);
    strip.setFrame(frame);
    flat.setFrame(frame);
  }
});
