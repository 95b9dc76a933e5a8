/** Metric and imperial at the edge: the server speaks the units its keys name, the eye either. */
export type System = 'metric' | 'imperial';

export interface Display {
  /** Unit as shown. */
  unit: string;
  /** Server value to shown value. */
  show: (value: number) => number;
  /** Shown value to server value. */
  read: (shown: number) => number;
}

function scaled(unit: string, factor: number): Display {
  return { unit, show: (v) => v * factor, read: (s) => s / factor };
}

function same(unit: string): Display {
  return { unit, show: (v) => v, read: (s) => s };
}

// Exact definitions: 1 in = 25.4 mm, 1 lb = 0.45359237 kg, 1 mi = 1609.344 m,
// standard gravity 9.80665 m/s2 (BIPM, SI brochure, 9th edition; NIST SP 811).
const INCH_MM = 25.4;
const POUND_KG = 0.45359237;
const GRAVITY = 9.80665;
const FOOT_M = 0.3048;
const MILE_M = 1609.344;
const LBF_N = POUND_KG * GRAVITY;
const LBF_FT_NM = LBF_N * FOOT_M;
const PSI_KPA = LBF_N / (INCH_MM * INCH_MM) * 1000;
const HORSEPOWER_KW = 550 * LBF_FT_NM / 1000;

const IMPERIAL: Record<string, Display> = {
  'N m': scaled('lbf ft', 1 / LBF_FT_NM),
  kW: scaled('hp', 1 / HORSEPOWER_KW),
  kPa: scaled('psi', 1 / PSI_KPA),
  bar: scaled('psi', 100 / PSI_KPA),
  mm: scaled('in', 1 / INCH_MM),
  mm2: scaled('in²', 1 / (INCH_MM * INCH_MM)),
  m: scaled('ft', 1 / FOOT_M),
  kg: scaled('lb', 1 / POUND_KG),
  'g/s': scaled('lb/min', 60 / (POUND_KG * 1000)),
  'km/h': scaled('mph', 1000 / MILE_M),
  'm/s': scaled('mph', 3600 / MILE_M),
  '°C': { unit: '°F', show: (v) => v * 1.8 + 32, read: (s) => (s - 32) / 1.8 },
};

const METRIC: Record<string, Display> = {
  'm/s': scaled('km/h', 3.6),
};

/** Unit of a key by the closed list of suffixes; '' when the key has none. */
const SUFFIXES: [string, string][] = [
  ['_m_s2', 'm/s²'],
  ['_m_s', 'm/s'],
  ['_g_s', 'g/s'],
  ['_kPa', 'kPa'],
  ['_degC', '°C'],
  ['_deg', '°'],
  ['_pct', '%'],
  ['_rpm', 'rpm'],
  ['_Nm', 'N m'],
  ['_kW', 'kW'],
  ['_mm2', 'mm2'],
  ['_mm', 'mm'],
  ['_K', 'K'],
  ['_s', 's'],
  ['_V', 'V'],
  ['_A', 'A'],
  ['_1', ''],
];

export function unitOf(key: string): string {
  for (const [suffix, unit] of SUFFIXES) if (key.endsWith(suffix)) return unit;
  return '';
}

/** How a quantity with this server unit is shown: `display('N m', settings.system)`. */
export function display(unit: string, system: System): Display {
  const table = system === 'imperial' ? IMPERIAL : METRIC;
  return table[unit] ?? same(unit === 'mm2' ? 'mm²' : unit);
}

/** Decimals that keep the server unit's resolution in the shown one (72 mm is 2.83 in, not 3). */
export function decimalsIn(d: Display, decimals: number): number {
  const slope = Math.abs(d.show(1) - d.show(0));
  return Math.max(0, decimals + Math.max(0, Math.ceil(-Math.log10(slope) - 1e-9)));
}

/** A number with a fixed count of decimals, a real minus sign and thin spaces in thousands. */
export function number(value: number | null | undefined, decimals = 0): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return '–';
  const text = Math.abs(value).toFixed(decimals);
  const [whole = '0', fraction] = text.split('.');
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+(?!\d))/g, '\u2009') : whole;
  const sign = value < 0 && Number(text) !== 0 ? '\u2212' : '';
  return `${sign}${grouped}${fraction === undefined ? '' : `.${fraction}`}`;
}

/** A server value as text with its shown unit: `quantity(320, 'N m', settings.system)`. */
export function quantity(
  value: number | null | undefined,
  unit: string,
  system: System,
  decimals = 0,
): string {
  const d = display(unit, system);
  const text = number(value === null || value === undefined ? value : d.show(value), decimalsIn(d, decimals));
  return d.unit === '' || text === '–' ? text : `${text}\u00a0${d.unit}`;
}

/** Reads what a person typed: decimal point or comma; NaN when it is no number. */
export function parseNumber(text: string): number {
  const clean = text
    .trim()
    .replace(/[\s\u2009\u00a0']/g, '')
    .replace('\u2212', '-')
    .replace(',', '.');
  if (!/^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(clean)) return Number.NaN;
  return Number(clean);
}
