// What the live page calculates to draw: places are px of the captured picture, lengths mm by the scale of the day.

/** Where a line from `from` through `through` runs within a closed outline: mm from `from`, [near, far], or null. */
export function crossingMm(outline, from, through, mm) {
  const toMm = ([x, y]) => [(x - from[0]) * mm[0], (y - from[1]) * mm[1]];
  const [ux, uy] = toMm(through), length = Math.hypot(ux, uy);
  if (!(length > 1e-6)) return null;
  const found = [], corners = outline.map(toMm);
  corners.forEach(([ax, ay], i) => {
    const [bx, by] = corners[(i + 1) % corners.length];
    const sideA = (ux * ay - uy * ax) / length, sideB = (ux * by - uy * bx) / length;
    if (sideA < 0 === sideB < 0) return;
    const share = sideA / (sideA - sideB);
    found.push(((ax + (bx - ax) * share) * ux + (ay + (by - ay) * share) * uy) / length);
  });
  return found.length ? [Math.min(...found), Math.max(...found)] : null;
}
