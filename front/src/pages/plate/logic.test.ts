import { describe, expect, it } from 'vitest';
import { between, curves, fanRange, thinned } from './logic';
import type { PlateLine } from './types';

const rows = [50, 60, 70].map((bore_mm, i) => ({ bore_mm, loss_pct: 10 - 5 * i }) as PlateLine);

describe('plate study', () => {
  it('reads between rows and nothing outside', () => {
    expect(between(rows, 65, (r) => r.loss_pct)).toBeCloseTo(2.5, 12);
    expect(between(rows, 50, (r) => r.loss_pct)).toBe(10);
    expect(between(rows, 70, (r) => r.loss_pct)).toBe(0);
    expect(between(rows, 71, (r) => r.loss_pct)).toBeNull();
    expect(between([], 60, (r) => r.loss_pct)).toBeNull();
  });
  it('keeps both ends when it thins', () => {
    expect(thinned([1, 2, 3, 4, 5, 6, 7], 3)).toEqual([1, 4, 7]);
    expect(thinned([1, 2], 5)).toEqual([1, 2]);
  });
  it('makes a gap of a point without a solution and a range that holds all', () => {
    const fan = { rpm: [2000], pedal_pct: [0, 100], torque_Nm: [[-21, null]], boost_state: '' };
    expect(Number.isNaN(curves(fan)[0]?.y[1])).toBe(true);
    expect(fanRange([{ ...fan, torque_Nm: [[-21, 318]] }])).toEqual([-50, 350]);
  });
});
