import { describe, expect, it } from 'vitest';
import { before, inOrder, place, readRatios, signed, thingName, thingOf, when, written } from './logic';
import type { Revision } from './types';

function revision(change: Partial<Revision>): Revision {
  return {
    id: 1, car: 'Car', branch: 'main', kind: 'build', name: 'build', parent: null, sha256: '',
    who: 'Ada', when: '', why: '', stale: false, draft: false, removed: false, ...change,
  };
}

describe('files to take in', () => {
  it('are known by name, then by what they say', () => {
    expect(thingOf('build.toml', '')).toEqual({ kind: 'build', name: 'build' });
    expect(thingOf('wet.calibration.json', '')).toEqual({ kind: 'calibration', name: 'wet' });
    expect(thingOf('dyno.csv', '')).toEqual({ kind: 'beside', name: 'dyno.csv' });
    expect(thingOf('run 3.parquet', null)).toEqual({ kind: 'recording', name: 'run 3' });
    expect(thingOf('mycar.toml', '# x\nformat = "throttlewright.intent"\n')).toEqual({ kind: 'intent', name: 'intent' });
    expect(thingOf('a.json', '{\n "format": "throttlewright.calibration",')).toEqual({ kind: 'calibration', name: 'a' });
    expect(thingOf('photo.jpg', '')).toBeNull();
    expect(thingOf('.csv', '')).toBeNull();
  });

  it('come in with the files beside the build first', () => {
    const all = [{ kind: 'intent' }, { kind: 'build' }, { kind: 'beside' }];
    expect(inOrder(all).map((x) => x.kind)).toEqual(['beside', 'build', 'intent']);
  });
});

describe('the history', () => {
  it('says when', () => {
    const now = new Date(2026, 4, 10, 15, 0, 0);
    const at = (...a: [number, number, number, number, number]): string => new Date(...a).toISOString();
    expect(when(at(2026, 4, 10, 14, 59), now)).toBe('1 min ago');
    expect(when(new Date(now.getTime() - 5000).toISOString(), now)).toBe('just now');
    expect(when(at(2026, 4, 10, 9, 5), now)).toBe('today, 09:05');
    expect(when(at(2025, 11, 1, 9, 5), now)).toBe('2025-12-01, 09:05');
    expect(when('soon', now)).toBe('soon');
  });

  it('compares with the parent, and what was kept beside with the newest', () => {
    const head = revision({ id: 9, parent: 4 });
    expect(before(head, [head])).toBe(4);
    expect(before(revision({ id: 7, parent: 4, stale: true }), [head])).toBe(9);
    expect(before(revision({}), [head])).toBeNull();
    expect(thingName({ kind: 'calibration', name: 'wet' })).toBe('calibration wet');
    expect(thingName({ kind: 'build', name: 'build' })).toBe('build');
  });

  it('writes changes with sign and place', () => {
    expect(signed(-2.25, '%')).toBe('\u22122.3\u00a0%');
    expect(signed(0.01, '')).toBe('+0.010');
    expect(place([['rpm', 3500, 'rpm'], ['pedal', 12.5, '%']])).toBe('3500\u00a0rpm, 12.5\u00a0%');
  });
});

describe('answers', () => {
  it('read ratios however they are listed', () => {
    expect(readRatios('3.4 2.0, 1.4')).toEqual([3.4, 2, 1.4]);
    expect(readRatios('3,4; 2,0 1,4')).toEqual([3.4, 2, 1.4]);
    expect(readRatios(' ')).toBeNull();
    expect(readRatios('3.4 fast')).toBe('wrong');
    expect(readRatios('3.4 -1')).toBe('wrong');
  });

  it('carry their unit', () => {
    expect(written('2,0', 'L')).toBe('2.0 L');
    expect(written('90 mm', 'in')).toBe('90 mm');
    expect(written(' ', 'L')).toBeUndefined();
  });
});
