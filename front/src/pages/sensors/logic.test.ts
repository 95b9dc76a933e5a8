import { describe, expect, it } from 'vitest';
import { blindWords, differenceRange, digits, guessTracks, halfWidth, movesInOrder, nameOf, onOneClock, shown, trackChannels, trackCurves } from './logic';
import type { EstimateLine, HeldRecording, MoveLine, SensorsView } from './types';

const recording = (channels: [string, string][]): HeldRecording => ({
  name: 'r',
  revision: 1,
  seconds: 10,
  servo: false,
  channels: channels.map(([name, unit]) => ({ name, unit, samples: 100 })),
});

describe('choosing channels', () => {
  it('offers volts only where there are two of them', () => {
    expect(trackChannels(recording([['rpm', 'rpm'], ['a', 'V'], ['b', 'mV']]))).toEqual(['a', 'b']);
    expect(trackChannels(recording([['rpm', 'rpm'], ['a', 'V']]))).toEqual(['rpm', 'a']);
  });
  it('takes the tracks that are named like what is asked for', () => {
    const r = recording([['plate_1_V', 'V'], ['plate_2_V', 'V'], ['pedal_1_V', 'V'], ['pedal_2_V', 'V']]);
    expect(guessTracks(r, 'pedal')).toEqual(['pedal_1_V', 'pedal_2_V']);
    expect(guessTracks(r, 'plate')).toEqual(['plate_1_V', 'plate_2_V']);
    expect(guessTracks(recording([['a', 'V']]), 'pedal')).toBeNull();
  });
  it('names a recording after its file', () => {
    expect(nameOf('C:\\logs\\Slow press.CSV')).toBe('Slow press');
    expect(nameOf('ramp.v2.parquet')).toBe('ramp.v2');
    expect(nameOf('.csv')).toBe('sweep');
  });
});

const view = (recorded: boolean): SensorsView =>
  ({
    build_revision: 1,
    result: {
      tracks: [
        { track: 1, released_V: 0.75, seen_V: 4.2 },
        { track: 2, released_V: 0.4, seen_V: 2.1 },
      ],
      plausibility: { tolerance_pct: 5 },
    },
    recorded: recorded
      ? [{ track: 1, travel_pct: [0, 100], mean_V: [0.7, 4.1], low_V: [0.6, 4], high_V: [0.8, 4.2] }]
      : [],
    difference: recorded ? { travel_pct: [0], mean_pct: [0], low_pct: [-9], high_pct: [1] } : null,
  }) as unknown as SensorsView;

describe('pictures', () => {
  it('draws straight lines alone without a sweep, and dashed beside one', () => {
    expect(trackCurves(view(false)).after.map((c) => c.y)).toEqual([[0.75, 4.2], [0.4, 2.1]]);
    expect(trackCurves(view(false)).before).toEqual([]);
    const both = trackCurves(view(true));
    expect(both.after.map((c) => c.y)).toEqual([[0.6, 4], [0.8, 4.2], [0.7, 4.1]]);
    expect(both.before).toHaveLength(2);
  });
  it('shows every difference and the tolerance', () => {
    expect(differenceRange(view(true))).toEqual([-11, 11]);
    expect(differenceRange(view(false))).toEqual([-6, 6]);
  });
  it('puts a fit on the clock of the readings', () => {
    const read = { name: 'read', nominal: false, t_s: [0, 0.5, 2], opening_deg: [1, 2, 3] };
    const fit = { name: 'fitted', nominal: true, t_s: [0, 1], opening_deg: [0, 10] };
    expect(onOneClock(read, fit).fitted).toEqual([0, 5, 10]);
  });
});

describe('figures', () => {
  const e: EstimateLine = { name: 'resistance', value: 2, low: 1.9, high: 2.1, unit: 'ohm', told: true, reason: '' };
  it('says how wide an interval is', () => {
    expect(halfWidth(e)).toBeCloseTo(5, 9);
    expect(halfWidth({ ...e, value: 0 })).toBeNull();
  });
  it('shows angles in degrees', () => {
    expect(shown({ ...e, unit: 'rad', value: Math.PI })).toMatchObject({ unit: '°', value: 180 });
    expect(shown(e)).toBe(e);
  });
  it('keeps the digits that tell something', () => {
    expect(digits(0.02346)).toBe('0.0235');
    expect(digits(1234.5)).toBe('1235');
    expect(digits(0.00000234)).toBe('2.34e\u22126');
    expect(digits(NaN)).toBe('–');
  });
  it('puts what fails first, then the slowest', () => {
    const m = (ok: boolean, settle_s: number): MoveLine => ({ ok, settle_s }) as MoveLine;
    expect(movesInOrder([m(true, 0.1), m(true, 0.2), m(false, 0.05)]).map((x) => x.settle_s)).toEqual([0.05, 0.2, 0.1]);
  });
  it('says where a fault hides', () => {
    expect(blindWords([])).toBe('nowhere');
    expect(blindWords([[0, 5], [95, 100]])).toBe('0 to 5 %, 95 to 100 %');
  });
});
