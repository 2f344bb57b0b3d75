/**
 * Lines of equal brightness, traced beside the page so that it never waits: smoothed by a Gaussian as wide as the seeing
 * near the comet and three times that far out, then marching squares. The same rules as in the report.
 * @module
 */

/**
 * @typedef {object} Job
 * @property {number} id
 * @property {Float32Array[]} grids  the first gives the levels
 * @property {number} width
 * @property {number} height
 * @property {number} fwhm  in cells of the grid
 * @property {number} centre_x
 * @property {number} centre_y
 * @property {number} noise  of the smoothed grid, e⁻/s per stack pixel
 * @property {number} area_arcsec2  of a stack pixel
 * @property {number|null} zero_point_mag
 *
 * @typedef {{label: string, lines: Float32Array[]}} Isophote  points x, y in cells
 */

const MOST = 14;

/** @param {Float32Array} values @param {number} width @param {number} height @param {number} sigma */
function gaussian(values, width, height, sigma) {
  const reach = Math.max(1, Math.ceil(3 * sigma));
  const kernel = Float32Array.from({ length: reach + 1 }, (_, i) => Math.exp((-i * i) / (2 * sigma * sigma)));
  const sums = new Float32Array(values.length);
  const shares = new Float32Array(values.length);
  const pass = (/** @type {(i: number) => number} */ v, /** @type {(i: number) => number} */ w, /** @type {number} */ along, /** @type {number} */ n, /** @type {number} */ across, /** @type {number} */ m) => {
    const [outV, outW] = [new Float32Array(values.length), new Float32Array(values.length)];
    for (let line = 0; line < m; line += 1) {
      for (let k = 0; k < n; k += 1) {
        let [sum, share] = [0, 0];
        const [from, to] = [Math.max(k - reach, 0), Math.min(k + reach, n - 1)];
        for (let q = from; q <= to; q += 1) {
          const i = line * across + q * along;
          const f = kernel[Math.abs(q - k)];
          sum += f * v(i);
          share += f * w(i);
        }
        const i = line * across + k * along;
        outV[i] = sum;
        outW[i] = share;
      }
    }
    return [outV, outW];
  };
  for (let i = 0; i < values.length; i += 1) {
    const good = values[i] === values[i];
    sums[i] = good ? values[i] : 0;
    shares[i] = good ? 1 : 0;
  }
  const [v, w] = pass((i) => sums[i], (i) => shares[i], 1, width, width, height);
  const [v2, w2] = pass((i) => v[i], (i) => w[i], width, height, 1, width);
  for (let i = 0; i < v2.length; i += 1) v2[i] = w2[i] > 0 ? v2[i] / w2[i] : NaN;
  return v2;
}

/** @param {Job} job @param {Float32Array} grid */
function smoothed(job, grid) {
  const sigma = Math.max(job.fwhm / 2.35482, 0.5);
  const near = gaussian(grid, job.width, job.height, sigma);
  const far = gaussian(grid, job.width, job.height, 3 * sigma);
  for (let i = 0; i < near.length; i += 1) {
    const radius = Math.hypot((i % job.width) - job.centre_x, Math.floor(i / job.width) - job.centre_y);
    const share = Math.min(Math.max((radius - 8 * job.fwhm) / (8 * job.fwhm), 0), 1);
    // a line across a gap would be a guess
    near[i] = grid[i] === grid[i] ? near[i] + share * (far[i] - near[i]) : NaN;
  }
  return near;
}

/** @param {Job} job @param {number} faintest @param {number} brightest @returns {[number, string][]} */
function levels(job, faintest, brightest) {
  const { area_arcsec2: area, zero_point_mag: zero } = job;
  faintest = Math.max(faintest, brightest * 1e-6);
  if (!(faintest > 0 && faintest < brightest)) return [];
  if (zero !== null) {
    const mag = (/** @type {number} */ v) => zero - 2.5 * Math.log10(v / area);
    const step = [0.5, 1].find((s) => mag(faintest) - mag(brightest) <= s * MOST) ?? 2;
    /** @type {[number, string][]} */
    const out = [];
    for (let k = Math.ceil(mag(brightest) / step); k <= Math.floor(mag(faintest) / step); k += 1) {
      out.push([area * 10 ** (-0.4 * (k * step - zero)), (k * step).toFixed(1)]);
    }
    return out;
  }
  const decade = Math.floor(Math.log10(brightest / area));
  return Array.from({ length: 8 }, (_, i) => decade - i).flatMap((p) => [5, 2, 1].map((m) => m * 10 ** p))
    .filter((v) => v * area <= brightest && v * area >= faintest).slice(0, MOST)
    .map((v) => [v * area, String(Number(v.toPrecision(1)))]);
}

/**
 * Marching squares, joined to lines.
 * @param {Float32Array} grid @param {number} width @param {number} height @param {number} level
 */
function trace(grid, width, height, level) {
  // an edge's number: twice its first cell's, one more where it runs down
  /** @type {Map<number, number[]>} */
  const joins = new Map();
  const join = (/** @type {number} */ a, /** @type {number} */ b) => {
    for (const [from, to] of [[a, b], [b, a]]) {
      const list = joins.get(from);
      if (list) list.push(to);
      else joins.set(from, [to]);
    }
  };
  for (let y = 0; y + 1 < height; y += 1) {
    for (let x = 0; x + 1 < width; x += 1) {
      const i = y * width + x;
      const [p, q, r, s] = [grid[i], grid[i + 1], grid[i + width + 1], grid[i + width]];
      if (!(p === p && q === q && r === r && s === s)) continue;
      const state = (p > level ? 1 : 0) | (q > level ? 2 : 0) | (r > level ? 4 : 0) | (s > level ? 8 : 0);
      if (state === 0 || state === 15) continue;
      const [top, right, bottom, left] = [2 * i, 2 * (i + 1) + 1, 2 * (i + width), 2 * i + 1];
      if (state === 5 || state === 10) {
        const high = (p + q + r + s) / 4 > level;
        if ((state === 5) === high) { join(top, right); join(bottom, left); } else { join(top, left); join(bottom, right); }
      } else if (state === 1 || state === 14) join(top, left);
      else if (state === 2 || state === 13) join(top, right);
      else if (state === 4 || state === 11) join(right, bottom);
      else if (state === 8 || state === 7) join(bottom, left);
      else if (state === 3 || state === 12) join(left, right);
      else join(top, bottom);
    }
  }
  const place = (/** @type {number} */ edge) => {
    const i = edge >> 1;
    const next = edge & 1 ? i + width : i + 1;
    const u = (level - grid[i]) / (grid[next] - grid[i]);
    const [x, y] = [i % width, Math.floor(i / width)];
    return edge & 1 ? [x, y + u] : [x + u, y];
  };
  const lines = [];
  const ends = [...joins].filter(([, to]) => to.length === 1).map(([edge]) => edge);
  for (const start of [...ends, ...joins.keys()]) {
    if (!joins.get(start)?.length) continue;
    const points = [...place(start)];
    let at = start;
    for (;;) {
      const to = joins.get(at)?.pop();
      if (to === undefined) break;
      const back = /** @type {number[]} */ (joins.get(to));
      back.splice(back.indexOf(at), 1);
      points.push(...place(to));
      at = to;
    }
    lines.push(Float32Array.from(points));
  }
  return lines;
}

/** @param {Float32Array} line */
function extent(line) {
  let [x0, x1, y0, y1] = [Infinity, -Infinity, Infinity, -Infinity];
  for (let i = 0; i < line.length; i += 2) {
    x0 = Math.min(x0, line[i]); x1 = Math.max(x1, line[i]);
    y0 = Math.min(y0, line[i + 1]); y1 = Math.max(y1, line[i + 1]);
  }
  return Math.max(x1 - x0, y1 - y0);
}

export {};

self.onmessage = (/** @type {MessageEvent<Job>} */ event) => {
  const job = event.data;
  const grids = job.grids.map((grid) => smoothed(job, grid));
  let [low, high] = [Infinity, -Infinity];
  for (const v of grids[0]) {
    if (v < low) low = v;
    if (v > high) high = v;
  }
  const wanted = levels(job, Math.max(low, 3 * job.noise), high);
  const sets = grids.map((grid) => wanted.map(([level, label]) => ({
    label, lines: trace(grid, job.width, job.height, level).filter((line) => extent(line) >= 2 * job.fwhm),
  })).filter((iso) => iso.lines.length > 0));
  const buffers = sets.flatMap((set) => set.flatMap((iso) => iso.lines.map((l) => l.buffer)));
  /** @type {any} */ (self).postMessage({ id: job.id, sets }, buffers);
};
