import { describe, expect, it } from 'vitest';
import {
  ages,
  columnsOf,
  decode,
  drawnLimits,
  faultRows,
  figure,
  foundFor,
  held,
  lanesOf,
  moments,
  ordered,
  runOf,
  runQuery,
  scenarioTitle,
  unitWord,
  worst,
} from './logic';
import type { Choices, Proof, ProveResult, TraceData, TraceLimit, VerdictLine } from './types';

function line(change: Partial<VerdictLine>): VerdictLine {
  return {
    criterion: 'c', status: 'pass', value: 1, limit: 2, unit: 's', source: 'judgement', edition: '',
    text: 't', scenario: 'cruise', fault: '', reactions: true, ...change,
  };
}

function limit(change: Partial<TraceLimit>): TraceLimit {
  return {
    criterion: 'c', title: 'T', status: 'pass', channel: 'map_kPa', axis: 'value', at: 200,
    value: 1, limit: 2, unit: 's', side: 'most', source: 'judgement', edition: '', text: '', ...change,
  };
}

const fault = (name: string) => ({
  fault: name, text: `${name} text`, with_reactions: 'pass' as const, without_reactions: 'fail' as const,
  reaction: 'needed' as const, scenarios: ['cruise'], worst_with: null, worst_without: null, goes_wrong: '',
});

const result: ProveResult = {
  name: 'Car', status: 'fail', runs: 4, verdict_count: 5, bench_only: true, notes: [],
  healthy: [line({})],
  faults: [fault('a'), fault('b')],
  fault_verdicts: [
    line({ fault: 'a' }),
    line({ fault: 'a', status: 'not_applicable' }),
    line({ fault: 'a', reactions: false, status: 'fail' }),
    line({ fault: 'b', scenario: 'tip@2500rpm', status: 'not_proven' }),
  ],
  books: [
    line({ fault: 'b', scenario: 'release', status: 'fail', criterion: 'book.one' }),
    line({ fault: '', scenario: '', status: 'not_applicable', criterion: 'book.two' }),
  ],
};

const choices: Choices = {
  scenarios: [
    { name: 'tip', title: 'Foot down', applies: true },
    { name: 'cruise', title: 'Cruise', applies: true },
    { name: 'release', title: 'Foot off', applies: true },
  ],
  faults: [],
  books: [],
};

describe('the matrix', () => {
  it('takes the worst of each cell and keeps reactions apart', () => {
    const [a, b] = faultRows(result, true);
    expect([a!.status, b!.status]).toEqual(['pass', 'fail']);
    expect(b!.cells.get('tip@2500rpm')!.status).toBe('not_proven');
    expect(b!.cells.get('release')!.lines[0]!.criterion).toBe('book.one');
    const off = faultRows(result, false);
    expect(off.map((r) => r.status)).toEqual(['fail', 'not_applicable']);
    expect(worst([])).toBe('not_applicable');
  });

  it('reads fails first, then as listed', () => {
    const rows = faultRows(result, true);
    expect(ordered(rows, true).map((r) => r.fault)).toEqual(['b', 'a']);
    expect(ordered(rows, false).map((r) => r.fault)).toEqual(['a', 'b']);
    expect(columnsOf(rows, choices)).toEqual(['tip@2500rpm', 'cruise', 'release']);
    expect(scenarioTitle('tip@2500rpm', choices)).toBe('Foot down, 2500 rpm');
  });
});

describe('the age of a proof', () => {
  const proof: Proof = {
    build_revision: 1, intent_revision: 2, calibration_revision: 14, calibration: 'calibration',
    books: null, result, current: true,
  };
  const items = [
    { id: 1, kind: 'build', name: 'build' },
    { id: 2, kind: 'intent', name: 'intent' },
    { id: 16, kind: 'calibration', name: 'calibration' },
  ];
  it('names both revisions', () => {
    expect(ages(proof, items)).toEqual([
      'It belongs to revision 14 of the calibration; the calibration is now at revision 16.',
    ]);
    expect(ages({ ...proof, calibration_revision: 16 }, items)).toEqual([]);
    expect(ages(proof, items.slice(0, 2))[0]).toContain('no longer there');
  });
});

function packed(head: object, columns: ArrayBufferView[]): ArrayBuffer {
  let text = new TextEncoder().encode(JSON.stringify(head));
  const pad = (8 - ((text.length + 4) % 8)) % 8;
  text = new TextEncoder().encode(JSON.stringify(head) + ' '.repeat(pad));
  const parts = columns.map((c) => new Uint8Array(c.buffer.slice(0) as ArrayBuffer));
  const sizes = parts.map((p) => Math.ceil(p.length / 8) * 8);
  const out = new ArrayBuffer(4 + text.length + sizes.reduce((a, b) => a + b, 0));
  new DataView(out).setUint32(0, text.length, true);
  new Uint8Array(out).set(text, 4);
  let at = 4 + text.length;
  parts.forEach((p, i) => {
    new Uint8Array(out).set(p, at);
    at += sizes[i]!;
  });
  return out;
}

describe('a run', () => {
  it('comes apart into columns on one clock', () => {
    const buffer = packed(
      {
        channels: [
          { name: 'a', unit: 'N*m', count: 3, t0_s: 1, dt_s: 0.5, offset: 0 },
          { name: 'b', unit: 'm/s^2', count: 2, t_offset: 16, offset: 32 },
        ],
      },
      [new Float32Array([1, 2, 3]), new Float64Array([1.2, 2]), new Float32Array([7, 8])],
    );
    const trace = decode(buffer);
    expect([...trace.t]).toEqual([1, 1.5, 2]);
    expect([...trace.values.get('a')!]).toEqual([1, 2, 3]);
    expect([...trace.values.get('b')!]).toEqual([Number.NaN, 7, 8]);
    expect([trace.units.get('a'), trace.units.get('b')]).toEqual(['N m', 'm/s²']);
  });

  it('holds the last value known', () => {
    expect([...held([0, 1], [5, 6], [0, 0.5, 1, 9])]).toEqual([5, 5, 6, 6]);
    expect(unitWord('degC')).toBe('°C');
    expect(unitWord('m/s3')).toBe('m/s³');
  });

  it('draws one limit for each channel: the worst, or the chosen one', () => {
    const limits = [limit({ criterion: 'x' }), limit({ criterion: 'y', status: 'fail' }), limit({ criterion: 'z', axis: 'figure', at: null })];
    expect(drawnLimits(limits, null).map((l) => l.criterion)).toEqual(['y']);
    expect(drawnLimits(limits, 'x').map((l) => l.criterion)).toEqual(['x']);
  });

  it('numbers its moments and joins those that would overlap', () => {
    const trace = {
      t: Float64Array.from([0, 4, 10]),
      values: new Map([['in_charge_plate_1', Float32Array.from([0, -4, -4])]]),
      units: new Map(),
      head: {
        fault: 'stuck', in_charge: { '-4': 'plate track 1' }, limits: [],
        events: [{ t_s: 1, name: 'fault', text: 'stuck sets in' }, { t_s: 1.05, name: 'reaction', text: 'fuel_off begins' }],
      },
    } as unknown as TraceData;
    const found = moments(trace, [limit({ axis: 'time', at: 3, limit: 1 })], new Map([['stuck', 'the plate sticks']]));
    expect(found.map((m) => [m.t, m.label])).toEqual([[1, '1'], [3, '2']]);
    expect(found[0]!.texts).toEqual(['Fault: the plate sticks', 'fuel off begins (1.05 s)']);
    expect(found[1]!.texts[0]).toContain('at most 1.00 s');
    expect(lanesOf(trace)[0]!.spans.map((s) => s.label)).toEqual(['pedal', 'reaction: plate track 1']);
  });

  it('leaves out words that their span would cut', () => {
    const trace = {
      t: Float64Array.from([0, 9.9, 10]),
      values: new Map([['in_charge_plate_1', Float32Array.from([0, 1, 1])]]),
      head: { in_charge: { '1': 'idle_base' } },
    } as unknown as TraceData;
    expect(lanesOf(trace)[0]!.spans.map((s) => s.label)).toEqual(['pedal', '']);
    expect(lanesOf(trace, [9.8, 10])[0]!.spans.map((s) => s.label)).toEqual(['pedal', 'idle base']);
  });

  it('knows what the proof found for it', () => {
    expect(foundFor(result, { scenario: 'cruise', fault: 'a', reactions: false, hidden: false })).toBe('fail');
    expect(foundFor(result, { scenario: 'cruise', fault: null, reactions: true, hidden: false })).toBe('pass');
    expect(foundFor(result, { scenario: 'none', fault: 'a', reactions: true, hidden: false })).toBeNull();
  });

  it('shows figures without idle zeros, in the units in force', () => {
    expect(figure({ value: 0.074, limit: 0.5, unit: 's' }, 'metric')).toEqual({ value: '0.074\u00a0s', limit: '0.5\u00a0s' });
    expect(figure({ value: 10, limit: 13.888888, unit: 'm/s' }, 'metric').limit).toBe('50\u00a0km/h');
    expect(figure({ value: null, limit: 300, unit: 'rpm' }, 'metric')).toEqual({ value: '–', limit: '300\u00a0rpm' });
  });

  it('lives in the address', () => {
    const run = { scenario: 'tip@2500rpm', fault: 'a', reactions: false, hidden: true };
    expect(runOf(runQuery(run))).toEqual(run);
    expect(runOf({})).toBeNull();
  });
});
