import { describe, expect, it } from 'vitest';
import { actOf, Foot, KEYS, padShare, type PadChoice } from './foot';
import { Delays, Past, readFrame } from './past';

describe('Past', () => {
  it('keeps a spike of one row', () => {
    const past = new Past(['a'], 1, 0.02);
    for (let k = 0; k < 500; k += 1) past.add(k * 0.001, [k === 333 ? 99 : 1]);
    expect(past.range(0)).toEqual([1, 99]);
    expect(past.value('a')).toBe(1);
  });
  it('forgets what is older than its window', () => {
    const past = new Past(['a'], 1, 0.02);
    past.add(0, [50]);
    for (let k = 1; k < 2000; k += 1) past.add(k * 0.001, [1]);
    expect(past.range(0)).toEqual([1, 1]);
    let count = 0;
    past.each(0, () => (count += 1));
    expect(count).toBe(51);
  });
  it('leaves a gap where no rows came', () => {
    const past = new Past(['a'], 1, 0.02);
    past.add(0.1, [3]);
    past.add(0.9, [4]);
    const times: number[] = [];
    past.each(0, (t) => times.push(Number(t.toFixed(2))));
    expect(times).toEqual([0.1, 0.9]);
  });
  it('finds the stretches of a code', () => {
    const past = new Past(['who'], 1, 0.02);
    for (let k = 0; k < 600; k += 1) past.add(k * 0.001, [k < 300 ? 0 : -2]);
    const spans = past.spans(0);
    expect(spans.map((s) => s.code)).toEqual([0, -2]);
    expect(spans[1]!.from).toBeCloseTo(0.3, 5);
  });
});

describe('readFrame', () => {
  it('reads head and rows', () => {
    const frame = readFrame(new Float32Array([7, 12, 0.25, 41, 1, 0, 2, 1, 5, 6]).buffer);
    expect(frame?.head).toMatchObject({ number: 7, t: 12.25, echo: 41, rows: 2 });
    expect([...frame!.values]).toEqual([5, 6]);
  });
  it('refuses a frame that is cut off', () => {
    expect(readFrame(new Float32Array([7, 12, 0.25, 41, 1, 0, 2, 1, 5]).buffer)).toBeNull();
    expect(readFrame(new ArrayBuffer(6))).toBeNull();
  });
});

describe('Foot', () => {
  it('presses while a key is held and falls when it is let go', () => {
    const foot = new Foot();
    foot.pressing = true;
    for (let k = 0; k < 60; k += 1) foot.step(1 / 60);
    expect(foot.pedal).toBe(100);
    foot.pressing = false;
    for (let k = 0; k < 15; k += 1) foot.step(1 / 60);
    expect(foot.pedal).toBe(0);
    expect(foot.step(1 / 60)).toBe(false);
  });
  it('stays at its rest and forgets it when the window is left', () => {
    const foot = new Foot();
    foot.rest = 30;
    for (let k = 0; k < 60; k += 1) foot.step(1 / 60);
    expect(foot.pedal).toBe(30);
    foot.release();
    for (let k = 0; k < 60; k += 1) foot.step(1 / 60);
    expect(foot.pedal).toBe(0);
  });
  it('follows a hand at once', () => {
    const foot = new Foot();
    foot.hand = 62;
    foot.step(0.001);
    expect(foot.pedal).toBe(62);
  });
});

describe('controller', () => {
  it('counts from its rest, whichever way it goes', () => {
    const choice: PadChoice = { kind: 'axis', index: 2, rest: 1, most: -1 };
    expect(padShare(1, choice)).toBe(0);
    expect(padShare(0, choice)).toBe(100);
    expect(padShare(-1, choice)).toBe(100);
    expect(padShare(0, choice)).toBe(50);
    expect(padShare(1.3, choice)).toBe(0);
  });
});

describe('keys', () => {
  it('are each given once', () => {
    const all = KEYS.flatMap((line) => line.keys);
    expect(new Set(all).size).toBe(all.length);
    expect(actOf(' ')).toBe('press');
    expect(actOf('q')).toBeNull();
  });
});

describe('Delays', () => {
  it('gives the middle and the tail', () => {
    const delays = new Delays();
    for (let k = 1; k <= 100; k += 1) delays.add(k);
    expect(delays.share(0.5)).toBe(51);
    expect(delays.share(0.95)).toBe(96);
  });
});
