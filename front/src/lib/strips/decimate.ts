/** Index of the first element not below `t` (times rise). */
export function firstAt(times: ArrayLike<number>, t: number): number {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((times[mid] ?? 0) < t) low = mid + 1;
    else high = mid;
  }
  return low;
}

/**
 * Two points per pixel column and series: the least and the greatest value of the column, in the
 * order they came, so that no spike is lost and all series share the times. One sample either
 * side of the window is kept, so lines run to the edge. Few samples pass unchanged.
 */
export function decimate(
  times: ArrayLike<number>,
  series: readonly ArrayLike<number>[],
  from: number,
  to: number,
  columns: number,
): { t: number[]; values: (number | null)[][] } {
  const start = Math.max(0, firstAt(times, from) - 1);
  const stop = Math.min(times.length, firstAt(times, to) + 2);
  const n = Math.max(0, stop - start);
  const t: number[] = [];
  const values: (number | null)[][] = series.map(() => []);
  const whole = Math.max(1, Math.floor(columns));
  if (n <= 4 * whole) {
    for (let i = start; i < stop; i += 1) {
      t.push(times[i] ?? 0);
      series.forEach((s, k) => {
        const v = s[i] ?? NaN;
        values[k]?.push(Number.isFinite(v) ? v : null);
      });
    }
    return { t, values };
  }
  for (let c = 0; c < whole; c += 1) {
    const a = start + Math.floor((c * n) / whole);
    const b = start + Math.floor(((c + 1) * n) / whole);
    if (b <= a) continue;
    t.push(times[a] ?? 0, times[b - 1] ?? 0);
    series.forEach((s, k) => {
      let low = Infinity;
      let high = -Infinity;
      let lowAt = -1;
      let highAt = -1;
      for (let i = a; i < b; i += 1) {
        const v = s[i] ?? NaN;
        if (v < low) {
          low = v;
          lowAt = i;
        }
        if (v > high) {
          high = v;
          highAt = i;
        }
      }
      if (lowAt < 0) values[k]?.push(null, null);
      else if (lowAt <= highAt) values[k]?.push(low, high);
      else values[k]?.push(high, low);
    });
  }
  return { t, values };
}

/** Value at the last time not after `t`; NaN before the first. */
export function lastBefore(times: ArrayLike<number>, values: ArrayLike<number>, t: number): number {
  let i = firstAt(times, t);
  if (i >= times.length || (times[i] ?? 0) > t) i -= 1;
  return i < 0 ? Number.NaN : (values[i] ?? Number.NaN);
}
