import { describe, expect, it } from 'vitest';
import { byWeight, commandLanes, commandStrips, drawnAtFirst, shares } from './logic';
import type { BoundLine, CommandData } from './types';

const bound = (row: string, side: 'floor' | 'ceiling', in_charge_s: number): BoundLine => ({
  row,
  title: row,
  side,
  reason: 'why',
  values: [null, 20],
  acts_s: 1,
  in_charge_s,
});
const data: CommandData = {
  step_s: 1,
  t_s: [0, 10],
  demand_pct: [0, 100],
  target_pct: [5, 20],
  plate_pct: [5, 19],
  bounds: [bound('low_one', 'floor', 0), bound('high_one', 'ceiling', 4)],
  lanes: [
    {
      output: 'plate',
      spans: [
        { from_s: 0, to_s: 6, name: 'demand', title: 'pedal', kind: 'demand' },
        { from_s: 6, to_s: 10, name: 'high_one', title: 'High', kind: 'row' },
      ],
    },
  ],
};

describe('order of command', () => {
  it('puts rows that won first and draws them', () => {
    expect(byWeight(data.bounds).map((b) => b.row)).toEqual(['high_one', 'low_one']);
    expect([...drawnAtFirst(data.bounds)]).toEqual(['high_one']);
    expect([...drawnAtFirst([bound('a', 'floor', 0), bound('b', 'floor', 0)])]).toEqual(['a']);
  });

  it('leaves a gap where a bound does not act', () => {
    const strips = commandStrips(data, new Set(['high_one']));
    expect(strips.map((s) => s.id)).toEqual(['plate', 'high_one']);
    expect(Array.from(strips[1]!.series[0]!.values)).toEqual([Number.NaN, 20]);
    expect(strips[0]!.series.map((s) => s.label)).toEqual(['plate', 'target', 'pedal asks']);
  });

  it('names who is in charge only where the word fits', () => {
    const spans = commandLanes(data, null)[0]!.spans;
    expect(spans.map((s) => s.label)).toEqual(['pedal', 'High']);
    expect(spans.map((s) => s.colour)).toEqual(['after', 'warn']);
    const short = { ...data, lanes: [{ output: 'plate', spans: [{ ...data.lanes[0]!.spans[0]!, to_s: 0.1 }] }] };
    expect(commandLanes(short, null)[0]!.spans[0]!.label).toBe('');
    expect(commandLanes(short, [0, 0.5])[0]!.spans[0]!.label).toBe('pedal');
  });

  it('adds up the time of each', () => {
    expect(shares([...data.lanes[0]!.spans, { ...data.lanes[0]!.spans[1]!, from_s: 10, to_s: 13 }])).toEqual([
      { word: 'High', seconds: 7 },
      { word: 'pedal', seconds: 6 },
    ]);
  });
});
