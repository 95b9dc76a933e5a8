/** The table without a screen: selection, movement, copy, paste and the range operations. */

export type Grid = readonly (readonly number[])[];
export interface Cell {
  row: number;
  col: number;
}
export interface Selection {
  anchor: Cell;
  head: Cell;
}
/** Inclusive on all four sides. */
export interface Range {
  top: number;
  left: number;
  bottom: number;
  right: number;
}
/** Row, column, new value: the form the server takes. */
export type CellChange = [row: number, col: number, value: number];
export interface Limits {
  min?: number | undefined;
  max?: number | undefined;
}
export type Plan = { changes: CellChange[]; range: Range } | { problem: string };
export type Direction = 'across' | 'down' | 'both';

export function select(row: number, col: number): Selection {
  return { anchor: { row, col }, head: { row, col } };
}

export function rangeOf(s: Selection): Range {
  return {
    top: Math.min(s.anchor.row, s.head.row),
    left: Math.min(s.anchor.col, s.head.col),
    bottom: Math.max(s.anchor.row, s.head.row),
    right: Math.max(s.anchor.col, s.head.col),
  };
}

export function inRange(r: Range, row: number, col: number): boolean {
  return row >= r.top && row <= r.bottom && col >= r.left && col <= r.right;
}

export function cellCount(r: Range): number {
  return (r.bottom - r.top + 1) * (r.right - r.left + 1);
}

function clamp(value: number, low: number, high: number): number {
  return Math.min(Math.max(value, low), high);
}

/** Moves the head by rows and columns; without `extend` the selection shrinks to one cell. */
export function move(
  s: Selection,
  dRow: number,
  dCol: number,
  extend: boolean,
  rows: number,
  cols: number,
): Selection {
  const head = {
    row: clamp(s.head.row + dRow, 0, rows - 1),
    col: clamp(s.head.col + dCol, 0, cols - 1),
  };
  return { anchor: extend ? s.anchor : head, head };
}

/** The next cell of the row for Tab, or null at the row's end (the focus then leaves the table). */
export function tab(s: Selection, back: boolean, cols: number): Selection | null {
  const col = s.head.col + (back ? -1 : 1);
  return col < 0 || col >= cols ? null : select(s.head.row, col);
}

export function selectAll(rows: number, cols: number): Selection {
  return { anchor: { row: 0, col: 0 }, head: { row: rows - 1, col: cols - 1 } };
}

/** The selection kept inside a table that changed its size. */
export function fit(s: Selection, rows: number, cols: number): Selection {
  const inside = (c: Cell): Cell => ({
    row: clamp(c.row, 0, Math.max(rows - 1, 0)),
    col: clamp(c.col, 0, Math.max(cols - 1, 0)),
  });
  return { anchor: inside(s.anchor), head: inside(s.head) };
}

function at(grid: Grid, row: number, col: number): number {
  return grid[row]?.[col] ?? Number.NaN;
}

/** Tab-separated lines of the range, full precision, as spreadsheets take them. */
export function copyText(grid: Grid, r: Range): string {
  const lines: string[] = [];
  for (let row = r.top; row <= r.bottom; row += 1) {
    const cells: string[] = [];
    for (let col = r.left; col <= r.right; col += 1) cells.push(String(at(grid, row, col)));
    lines.push(cells.join('\t'));
  }
  return lines.join('\n');
}

/** Reads one number as spreadsheets write it; NaN when it is none. */
export function readCell(text: string): number {
  const clean = text.trim().replace('\u2212', '-').replace(/%$/, '').trim();
  const decimal = /^[+-]?\d+,\d+$/.test(clean) ? clean.replace(',', '.') : clean;
  if (!/^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(decimal)) return Number.NaN;
  return Number(decimal);
}

/**
 * The block of numbers in pasted text: rows by newline (any of CRLF, LF, CR), cells by tab.
 * A final newline ends the last row and starts none. Anything doubtful refuses the whole text.
 */
export function parsePaste(text: string): { block: number[][] } | { problem: string } {
  const lines = text.replace(/\r\n?/g, '\n').split('\n');
  while (lines.length > 0 && lines[lines.length - 1] === '') lines.pop();
  if (lines.length === 0) return { problem: 'The clipboard holds no text. Nothing changed.' };
  const block: number[][] = [];
  for (const [i, line] of lines.entries()) {
    const row: number[] = [];
    for (const [j, cell] of line.split('\t').entries()) {
      const value = readCell(cell);
      if (Number.isNaN(value)) {
        const shown = cell.trim() === '' ? 'an empty cell' : `“${cell.trim().slice(0, 24)}”`;
        return {
          problem: `Row ${i + 1}, column ${j + 1} of the pasted block is ${shown}, not a number. Nothing changed.`,
        };
      }
      row.push(value);
    }
    const first = block[0];
    if (first !== undefined && row.length !== first.length) {
      return {
        problem: `Row ${i + 1} of the pasted block has ${row.length} cells, the first has ${first.length}. Nothing changed.`,
      };
    }
    block.push(row);
  }
  return { block };
}

function outside(value: number, limits: Limits): string | null {
  if (limits.min !== undefined && value < limits.min) return `below ${limits.min}`;
  if (limits.max !== undefined && value > limits.max) return `above ${limits.max}`;
  return null;
}

/**
 * What a paste at the selection would change. One number fills the selected range; a block goes
 * to the range's top left corner. A block that does not fit or holds a value outside the limits
 * is refused whole.
 */
export function planPaste(grid: Grid, text: string, s: Selection, limits: Limits = {}): Plan {
  const parsed = parsePaste(text);
  if ('problem' in parsed) return parsed;
  const { block } = parsed;
  const r = rangeOf(s);
  const height = block.length;
  const width = block[0]?.length ?? 0;
  const single = height === 1 && width === 1;
  const range: Range = single
    ? r
    : { top: r.top, left: r.left, bottom: r.top + height - 1, right: r.left + width - 1 };
  const rows = grid.length;
  const cols = grid[0]?.length ?? 0;
  if (range.bottom >= rows || range.right >= cols) {
    return {
      problem: `The pasted block is ${height} rows by ${width} columns and does not fit from here: ${rows - r.top} by ${cols - r.left} are left. Nothing changed.`,
    };
  }
  const changes: CellChange[] = [];
  for (let row = range.top; row <= range.bottom; row += 1) {
    for (let col = range.left; col <= range.right; col += 1) {
      const value = single ? (block[0]?.[0] ?? Number.NaN) : at(block, row - r.top, col - r.left);
      const wrong = outside(value, limits);
      if (wrong !== null) {
        return { problem: `The pasted value ${value} is ${wrong}. Nothing changed.` };
      }
      if (value !== at(grid, row, col)) changes.push([row, col, value]);
    }
  }
  return { changes, range };
}

function collect(
  grid: Grid,
  r: Range,
  limits: Limits,
  value: (row: number, col: number) => number,
): CellChange[] {
  const changes: CellChange[] = [];
  for (let row = r.top; row <= r.bottom; row += 1) {
    for (let col = r.left; col <= r.right; col += 1) {
      const next = clamp(value(row, col), limits.min ?? -Infinity, limits.max ?? Infinity);
      if (Number.isFinite(next) && next !== at(grid, row, col)) changes.push([row, col, next]);
    }
  }
  return changes;
}

export function fill(grid: Grid, r: Range, value: number, limits: Limits = {}): CellChange[] {
  return collect(grid, r, limits, () => value);
}

/** Multiplies every cell of the range; the result stays inside the limits. */
export function scale(grid: Grid, r: Range, factor: number, limits: Limits = {}): CellChange[] {
  return collect(grid, r, limits, (row, col) => at(grid, row, col) * factor);
}

/** Adds to every cell of the range; the result stays inside the limits. */
export function shift(grid: Grid, r: Range, amount: number, limits: Limits = {}): CellChange[] {
  return collect(grid, r, limits, (row, col) => at(grid, row, col) + amount);
}

function share(axis: readonly number[], i: number, from: number, to: number): number {
  const a = axis[from] ?? from;
  const b = axis[to] ?? to;
  return b === a ? 0 : ((axis[i] ?? i) - a) / (b - a);
}

/**
 * Replaces the inside of the range by straight lines on the real axes: between the first and
 * last column (`across`), the first and last row (`down`), or the four corners (`both`).
 */
export function interpolate(
  grid: Grid,
  r: Range,
  rowAxis: readonly number[],
  colAxis: readonly number[],
  direction: Direction,
  limits: Limits = {},
): CellChange[] {
  const { top, left, bottom, right } = r;
  const mix = (a: number, b: number, u: number): number => (u === 0 ? a : u === 1 ? b : a + (b - a) * u);
  return collect(grid, r, limits, (row, col) => {
    const u = share(colAxis, col, left, right);
    const v = share(rowAxis, row, top, bottom);
    if (direction === 'across') return mix(at(grid, row, left), at(grid, row, right), u);
    if (direction === 'down') return mix(at(grid, top, col), at(grid, bottom, col), v);
    const upper = mix(at(grid, top, left), at(grid, top, right), u);
    const lower = mix(at(grid, bottom, left), at(grid, bottom, right), u);
    return mix(upper, lower, v);
  });
}

/**
 * Moves each cell half-way to the mean of its neighbours inside the range; neighbours are the
 * cells beside, above and below. A range one cell wide is smoothed along its length, its two
 * ends kept.
 */
export function smooth(grid: Grid, r: Range, limits: Limits = {}): CellChange[] {
  const tall = r.bottom > r.top;
  const wide = r.right > r.left;
  if (!tall && !wide) return [];
  return collect(grid, r, limits, (row, col) => {
    const here = at(grid, row, col);
    if (tall !== wide) {
      const end = tall ? row === r.top || row === r.bottom : col === r.left || col === r.right;
      if (end) return here;
    }
    let sum = 0;
    let n = 0;
    for (const [dr, dc] of [[-1, 0], [1, 0], [0, -1], [0, 1]] as const) {
      if (!inRange(r, row + dr, col + dc)) continue;
      sum += at(grid, row + dr, col + dc);
      n += 1;
    }
    return 0.5 * here + (0.5 * sum) / n;
  });
}

/** A new grid with the changes in it; the old one stays as it is. */
export function apply(grid: Grid, changes: readonly CellChange[]): number[][] {
  const next = grid.map((row) => [...row]);
  for (const [row, col, value] of changes) {
    const line = next[row];
    if (line !== undefined && col in line) line[col] = value;
  }
  return next;
}

/** Least and greatest value, for the lightness ramp. */
export function extent(grid: Grid): [number, number] {
  let low = Infinity;
  let high = -Infinity;
  for (const row of grid) {
    for (const value of row) {
      if (value < low) low = value;
      if (value > high) high = value;
    }
  }
  return low <= high ? [low, high] : [0, 1];
}
