import { describe, expect, it } from 'vitest';
import { asking, between, decimals, judgedWord, lacking, listText, pairStrips, readList, standing, stations } from './logic';
import type { KeyLine, Place, RoleCard, RoleView } from './types';

const card = (name: string, state: RoleCard['state'], asked = true): RoleCard => ({
  name, title: name.toUpperCase(), text: '', section: name, only: '', asked, state, reason: '', refused: '',
  rows: [], tables: [], numbers: [], reactions: [], typical: [], findings: [], notes: [], caution: '',
});
const role = (name: string, state: RoleCard['state'], places: Place[]): RoleView => ({
  card: card(name, state), keys: [], places, shown: [],
});
const key = (name: string, value: KeyLine['value'], required = false): KeyLine => ({
  key: name, label: name, kind: 'number', required, unit: '', low: null, high: null, allowed: '', choices: [],
  value, written: false, typical: '', source: '',
});

describe('roles', () => {
  it('says how a role stands', () => {
    expect(standing(card('a', 'gives')).word).toBe('acting');
    expect(standing(card('a', 'gives', false)).word).toBe('acting unasked');
    expect(standing(card('a', 'refused')).word).toBe('asked for, but refused');
    expect(standing(card('a', 'not asked')).word).toBe('not asked for');
  });

  it('puts acting roles at their station, in the order given', () => {
    const { line, beside } = stations([
      role('one', 'gives', ['ceiling', 'fuel_cut']),
      role('two', 'gives', ['floor', 'ceiling']),
      role('three', 'refused', ['ceiling']),
    ]);
    expect(line.map((s) => s.id)).toEqual(['demand', 'floor', 'ceiling', 'plate']);
    expect(line.map((s) => s.names)).toEqual([[], ['TWO'], ['ONE', 'TWO'], []]);
    expect(beside.map((s) => [s.id, s.names])).toEqual([['fuel_cut', ['ONE']]]);
  });

  it('asks with every value there is and says what lacks', () => {
    const keys = [key('speed', null, true), key('band', 250), key('more', null)];
    expect(lacking(keys, {})).toEqual(['speed']);
    expect(lacking(keys, { speed: 120 })).toEqual([]);
    expect(asking(keys, { speed: 120, more: null })).toEqual({ speed: 120, band: 250 });
  });

  it('reads lists as typed', () => {
    expect(readList('-10, 20;50  70.5')).toEqual([-10, 20, 50, 70.5]);
    expect(readList('1, two')).toBeNull();
    expect(readList(' ')).toEqual([]);
    expect(listText([0.1 + 0.2, 5])).toBe('0.3, 5');
  });

  it('shows no more decimals than there are', () => {
    expect(decimals([1, 20])).toBe(0);
    expect(decimals([0.25, 1])).toBe(2);
    expect(decimals([0.12345])).toBe(4);
    expect(decimals([1234.5])).toBe(0);
  });

  it('brings both runs on one clock', () => {
    expect(Array.from(between([0, 2], [0, 10], [0, 1, 2, 3]))).toEqual([0, 5, 10, Number.NaN]);
    const { t, strips } = pairStrips([
      { channel: 'plate_pct', title: 'plate', unit: '%', t_with_s: [0, 2], y_with: [0, 10], t_without_s: [0, 1, 2], y_without: [3, 4, 5] },
    ]);
    expect(Array.from(t)).toEqual([0, 1, 2]);
    expect(strips[0]!.series.map((s) => [s.label, Array.from(s.values)])).toEqual([
      ['with', [0, 5, 10]],
      ['without', [3, 4, 5]],
    ]);
  });

  it('judges in words', () => {
    const line = { value: 1, unit: '', limit: 2, good: true, text: '' };
    expect(judgedWord(line)).toBe('keeps its limit');
    expect(judgedWord({ ...line, good: false })).toBe('misses its limit');
    expect(judgedWord({ ...line, good: null })).toBe('');
    expect(judgedWord({ ...line, value: null })).toBe('not found');
  });
});
