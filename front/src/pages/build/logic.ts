import { parseNumber, type System } from '../../lib/units';
import type { FieldLine, FieldValue, Origin, SectionLine, UnitLine } from './types';

const WRITTEN = /^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$/;

/** Number and unit of a text as it stands in the file; null when it is no quantity. */
export function splitWritten(text: string | null): { number: string; unit: string } | null {
  const found = text === null ? null : WRITTEN.exec(text);
  return found ? { number: found[1] ?? '', unit: found[2] ?? '' } : null;
}

/** The unit a field is shown in: what was picked, else what suits the system and the file. */
export function unitFor(
  line: FieldLine,
  system: System,
  picked: string | undefined,
): UnitLine | undefined {
  const units = line.units;
  const wanted = units.find((u) => u.unit === picked);
  if (wanted) return wanted;
  const written = splitWritten(line.written);
  const own = units.find((u) => u.unit === written?.unit);
  if (own && (own.system === system || !units.some((u) => u.system === system))) return own;
  return units.find((u) => u.system === system) ?? own ?? units[0];
}

/** The value of a field as its box shows it. */
export function shownValue(line: FieldLine, unit: UnitLine | undefined): string {
  if (line.kind !== 'number' || unit === undefined) {
    return line.value === null ? '' : String(line.value);
  }
  const written = splitWritten(line.written);
  if (written && written.unit === unit.unit) return written.number;
  if (unit.value === null) return '';
  return String(Number(unit.value.toPrecision(5)));
}

/** What goes to the server for a text typed into a box: the unit beside the box is added. */
export function toSend(line: FieldLine, typed: string, unit: UnitLine | undefined): FieldValue {
  const text = typed.trim();
  if (text === '') return null;
  if (line.kind !== 'number') return text;
  const value = parseNumber(text);
  if (Number.isNaN(value)) return text;
  const plain = text.replace(/[\s\u2009\u00a0']/g, '').replace('\u2212', '-').replace(',', '.');
  return unit === undefined || unit.unit === '' ? plain : `${plain} ${unit.unit}`;
}

/** Cells of a column typed or pasted in one box: blanks, tabs, semicolons and line ends part them. */
export function parseCells(text: string): string[] {
  const marked = text.replace(/\s+%/g, '%');
  const parts = marked.split(/[\s;]+/).filter((part) => part !== '');
  return parts.map((part) => {
    const bare = part.replace(/,$/, '').replace('\u2212', '-');
    const percent = bare.endsWith('%');
    const number = parseNumber(percent ? bare.slice(0, -1) : bare);
    if (Number.isNaN(number)) return bare;
    const plain = (percent ? bare.slice(0, -1) : bare).replace(',', '.');
    return percent ? `${plain} %` : plain;
  });
}

/** Cells as one box shows them. */
export function joinCells(cells: string[]): string {
  return cells.map((cell) => cell.replace(/\s+%/, '%')).join('  ');
}

export function printUnit(unit: string): string {
  return unit
    .replace('^2', '²')
    .replace('^3', '³')
    .replace(/^deg([CF])?$/, (_, letter: string | undefined) => `°${letter ?? ''}`)
    .replace('ohm', 'Ω')
    .replace('um', 'µm');
}

export function printRange(text: string): string {
  const cut = text.lastIndexOf(' ');
  return cut < 0 ? text : `${text.slice(0, cut)} ${printUnit(text.slice(cut + 1))}`;
}

function simple(text: string): string {
  return text.toLowerCase().replace(/[._]/g, ' ');
}

/** Whether each word of a search is somewhere in the field's name, key, words or source. */
export function matches(line: FieldLine, section: SectionLine, search: string): boolean {
  const words = simple(search).split(/\s+/).filter(Boolean);
  const text = simple(
    `${section.title} ${line.label} ${line.key} ${line.about} ${line.source} ${line.measure} ${line.origin}`,
  );
  return words.every((word) => text.includes(word));
}

/** Sections with the fields that a search and a mark leave; empty ones are dropped. */
export function filtered(
  sections: SectionLine[],
  search: string,
  mark: Origin | 'all',
): SectionLine[] {
  return sections
    .map((section) => ({
      ...section,
      fields: section.fields.filter(
        (line) => (mark === 'all' || line.origin === mark) && matches(line, section, search),
      ),
    }))
    .filter((section) => section.fields.length > 0);
}

export function countMarks(section: SectionLine): [Origin, number][] {
  const order: Origin[] = ['given', 'assumed', 'fitted', 'derived', 'left out'];
  return order
    .map((origin): [Origin, number] => [
      origin,
      section.fields.filter((line) => line.origin === origin).length,
    ])
    .filter(([, count]) => count > 0);
}

/** Points of a small line through a curve's cells, for an SVG of this size. */
export function sparkline(line: FieldLine, width: number, height: number): string {
  const numbers = line.columns.map((c) => c.cells.map((cell) => Number.parseFloat(cell)));
  const long = numbers.filter((column) => column.length > 1);
  const x = long[0];
  const y = long[1];
  if (x === undefined || y === undefined || x.length !== y.length) return '';
  if (![...x, ...y].every(Number.isFinite)) return '';
  const span = (v: number[]): [number, number] => [Math.min(...v), Math.max(...v)];
  const [x0, x1] = span(x);
  const [y0, y1] = span(y);
  return x
    .map((v, i) => {
      const px = 2 + ((v - x0) / (x1 - x0 || 1)) * (width - 4);
      const py = height - 3 - (((y[i] ?? 0) - y0) / (y1 - y0 || 1)) * (height - 6);
      return `${px.toFixed(1)},${py.toFixed(1)}`;
    })
    .join(' ');
}

/** What stands in the file for a field, to tell whether another window changed it meanwhile. */
export function mark(line: FieldLine): string | null {
  if (line.written === null || line.columns.length === 0) return line.written;
  return JSON.stringify(line.columns.map((column) => [column.key, column.cells]));
}
