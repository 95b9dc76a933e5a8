import { describe, expect, it } from 'vitest';
import {
  countMarks,
  filtered,
  joinCells,
  matches,
  parseCells,
  printRange,
  shownValue,
  sparkline,
  splitWritten,
  toSend,
  unitFor,
} from './logic';
import type { FieldLine, SectionLine } from './types';

function line(change: Partial<FieldLine> = {}): FieldLine {
  return {
    key: 'plate.bore',
    label: 'Bore',
    about: 'Bore of one plate body.',
    kind: 'number',
    required: true,
    value: 90,
    text: '90 mm',
    unit: 'mm',
    units: [
      { unit: 'mm', system: 'metric', value: 90, allowed: 'above 0 to 200 mm', spread: '' },
      { unit: 'in', system: 'imperial', value: 3.543307086614, allowed: 'above 0 to 7.874 in', spread: '' },
    ],
    written: '90 mm',
    origin: 'given',
    source: 'build file',
    spread: '',
    measure: '',
    allowed: 'above 0 to 200 mm',
    choices: [],
    columns: [],
    ...change,
  };
}

describe('units of choice', () => {
  it('takes the system, the file within the system, and what was picked before both', () => {
    expect(unitFor(line(), 'metric', undefined)?.unit).toBe('mm');
    expect(unitFor(line(), 'imperial', undefined)?.unit).toBe('in');
    expect(unitFor(line(), 'imperial', 'mm')?.unit).toBe('mm');
    const litres = line({
      written: '1998 cc',
      units: [
        { unit: 'L', system: 'metric', value: 1.998, allowed: '', spread: '' },
        { unit: 'cc', system: 'metric', value: 1998, allowed: '', spread: '' },
        { unit: 'in^3', system: 'imperial', value: 121.9, allowed: '', spread: '' },
      ],
    });
    expect(unitFor(litres, 'metric', undefined)?.unit).toBe('cc');
    expect(unitFor(litres, 'imperial', undefined)?.unit).toBe('in^3');
  });
  it('shows the digits of the file in its own unit and rounds in another', () => {
    const bore = line({ written: '90.00 mm' });
    expect(shownValue(bore, bore.units[0])).toBe('90.00');
    expect(shownValue(bore, bore.units[1])).toBe('3.5433');
  });
  it('adds the unit to a bare number and leaves a typed unit alone', () => {
    const bore = line();
    expect(toSend(bore, ' 92,5 ', bore.units[0])).toBe('92.5 mm');
    expect(toSend(bore, '3.5 in', bore.units[0])).toBe('3.5 in');
    expect(toSend(bore, '', bore.units[0])).toBeNull();
    const share = { unit: '', system: 'metric' as const, value: 1, allowed: '', spread: '' };
    expect(toSend(bore, '0.95', share)).toBe('0.95');
  });
  it('splits what is written', () => {
    expect(splitWritten('55 %')).toEqual({ number: '55', unit: '%' });
    expect(splitWritten('petrol 98 RON')).toBeNull();
    expect(printRange('0 to 200 mm^2')).toBe('0 to 200 mm²');
    expect(printRange('-40 to 55 degC')).toBe('-40 to 55 °C');
  });
});

describe('columns', () => {
  it('reads blanks, tabs, line ends and percent', () => {
    expect(parseCells('800 1500\t2500\r\n3500;4500\n')).toEqual([
      '800',
      '1500',
      '2500',
      '3500',
      '4500',
    ]);
    expect(parseCells('0 % 17 %  100%')).toEqual(['0 %', '17 %', '100 %']);
    expect(parseCells('0,86 0.9')).toEqual(['0.86', '0.9']);
    expect(parseCells('1, 2, 3')).toEqual(['1', '2', '3']);
    expect(parseCells(joinCells(['0 %', '17 %']))).toEqual(['0 %', '17 %']);
    expect(parseCells('two')).toEqual(['two']);
  });
  it('draws a line only through numbers of equal count', () => {
    const curve = line({
      columns: [
        { key: 'rpm', label: 'rpm', unit: 'rpm', cells: ['1000', '2000'] },
        { key: 'value', label: 'value', unit: '', cells: ['0', '1'] },
      ],
    });
    expect(sparkline(curve, 100, 20)).toBe('2.0,17.0 98.0,3.0');
    expect(sparkline(line(), 100, 20)).toBe('');
  });
});

describe('finding a field', () => {
  const section: SectionLine = {
    id: 'plate',
    title: 'Plate',
    fields: [line(), line({ key: 'plate.shaft', label: 'Shaft', origin: 'assumed' })],
  };
  it('wants every word, in name, key or words', () => {
    expect(matches(line(), section, 'plate bore')).toBe(true);
    expect(matches(line(), section, 'plate.bore')).toBe(true);
    expect(matches(line(), section, 'bore shaft')).toBe(false);
  });
  it('drops empty sections and counts marks', () => {
    expect(filtered([section], '', 'assumed')[0]?.fields.map((f) => f.key)).toEqual(['plate.shaft']);
    expect(filtered([section], '', 'fitted')).toEqual([]);
    expect(countMarks(section)).toEqual([
      ['given', 1],
      ['assumed', 1],
    ]);
  });
});
