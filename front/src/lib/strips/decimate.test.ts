import { describe, expect, it } from 'vitest';
import { decimate, firstAt, lastBefore } from './decimate';

const n = 100_000;
const t = Float64Array.from({ length: n }, (_, i) => i * 0.001);
const wave = Float32Array.from({ length: n }, (_, i) => Math.sin(i / 500));
const spiky = wave.slice();
spiky[54_321] = 9;
spiky[77_778] = -9;

describe('decimation', () => {
  it('keeps every spike at any width', () => {
    for (const columns of [1, 7, 200, 801, 1366]) {
      const { values } = decimate(t, [spiky], 0, 100, columns);
      const list = values[0] as number[];
      expect(Math.max(...list)).toBe(9);
      expect(Math.min(...list)).toBe(-9);
      expect(list.length).toBeLessThanOrEqual(2 * columns);
    }
  });
  it('keeps a spike wherever it sits in its column', () => {
    for (let i = 50_000; i < 50_100; i += 1) {
      const one = wave.slice();
      one[i] = i % 2 ? 5 : -5;
      const { values } = decimate(t, [one], 0, 100, 700);
      const list = values[0] as number[];
      expect(i % 2 ? Math.max(...list) : Math.min(...list)).toBe(i % 2 ? 5 : -5);
      one[i] = i % 2 ? -5 : 5;
      const again = decimate(t, [one], 0, 100, 700).values[0] as number[];
      expect(i % 2 ? Math.min(...again) : Math.max(...again)).toBe(i % 2 ? -5 : 5);
    }
  });
  it('keeps times rising and shared by all series', () => {
    const cut = decimate(t, [wave, spiky], 12.3, 71.9, 640);
    for (let i = 1; i < cut.t.length; i += 1) {
      expect(cut.t[i]).toBeGreaterThanOrEqual(cut.t[i - 1] ?? NaN);
    }
    expect(cut.values.map((v) => v.length)).toEqual([cut.t.length, cut.t.length]);
    expect(cut.t[0]).toBeLessThanOrEqual(12.3);
    expect(cut.t[cut.t.length - 1]).toBeGreaterThanOrEqual(71.9);
  });
  it('passes few samples unchanged, gaps as null', () => {
    const cut = decimate([0, 1, 2, 3], [[5, NaN, 7, 8]], 0, 3, 100);
    expect(cut).toEqual({ t: [0, 1, 2, 3], values: [[5, null, 7, 8]] });
  });
  it('answers an empty recording', () => {
    expect(decimate([], [[]], 0, 1, 100)).toEqual({ t: [], values: [[]] });
  });
});

describe('reading at a time', () => {
  it('takes the last sample not after it', () => {
    expect(firstAt([0, 1, 2], 1)).toBe(1);
    expect(lastBefore([0, 1, 2], [5, 6, 7], 1)).toBe(6);
    expect(lastBefore([0, 1, 2], [5, 6, 7], 1.9)).toBe(6);
    expect(lastBefore([0, 1, 2], [5, 6, 7], 99)).toBe(7);
    expect(lastBefore([0, 1, 2], [5, 6, 7], -1)).toBeNaN();
  });
});
