import { describe, expect, it } from 'vitest';
import { Latest } from './api';

describe('one request in flight, always the latest', () => {
  it('skips what was overtaken and never answers out of order', async () => {
    const waiting: (() => void)[] = [];
    const called: number[] = [];
    const got: number[] = [];
    const latest = new Latest<number, number>(
      (v) =>
        new Promise((resolve) => {
          called.push(v);
          waiting.push(() => resolve(v));
        }),
      (v) => got.push(v),
    );
    for (let i = 0; i < 50; i += 1) latest.push(i);
    expect(called).toEqual([0]);
    waiting.shift()?.();
    await new Promise((r) => setTimeout(r, 0));
    expect(called).toEqual([0, 49]);
    waiting.shift()?.();
    await new Promise((r) => setTimeout(r, 0));
    expect(got).toEqual([0, 49]);
    latest.push(50);
    expect(called).toEqual([0, 49, 50]);
  });
  it('drops the answer under way after cancel and goes on after an error', async () => {
    const got: number[] = [];
    const failed: unknown[] = [];
    const latest = new Latest<number, number>(
      (v) => (v < 0 ? Promise.reject(new Error('no')) : Promise.resolve(v)),
      (v) => got.push(v),
      (e) => failed.push(e),
    );
    latest.push(1);
    latest.cancel();
    await new Promise((r) => setTimeout(r, 0));
    expect(got).toEqual([]);
    latest.push(-1);
    latest.push(2);
    await new Promise((r) => setTimeout(r, 0));
    expect(failed).toHaveLength(1);
    expect(got).toEqual([2]);
  });
});
