import { describe, expect, it } from 'vitest';
import { display, number, parseNumber, quantity, unitOf } from './units';

describe('units at the edge', () => {
  // Published conversion factors: NIST SP 811 (2008), appendix B.8.
  it.each([
    ['N m', 1.355818, 'lbf ft'],
    ['kW', 0.7456999, 'hp'],
    ['kPa', 6.894757, 'psi'],
    ['mm', 25.4, 'in'],
    ['km/h', 1.609344, 'mph'],
    ['m/s', 0.44704, 'mph'],
    ['g/s', 7.559873, 'lb/min'],
  ])('%s', (unit, one, name) => {
    const d = display(unit, 'imperial');
    expect(d.unit).toBe(name);
    expect(Math.abs(d.show(one) - 1)).toBeLessThan(2e-7);
    expect(d.read(d.show(123.4))).toBeCloseTo(123.4, 10);
  });
  it('temperatures meet at minus forty', () => {
    expect(display('°C', 'imperial').show(-40)).toBe(-40);
    expect(display('°C', 'imperial').read(212)).toBe(100);
  });
  it('leaves metric and unknown units alone', () => {
    expect(display('N m', 'metric').show(5)).toBe(5);
    expect(display('rpm', 'imperial')).toMatchObject({ unit: 'rpm' });
  });
  it('reads the unit of a key from its suffix', () => {
    expect(unitOf('torque_Nm')).toBe('N m');
    expect(unitOf('accel_m_s2')).toBe('m/s²');
    expect(unitOf('bore_mm')).toBe('mm');
    expect(unitOf('idle')).toBe('');
  });
});

describe('numbers as text', () => {
  it('writes a real minus, no minus zero, a dash for none', () => {
    expect(number(-3.14159, 2)).toBe('\u22123.14');
    expect(number(-0.001, 1)).toBe('0.0');
    expect(number(null)).toBe('–');
    expect(number(Number.NaN)).toBe('–');
    expect(number(12345)).toBe('12\u2009345');
    expect(quantity(72, 'mm', 'imperial')).toBe('2.83\u00a0in');
    expect(quantity(72, 'km/h', 'imperial')).toBe('44.7\u00a0mph');
    expect(quantity(320, 'N m', 'metric')).toBe('320\u00a0N m');
  });
  it('reads what people type', () => {
    expect(parseNumber(' 1,5 ')).toBe(1.5);
    expect(parseNumber('12\u2009345')).toBe(12345);
    expect(parseNumber('-.5')).toBe(-0.5);
    for (const bad of ['', 'abc', '1.2.3', '--1', '5 mm']) expect(parseNumber(bad)).toBeNaN();
  });
});
