import { describe, expect, it } from 'vitest';
import { decimalsFor, placeLabels, roundRange, ticks, valueAt } from './logic';

describe('marks', () => {
  it('are round and inside the range', () => {
    expect(ticks(0, 100, 5)).toEqual([0, 20, 40, 60, 80, 100]);
    expect(ticks(-61, 345, 6)).toEqual([-50, 0, 50, 100, 150, 200, 250, 300]);
    expect(ticks(5, 5, 4)).toEqual([5]);
  });
  it('give a range that holds the data and ends on marks', () => {
    expect(roundRange(-61, 345, 6)).toEqual([-100, 400]);
    for (const [low, high] of [[-61, 345], [3, 11.7], [-0.02, 0.3], [-44.9, 251], [0, 7350]]) {
      const [a, b] = roundRange(low ?? 0, high ?? 0, 6);
      const marks = ticks(a, b, 6);
      expect(a).toBeLessThanOrEqual(low ?? NaN);
      expect(b).toBeGreaterThanOrEqual(high ?? NaN);
      expect(marks[0]).toBeCloseTo(a, 9);
      expect(marks[marks.length - 1]).toBeCloseTo(b, 9);
    }
    expect(roundRange(0, 100, 5)).toEqual([0, 100]);
  });
  it('show the decimals the step needs', () => {
    expect(decimalsFor(20)).toBe(0);
    expect(decimalsFor(0.5)).toBe(1);
    expect(decimalsFor(0.02)).toBe(2);
  });
});

describe('labels at the ends of the curves', () => {
  const apart = (list: number[]): number =>
    [...list].sort((a, b) => a - b).reduce((m, v, i, s) => (i ? Math.min(m, v - (s[i - 1] ?? 0)) : m), Infinity);

  it('stay where they are when they have room', () => {
    expect(placeLabels([50, 100, 10], 15, 0, 200)).toEqual([50, 100, 10]);
  });
  it('move apart evenly when they meet', () => {
    expect(placeLabels([100, 104], 14, 0, 200)).toEqual([95, 109]);
  });
  it('never overlap, leave the picture or change their order', () => {
    // A fixed linear congruential sequence: many crowded cases without chance.
    let seed = 7;
    const next = (): number => (seed = (seed * 1103515245 + 12345) % 2147483648) / 2147483648;
    for (let k = 0; k < 300; k += 1) {
      const n = 1 + Math.floor(next() * 10);
      const wanted = Array.from({ length: n }, () => next() * 160 + 20);
      const places = placeLabels(wanted, 15, 20, 180);
      expect(apart(places)).toBeGreaterThanOrEqual(15 - 1e-9);
      expect(Math.min(...places)).toBeGreaterThanOrEqual(20 - 1e-9);
      expect(Math.max(...places)).toBeLessThanOrEqual(180 + 1e-9);
      wanted.forEach((a, i) =>
        wanted.forEach((b, j) => {
          if (a < b) expect(places[i]).toBeLessThan(places[j] ?? NaN);
        }),
      );
    }
  });
  it('spread evenly when there are too many', () => {
    expect(placeLabels([5, 5, 5, 5, 5], 15, 0, 40)).toEqual([0, 10, 20, 30, 40]);
  });
});

describe('value of a curve', () => {
  it('is straight between its points and nothing outside', () => {
    expect(valueAt([0, 10, 100], [0, 50, 140], 55)).toBe(95);
    expect(valueAt([0, 10, 100], [0, 50, 140], 100)).toBe(140);
    expect(valueAt([0, 10], [0, 50], 10.1)).toBeNaN();
    expect(valueAt([], [], 0)).toBeNaN();
  });
});
