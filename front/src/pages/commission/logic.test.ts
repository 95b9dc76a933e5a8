import { describe, expect, it } from 'vitest';
import { expectedWords, gateSentence, mayFill, measuredWords, nextStep, partsInOrder, progress } from './logic';
import type { SheetView, StepLine } from './types';

const step = (over: Partial<StepLine>): StepLine => ({
  number: 1,
  phase: 'fingers',
  key: 'motor_ohm',
  do: 'Measure.',
  expected: 1.25,
  unit: 'ohm',
  low: 1.1,
  high: 1.4,
  stop: '',
  then: '',
  source: '',
  measured: null,
  origin: '',
  status: 'open',
  text: '',
  feeds: '',
  ...over,
});

const sheet = (steps: StepLine[], next: string | null, open = true): SheetView =>
  ({
    next,
    result: { use: 'track', uses: [{ use: 'track', is_open: open, reasons: [], fixes: [] }], steps },
  }) as unknown as SheetView;

describe('a step in words', () => {
  it('says what is expected', () => {
    expect(expectedWords(step({}))).toBe('1.25\u00a0ohm, 1.1 to 1.4');
    expect(expectedWords(step({ high: null, low: 1000, unit: 'kohm' }))).toBe('at least 1000\u00a0kohm');
    expect(expectedWords(step({ expected: null }))).toBe('done');
  });
  it('says what was measured, false and zero too', () => {
    expect(measuredWords(step({ measured: null }))).toBe('');
    expect(measuredWords(step({ measured: 0 }))).toBe('0\u00a0ohm');
    expect(measuredWords(step({ measured: false }))).toBe('not done');
    expect(measuredWords(step({ measured: -0.123456789 }))).toBe('\u22120.12346\u00a0ohm');
  });
});

describe('the order', () => {
  it('lets no locked step be filled', () => {
    expect(mayFill(step({ status: 'locked' }))).toBe(false);
    expect(mayFill(step({ status: 'fail' }))).toBe(true);
  });
  it('counts what passed by part', () => {
    const steps = [step({ status: 'pass' }), step({ status: 'fail' }), step({ phase: 'fuel', status: 'locked' })];
    expect(progress(steps)).toEqual([
      { phase: 'fingers', passed: 1, of: 2 },
      { phase: 'air', passed: 0, of: 0 },
      { phase: 'fuel', passed: 0, of: 1 },
      { phase: 'drive', passed: 0, of: 0 },
    ]);
  });
  it('finds the step the server says is next', () => {
    const steps = [step({ key: 'a', status: 'pass' }), step({ key: 'b' })];
    expect(nextStep(sheet(steps, 'b'))?.key).toBe('b');
    expect(nextStep(sheet(steps, null))).toBeNull();
  });
});

describe('the gate', () => {
  it('is said for the own use', () => {
    expect(gateSentence(sheet([], null))).toContain('open for track');
    expect(gateSentence(sheet([], null, false))).toContain('no first start');
  });
  it('shows first what blocks', () => {
    const parts = [
      { status: 'pass', blocks: true },
      { status: 'not_proven', blocks: true },
      { status: 'fail', blocks: false },
      { status: 'fail', blocks: true },
    ];
    expect(partsInOrder(parts).map((p) => [p.status, p.blocks])).toEqual([
      ['fail', true],
      ['fail', false],
      ['not_proven', true],
      ['pass', true],
    ]);
  });
});
