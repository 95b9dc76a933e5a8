import { describe, expect, it } from 'vitest';
import { curves, fanHandles, figureRows, modesInGear, movedPoints, Queue, torqueRange } from './logic';
import type { FanView, Handles, ModeLine } from './types';

const handles: Handles = {
  rpm: 4000,
  zero_Nm: -30,
  span_Nm: 200,
  points: [
    { pedal_pct: 0, torque_Nm: -30, point_pedal_pct: 0, point_share_pct: 0, fixed: true },
    { pedal_pct: 30, torque_Nm: 10, point_pedal_pct: 20, point_share_pct: 20, fixed: false },
    { pedal_pct: 60, torque_Nm: 70, point_pedal_pct: 50, point_share_pct: 50, fixed: false },
    { pedal_pct: 90, torque_Nm: 170, point_pedal_pct: 100, point_share_pct: 100, fixed: true },
  ],
};
const fan: FanView = {
  boost_state: 'instant',
  rpm: [2000, 4000],
  pedal_pct: [0, 100],
  after_Nm: [[-20, 150], [-30, 170]],
  before_Nm: null,
  low_Nm: [[-25, 140], [-36, 160]],
  high_Nm: [[-15, 160], [-24, 183]],
};

describe('handles', () => {
  it('leaves the ends out and keeps each between its neighbours', () => {
    const found = fanHandles(handles);
    expect(found.map((h) => h.id)).toEqual(['1', '2']);
    expect(found[0]?.yRange[0]).toBeCloseTo(-30 + 200 * 0.002);
    expect(found[0]?.yRange[1]).toBeCloseTo(-30 + 200 * 0.498);
    expect(found[0]?.xRange).toEqual([1, 59]);
  });
  it('reads torque back as a share and leaves pedal alone on a vertical drag', () => {
    expect(movedPoints(handles, 1, 30, 40)).toEqual({
      pedal_pct: [0, 20, 50, 100],
      share_pct: [0, 35, 50, 100],
    });
  });
  it('reads pedal back between the handles', () => {
    // half way from 30 to 60 in the picture is half way from 20 to 50 of the mode's curve
    expect(movedPoints(handles, 1, 45, 10).pedal_pct).toEqual([0, 35, 50, 100]);
    expect(movedPoints(handles, 2, 75, 70).pedal_pct).toEqual([0, 20, 75, 100]);
  });
  it('never lets the curve fall or stand', () => {
    for (const y of [-500, 500]) {
      const { share_pct: s } = movedPoints(handles, 1, 30, y);
      expect(s[1]).toBeGreaterThan(0);
      expect(s[1]).toBeLessThan(50);
    }
    const { pedal_pct: p } = movedPoints(handles, 2, 200, 70);
    expect(p[2]).toBeLessThan(100);
  });
});

describe('figures', () => {
  const line = { key: 'k', label: 'pedal for 0.1 g', unit: 'mm', decimals: 1, before: 25.4, after: null, at: '' };
  it('shows those of the gear only, none where there is none', () => {
    const rows = figureRows([{ ...line, gear: 1 }, { ...line, gear: 2 }], 2, 'metric');
    expect(rows).toEqual([
      { label: 'pedal for 0.1 g, gear 2', before: '25.4\u00a0mm', after: 'none', hint: '' },
    ]);
  });
  it('converts at the edge', () => {
    expect(figureRows([{ ...line, gear: null }], 1, 'imperial')[0]?.before).toBe('1.000\u00a0in');
  });
});

describe('fan', () => {
  it('labels curves and gives the band only when asked', () => {
    expect(curves(fan, fan.after_Nm, true)[1]).toMatchObject({ label: '4000', low: [-36, 160] });
    expect(curves(fan, fan.after_Nm, false)[1]?.low).toBeUndefined();
    expect(curves(fan, null, false)).toEqual([]);
  });
  it('takes round ends around everything that is drawn', () => {
    expect(torqueRange(fan)).toEqual([-50, 200]);
  });
});

it('knows which modes apply in a gear', () => {
  const mode = (name: string, gears: number[] | null): ModeLine => ({
    name,
    feel: 'even',
    basis: 'blend',
    boost_state: 'instant',
    start: 1.6,
    opens_to_stop_from_pct: 90,
    most_torque_pct: 100,
    slope_limit: null,
    gears,
  });
  const names = (gear: number): string[] =>
    modesInGear([mode('dry', null), mode('pit', [1, 2])], gear).map((m) => m.name);
  expect(names(1)).toEqual(['dry', 'pit']);
  expect(names(3)).toEqual(['dry']);
});

it('runs saves one after another, also after a failed one', async () => {
  const queue = new Queue();
  const order: string[] = [];
  const wait = (ms: number): Promise<void> => new Promise((done) => setTimeout(done, ms));
  const first = queue.add(async () => {
    await wait(10);
    order.push('first');
    throw new Error('refused');
  });
  const second = queue.add(async () => {
    order.push('second');
  });
  await expect(first).rejects.toThrow('refused');
  await second;
  expect(order).toEqual(['first', 'second']);
});
