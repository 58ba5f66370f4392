// What three clicks, two points or a row of ticks mean. Points are [x, y] in px of the original frame.

const DIRECTIONS = 360;
// As in the scoring: a hand marks a point or an outline to 1 px, and never better than 0.3 px.
export const MARKED_ONCE_SD_PX = 1;
export const LEAST_SD_PX = 0.3;
// Beyond this share of the long axis a third click says nothing of the width.
const WIDEST = 0.9;

export const rounded = (value) => Math.round(value * 100) / 100;
export const roundedPoint = ([x, y]) => [rounded(x), rounded(y)];
export const distance = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** Ellipse with a long axis from a to b that runs through p; null when p lies off one of its ends. */
export function ellipseThrough(a, b, p) {
  const long = distance(a, b) / 2;
  const centre = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  const tilt = Math.atan2(b[1] - a[1], b[0] - a[0]);
  const [u, v] = turned([p[0] - centre[0], p[1] - centre[1]], -tilt);
  if (long < 1 || Math.abs(u) > WIDEST * long || Math.abs(v) < 1) return null;
  return ellipseEntry(centre, long, Math.abs(v) / Math.sqrt(1 - (u / long) ** 2), tilt);
}

function ellipseEntry(centre, long, short, tilt) {
  return {
    centre_px: roundedPoint(centre),
    semi_axes_px: [rounded(long), rounded(short)],
    tilt_deg: rounded((tilt * 180) / Math.PI),
  };
}

function turned([x, y], by) {
  return [x * Math.cos(by) - y * Math.sin(by), x * Math.sin(by) + y * Math.cos(by)];
}

/** A point of the ellipse by the angle of its parameter. */
function onEllipse({ centre_px: [cx, cy], semi_axes_px: [long, short], tilt_deg: tilt = 0 }, phase) {
  const [dx, dy] = turned([long * Math.cos(phase), short * Math.sin(phase)], (tilt * Math.PI) / 180);
  return [cx + dx, cy + dy];
}

/** Its ends: of the first axis (two), then of the second. */
export function ellipseEnds(ellipse) {
  return [0, Math.PI, Math.PI / 2, -Math.PI / 2].map((phase) => onEllipse(ellipse, phase));
}

/** The ellipse with one of those ends moved to p; the opposite end of a first axis stays. */
export function ellipseWithEnd(ellipse, end, p) {
  const [long, short] = ellipse.semi_axes_px;
  const tilt = ((ellipse.tilt_deg ?? 0) * Math.PI) / 180;
  if (end < 2) {
    const fixed = ellipseEnds(ellipse)[1 - end];
    const [from, to] = end === 0 ? [fixed, p] : [p, fixed];
    const centre = [(p[0] + fixed[0]) / 2, (p[1] + fixed[1]) / 2];
    return ellipseEntry(centre, Math.max(distance(from, to) / 2, 1), short, Math.atan2(to[1] - from[1], to[0] - from[0]));
  }
  const [, v] = turned([p[0] - ellipse.centre_px[0], p[1] - ellipse.centre_px[1]], -tilt);
  return ellipseEntry(ellipse.centre_px, long, Math.max(Math.abs(v), 1), tilt);
}

/** Points of an outline, which is {ellipse} or {polygon_px}. */
export function outlinePoints(entry, n = DIRECTIONS) {
  if (!entry.ellipse) return entry.polygon_px;
  return Array.from({ length: n }, (_, i) => onEllipse(entry.ellipse, (2 * Math.PI * i) / n));
}

export function areaPx2(points) {
  return Math.abs(points.reduce((sum, [x, y], i) => {
    const [nx, ny] = points[(i + 1) % points.length];
    return sum + x * ny - y * nx;
  }, 0)) / 2;
}

export function centreOf(entry) {
  if (entry.ellipse) return entry.ellipse.centre_px;
  const points = entry.polygon_px;
  let [sum, x, y] = [0, 0, 0];
  const [ox, oy] = points[0];
  points.forEach((point, i) => {
    const next = points[(i + 1) % points.length];
    const [ax, ay, bx, by] = [point[0] - ox, point[1] - oy, next[0] - ox, next[1] - oy];
    const cross = ax * by - ay * bx;
    sum += cross;
    x += (ax + bx) * cross;
    y += (ay + by) * cross;
  });
  if (Math.abs(sum) < 1e-9) return points[0];
  return [ox + x / (3 * sum), oy + y / (3 * sum)];
}

export function moved(entry, [dx, dy]) {
  const shift = ([x, y]) => roundedPoint([x + dx, y + dy]);
  if (entry.ellipse) return { ellipse: { ...entry.ellipse, centre_px: shift(entry.ellipse.centre_px) } };
  return { polygon_px: entry.polygon_px.map(shift) };
}

/** Diameter of the circle with the outline's area. */
export function meanDiameterPx(entry) {
  const area = entry.ellipse ? Math.PI * entry.ellipse.semi_axes_px[0] * entry.ellipse.semi_axes_px[1] : areaPx2(entry.polygon_px);
  return 2 * Math.sqrt(area / Math.PI);
}

/** Whether sides of a polygon cross each other, which no outline does. */
export function crossesItself(points) {
  const n = points.length;
  const side = (a, b, c) => Math.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]));
  for (let i = 0; i < n; i += 1) {
    for (let j = i + 2; j < n; j += 1) {
      if (i === 0 && j === n - 1) continue;
      const [a, b, c, d] = [points[i], points[i + 1], points[j], points[(j + 1) % n]];
      if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return true;
    }
  }
  return false;
}

/**
 * Standard uncertainty of one marked outline in px, from two markings of it; null when they don't lie over each
 * other. The same sum as the scoring's own: what both differ by in all directions, over the square root of 2.
 */
export function markingSdPx(first, again) {
  const [a, b] = [centreOf(first), centreOf(again)];
  const centre = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  const [one, other] = [first, again].map((entry) => radii(outlinePoints(entry), centre));
  const squares = one.map((radius, i) => (radius - other[i]) ** 2);
  if (!squares.every(Number.isFinite)) return null;
  return Math.max(Math.sqrt(squares.reduce((sum, value) => sum + value, 0) / squares.length / 2), LEAST_SD_PX);
}

function radii(points, [cx, cy]) {
  return Array.from({ length: DIRECTIONS }, (_, i) => {
    const turn = (2 * Math.PI * i) / DIRECTIONS;
    const ray = [Math.cos(turn), Math.sin(turn)];
    let farthest = NaN;
    points.forEach((point, j) => {
      const next = points[(j + 1) % points.length];
      const [px, py, sx, sy] = [point[0] - cx, point[1] - cy, next[0] - point[0], next[1] - point[1]];
      const facing = ray[0] * sy - ray[1] * sx;
      const radius = (px * sy - py * sx) / facing;
      const share = (px * ray[1] - py * ray[0]) / facing;
      if (radius > 0 && share >= -1e-9 && share <= 1 + 1e-9 && !(farthest >= radius)) farthest = radius;
    });
    return farthest;
  });
}

/** Spacing of a row of ticks with its standard uncertainty, in px; null for fewer than three. Some may be missing. */
export function tickSpacing(ticks) {
  if (ticks.length < 3) return null;
  const span = [0, 1].map((axis) => Math.max(...ticks.map((t) => t[axis])) - Math.min(...ticks.map((t) => t[axis])));
  const along = ticks.map((t) => t[span[1] >= span[0] ? 1 : 0]).sort((a, b) => a - b);
  const steps = along.slice(1).map((value, i) => value - along[i]);
  const usual = [...steps].sort((a, b) => a - b)[Math.floor((steps.length - 1) / 2)];
  // Counted from tick to tick: over the whole row the usual step's rounding would add up.
  const numbers = [0];
  for (const step of steps) numbers.push(numbers.at(-1) + Math.max(Math.round(step / usual), 1));
  return slope(numbers, along);
}

function slope(x, y) {
  const n = x.length;
  const mean = (list) => list.reduce((sum, value) => sum + value, 0) / n;
  const [mx, my] = [mean(x), mean(y)];
  const spread = x.reduce((sum, value) => sum + (value - mx) ** 2, 0);
  const px = x.reduce((sum, value, i) => sum + (value - mx) * (y[i] - my), 0) / spread;
  const left = y.reduce((sum, value, i) => sum + (value - my - px * (x[i] - mx)) ** 2, 0);
  // A tick is drawn on whole rows: no fit is surer than that rounding.
  const sd = Math.max(Math.sqrt(left / Math.max(n - 2, 1)), 0.29) / Math.sqrt(spread);
  return { px, sdShare: sd / px, n };
}
