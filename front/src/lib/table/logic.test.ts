import { describe, expect, it } from 'vitest';
import * as L from './logic';

const GRID = [
  [0, 1, 2, 3],
  [10, 11, 12, 13],
  [20, 21, 22, 23],
];
const all: L.Range = { top: 0, left: 0, bottom: 2, right: 3 };

function planned(plan: L.Plan): { changes: L.CellChange[]; range: L.Range } {
  if ('problem' in plan) throw new Error(plan.problem);
  return plan;
}

describe('selection', () => {
  it('moves inside the table and stops at its edges', () => {
    let s = L.select(0, 0);
    s = L.move(s, -1, 0, false, 3, 4);
    expect(s.head).toEqual({ row: 0, col: 0 });
    s = L.move(s, 9, 9, false, 3, 4);
    expect(s.head).toEqual({ row: 2, col: 3 });
    expect(s.anchor).toEqual(s.head);
  });
  it('grows with shift in any direction from its anchor', () => {
    let s = L.select(1, 1);
    s = L.move(s, -1, 0, true, 3, 4);
    s = L.move(s, 0, 2, true, 3, 4);
    expect(L.rangeOf(s)).toEqual({ top: 0, left: 1, bottom: 1, right: 3 });
    expect(L.cellCount(L.rangeOf(s))).toBe(6);
  });
  it('lets Tab leave at the end of a row', () => {
    expect(L.tab(L.select(1, 2), false, 4)?.head).toEqual({ row: 1, col: 3 });
    expect(L.tab(L.select(1, 3), false, 4)).toBeNull();
    expect(L.tab(L.select(1, 0), true, 4)).toBeNull();
  });
  it('is kept inside a table that shrank', () => {
    expect(L.fit(L.selectAll(9, 9), 3, 4).head).toEqual({ row: 2, col: 3 });
  });
});

describe('copy and paste', () => {
  it('copies tab separated rows with full precision', () => {
    const grid = [
      [1 / 3, 2],
      [3, 4],
    ];
    const text = L.copyText(grid, { top: 0, left: 0, bottom: 1, right: 1 });
    expect(text).toBe('0.3333333333333333\t2\n3\t4');
    expect(L.parsePaste(text)).toEqual({ block: grid });
  });
  it('does not touch the row below with CRLF and a final newline', () => {
    const plan = planned(L.planPaste(GRID, '7\t8\r\n9\t10\r\n', L.select(0, 1)));
    expect(plan.range).toEqual({ top: 0, left: 1, bottom: 1, right: 2 });
    const next = L.apply(GRID, plan.changes);
    expect(next).toEqual([
      [0, 7, 8, 3],
      [10, 9, 10, 13],
      [20, 21, 22, 23],
    ]);
  });
  it('reads lone CR and several final newlines', () => {
    expect(L.parsePaste('1\r2\r\n\r\n')).toEqual({ block: [[1], [2]] });
  });
  it('fills the selected range with a single number', () => {
    const s: L.Selection = { anchor: { row: 2, col: 1 }, head: { row: 1, col: 2 } };
    const next = L.apply(GRID, planned(L.planPaste(GRID, '5\n', s)).changes);
    expect(next[1]).toEqual([10, 5, 5, 13]);
    expect(next[2]).toEqual([20, 5, 5, 23]);
    expect(next[0]).toEqual(GRID[0]);
  });
  it.each([
    ['1\t2\n3', 'cells'],
    ['1\tx', 'not a number'],
    ['1\t', 'empty cell'],
    ['1\n\n2', 'empty cell'],
    ['', 'no text'],
    ['1\t2\t3\t4', 'does not fit'],
    ['1\n2\n3\n4', 'does not fit'],
    ['1\t101', 'above 100'],
    ['-1\t5', 'below 0'],
    ['NaN', 'not a number'],
    ['1e999', 'above 100'],
  ])('refuses %j whole', (text, why) => {
    const plan = L.planPaste(GRID, text, L.select(0, 1), { min: 0, max: 100 });
    expect('problem' in plan ? plan.problem : '').toContain(why);
  });
  it('reads a decimal comma, a real minus and a percent sign', () => {
    expect(L.readCell('1,5')).toBe(1.5);
    expect(L.readCell('\u22122')).toBe(-2);
    expect(L.readCell('12.5 %')).toBe(12.5);
    expect(L.readCell('1,2,3')).toBeNaN();
    expect(L.readCell('0x10')).toBeNaN();
  });
});

describe('operations', () => {
  it('interpolates on the real axes, not on the index', () => {
    const grid = [[0, 50, 50, 100]];
    const changes = L.interpolate(grid, { ...all, bottom: 0 }, [1000], [0, 10, 40, 100], 'across');
    expect(L.apply(grid, changes)).toEqual([[0, 10, 40, 100]]);
  });
  it('interpolates down and keeps both ends', () => {
    const grid = [[0], [9], [30]];
    const r = { top: 0, left: 0, bottom: 2, right: 0 };
    expect(L.apply(grid, L.interpolate(grid, r, [1000, 2000, 4000], [0], 'down'))).toEqual([
      [0],
      [10],
      [30],
    ]);
  });
  it('gives a plane from four corners', () => {
    const r = [1000, 2000, 4000];
    const c = [0, 20, 50, 100];
    const plane = r.map((y) => c.map((x) => 3 + 0.002 * y + 0.4 * x));
    const rough = plane.map((row, i) =>
      row.map((v, j) => ((i === 0 || i === 2) && (j === 0 || j === 3) ? v : -99)),
    );
    const next = L.apply(rough, L.interpolate(rough, all, r, c, 'both'));
    next.forEach((row, i) => row.forEach((v, j) => expect(v).toBeCloseTo(plane[i]?.[j] ?? NaN, 10)));
  });
  it('scales, shifts and fills only the range and stops at the limits', () => {
    const r = { top: 1, left: 1, bottom: 1, right: 2 };
    expect(L.scale(GRID, r, 2)).toEqual([
      [1, 1, 22],
      [1, 2, 24],
    ]);
    expect(L.scale(GRID, r, 2, { max: 23 })[1]).toEqual([1, 2, 23]);
    expect(L.shift(GRID, r, -20, { min: 0 })).toEqual([
      [1, 1, 0],
      [1, 2, 0],
    ]);
    expect(L.fill(GRID, r, 11)).toEqual([[1, 2, 11]]);
    expect(L.scale(GRID, r, Number.NaN)).toEqual([]);
  });
  it('smooths a spike towards its neighbours and leaves a plane inside alone', () => {
    const spike = [[0, 0, 8, 0, 0]];
    const next = L.apply(spike, L.smooth(spike, { top: 0, left: 0, bottom: 0, right: 4 }));
    expect(next).toEqual([[0, 2, 4, 2, 0]]);
    const middle = L.smooth(GRID, all).find(([row, col]) => row === 1 && (col === 1 || col === 2));
    expect(middle).toBeUndefined();
    expect(L.smooth(GRID, { top: 1, left: 1, bottom: 1, right: 1 })).toEqual([]);
  });
  it('never changes the grid it was given', () => {
    const frozen = GRID.map((row) => Object.freeze([...row]));
    L.apply(frozen, L.scale(frozen, all, 3));
    expect(frozen).toEqual(GRID);
  });
  it('finds the ends of the ramp', () => {
    expect(L.extent(GRID)).toEqual([0, 23]);
    expect(L.extent([])).toEqual([0, 1]);
  });
});
