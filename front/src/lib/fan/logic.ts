/** Axis marks and label places for the pictures, without a screen. */

function stepOf(low: number, high: number, wanted: number): number {
  const rough = (high - low) / Math.max(wanted, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const ratio = rough / power;
  return power * (ratio < 1.5 ? 1 : ratio < 3.5 ? 2 : ratio < 7.5 ? 5 : 10);
}

/** Round marks from `low` to `high`, about `wanted` of them. */
export function ticks(low: number, high: number, wanted: number): number[] {
  if (!(high > low)) return [low];
  const step = stepOf(low, high, wanted);
  const out: number[] = [];
  const first = Math.ceil(low / step - 1e-9);
  const last = Math.floor(high / step + 1e-9);
  for (let i = first; i <= last; i += 1) out.push(i === 0 ? 0 : i * step);
  return out;
}

/** Range that holds all numbers, widened so that both ends fall on marks. */
export function roundRange(low: number, high: number, wanted: number): [number, number] {
  if (!(high > low)) return [low - 1, low + 1];
  let range: [number, number] = [low, high];
  // A wider range may ask for a wider step: repeat until both agree.
  for (let i = 0; i < 4; i += 1) {
    const step = stepOf(range[0], range[1], wanted);
    const next: [number, number] = [
      Math.floor(low / step + 1e-9) * step,
      Math.ceil(high / step - 1e-9) * step,
    ];
    if (next[0] === range[0] && next[1] === range[1]) break;
    range = next;
  }
  return range;
}

/**
 * Places labels near their wanted heights, at least `gap` apart and inside `top`..`bottom`,
 * with the least sum of squared shifts (pool adjacent violators). Keeps the order of `wanted`'s
 * heights; the answer is in the order given. Too many for the room: evenly spread.
 */
export function placeLabels(
  wanted: readonly number[],
  gap: number,
  top: number,
  bottom: number,
): number[] {
  const n = wanted.length;
  const order = wanted.map((_, i) => i).sort((a, b) => (wanted[a] ?? 0) - (wanted[b] ?? 0) || a - b);
  const room = bottom - top;
  const step = n > 1 ? Math.min(gap, room / (n - 1)) : gap;
  const pools: { sum: number; count: number }[] = [];
  for (const [rank, index] of order.entries()) {
    let pool = { sum: (wanted[index] ?? 0) - rank * step, count: 1 };
    for (;;) {
      const last = pools[pools.length - 1];
      if (last === undefined || last.sum / last.count <= pool.sum / pool.count) break;
      pools.pop();
      pool = { sum: pool.sum + last.sum, count: pool.count + last.count };
    }
    pools.push(pool);
  }
  const out = new Array<number>(n).fill(0);
  let rank = 0;
  for (const pool of pools) {
    const mean = pool.sum / pool.count;
    for (let k = 0; k < pool.count; k += 1) {
      const base = Math.min(Math.max(mean, top), bottom - step * (n - 1));
      out[order[rank] ?? 0] = base + rank * step;
      rank += 1;
    }
  }
  return out;
}

/** Value of a piecewise straight curve; NaN outside its x range. */
export function valueAt(x: ArrayLike<number>, y: ArrayLike<number>, at: number): number {
  const n = Math.min(x.length, y.length);
  if (n === 0 || at < (x[0] ?? NaN) || at > (x[n - 1] ?? NaN)) return Number.NaN;
  let low = 0;
  let high = n - 1;
  while (high - low > 1) {
    const mid = (low + high) >> 1;
    if ((x[mid] ?? 0) <= at) low = mid;
    else high = mid;
  }
  const x0 = x[low] ?? 0;
  const x1 = x[high] ?? 0;
  const u = x1 > x0 ? (at - x0) / (x1 - x0) : 0;
  return (y[low] ?? 0) + ((y[high] ?? 0) - (y[low] ?? 0)) * u;
}

/** Decimals that tell the marks of this step apart. */
export function decimalsFor(step: number): number {
  return step > 0 ? Math.max(0, Math.min(6, -Math.floor(Math.log10(step) + 1e-9))) : 0;
}
