import { number } from '../../lib/units';
import type { CompareResult, Revision } from './types';

/** Kinds a person works with, and how they are called. */
export const KINDS: Record<string, string> = {
  build: 'build',
  intent: 'intent',
  calibration: 'calibration',
  recording: 'recording',
  verdicts: 'verdicts',
  note: 'note',
  beside: 'file beside the build',
};

// The suffixes an export writes.
const SUFFIXES: [string, string][] = [
  ['.calibration.json', 'calibration'],
  ['.verdicts.json', 'verdicts'],
  ['.note.txt', 'note'],
  ['.parquet', 'recording'],
  ['.build.toml', 'build'],
  ['.intent.toml', 'intent'],
  ['.csv', 'beside'],
];

/** Kind and name that a file stands for, by its name, then by what it says of itself. */
export function thingOf(file: string, text: string | null): { kind: string; name: string } | null {
  if (file === 'build.toml' || file === 'intent.toml') {
    const kind = file.replace('.toml', '');
    return { kind, name: kind };
  }
  for (const [suffix, kind] of SUFFIXES) {
    if (!file.endsWith(suffix) || file === suffix) continue;
    if (kind === 'beside') return { kind, name: file };
    // A car has one build and one intent that the pages work on.
    const name = kind === 'build' || kind === 'intent' ? kind : file.slice(0, -suffix.length);
    return { kind, name };
  }
  const format = text === null ? null : /^\s*"?format"?\s*[=:]\s*"throttlewright\.(\w+)"/m.exec(text)?.[1];
  if (format === 'build' || format === 'intent') return { kind: format, name: format };
  if (format === 'calibration') return { kind: format, name: file.replace(/\.json$/, '') };
  return null;
}

/** What a build needs beside it comes in before the build. */
export function inOrder<T extends { kind: string }>(all: T[]): T[] {
  const place = (kind: string): number => (kind === 'beside' ? 0 : kind === 'build' ? 1 : 2);
  return [...all].sort((a, b) => place(a.kind) - place(b.kind));
}

export function thingName(r: { kind: string; name: string }): string {
  const kind = KINDS[r.kind] ?? r.kind;
  return r.name === r.kind ? kind : `${kind} ${r.name}`;
}

/** Time as a person says it: near times by how long ago, others by date. */
export function when(iso: string, now: Date): string {
  const then = new Date(iso);
  const seconds = (now.getTime() - then.getTime()) / 1000;
  if (!Number.isFinite(seconds)) return iso;
  if (seconds < 60) return 'just now';
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min ago`;
  const two = (n: number): string => String(n).padStart(2, '0');
  const clock = `${two(then.getHours())}:${two(then.getMinutes())}`;
  const day = (d: Date): string => `${d.getFullYear()}-${two(d.getMonth() + 1)}-${two(d.getDate())}`;
  return day(then) === day(now) ? `today, ${clock}` : `${day(then)}, ${clock}`;
}

/** Numbers of the newest revision of each thing that is not a branch of its own. */
export function heads(items: Revision[]): Set<number> {
  return new Set(items.map((i) => i.id));
}

/** What a revision is to be compared with: the newest where it was kept beside, else its parent. */
export function before(revision: Revision, items: Revision[]): number | null {
  if (revision.stale) {
    const head = items.find((i) => i.kind === revision.kind && i.name === revision.name);
    if (head && head.id !== revision.id) return head.id;
  }
  return revision.parent;
}

/** Ratios as a person lists them: blanks, commas or semicolons between; null when left empty. */
export function readRatios(text: string): number[] | null | 'wrong' {
  const clean = text.trim();
  if (clean === '') return null;
  // A comma stands between ratios when points mark the decimals, else it is the decimal mark.
  const parts = clean.includes('.') ? clean.split(/[\s,;/]+/) : clean.split(/[\s;/]+/).map((p) => p.replace(',', '.'));
  const values = parts.filter((p) => p !== '').map(Number);
  return values.length > 0 && values.every((v) => Number.isFinite(v) && v > 0) ? values : 'wrong';
}

/** A number and its unit as the build file writes them; undefined when left empty. */
export function written(text: string, unit: string): string | undefined {
  const clean = text.trim().replace(',', '.');
  if (clean === '') return undefined;
  return /[a-z"]/i.test(clean) ? clean : `${clean} ${unit}`;
}

export function compareCount(result: CompareResult): number {
  const { lines, tables, numbers, rows, verdicts, channels } = result;
  return lines.length + tables.length + numbers.length + rows.length + verdicts.length + channels.length;
}

/** The place of a table's largest change: `3500 rpm, 20 %`. */
export function place(at: [string, number, string][]): string {
  return at.map(([, value, unit]) => `${number(value, Number.isInteger(value) ? 0 : 1)}${unit ? `\u00a0${unit}` : ''}`).join(', ');
}

/** A change with its sign, short enough to read. */
export function signed(value: number | null, unit: string): string {
  if (value === null) return '';
  const size = Math.abs(value);
  const text = number(value, size >= 100 ? 0 : size >= 1 ? 1 : 3);
  return `${value > 0 ? '+' : ''}${text}${unit ? `\u00a0${unit}` : ''}`;
}
