import type { FanCurve } from '../../lib/fan/types';
import type { FanData, PlateLine } from './types';

/** Curves of a fan; a point without a solution is a gap. */
export function curves(fan: FanData): FanCurve[] {
  return fan.rpm.map((rpm, i) => ({
    id: String(rpm),
    label: String(rpm),
    x: fan.pedal_pct,
    y: (fan.torque_Nm[i] ?? []).map((v) => v ?? Number.NaN),
  }));
}

/** One range for all bores, so that the picture does not breathe while a slider is dragged. */
export function fanRange(fans: FanData[]): [number, number] {
  let low = 0;
  let high = 1;
  for (const fan of fans) {
    for (const row of fan.torque_Nm) {
      for (const v of row) {
        if (v === null) continue;
        low = Math.min(low, v);
        high = Math.max(high, v);
      }
    }
  }
  const step = high > 400 ? 100 : high > 120 ? 50 : 10;
  return [Math.floor(low / step) * step, Math.ceil((1.02 * high) / step) * step];
}

/** Value of a study over bore, between its rows. */
export function between(
  rows: PlateLine[],
  bore: number,
  pick: (row: PlateLine) => number,
): number | null {
  const first = rows[0];
  const last = rows[rows.length - 1];
  if (!first || !last || bore < first.bore_mm - 1e-6 || bore > last.bore_mm + 1e-6) return null;
  for (let i = 1; i < rows.length; i += 1) {
    const a = rows[i - 1];
    const b = rows[i];
    if (!a || !b || bore > b.bore_mm) continue;
    const share = (bore - a.bore_mm) / (b.bore_mm - a.bore_mm || 1);
    return pick(a) + share * (pick(b) - pick(a));
  }
  return pick(last);
}

/** Every so many rows of a long study, ends kept. */
export function thinned<T>(rows: T[], most: number): T[] {
  if (rows.length <= most) return rows;
  const step = (rows.length - 1) / (most - 1);
  return Array.from({ length: most }, (_, i) => rows[Math.round(i * step)] as T);
}

export interface Small {
  id: string;
  title: string;
  /** Server unit. */
  unit: string;
  decimals: number;
  pick: (row: PlateLine) => number;
  /** Most drawn; beyond it a curve leaves the picture. */
  cap?: number;
  limit?: { value: number; label: string; left?: boolean };
  hint: string;
}

/** The study's small pictures, in the order of the questions. */
export const SMALLS: Small[] = [
  {
    id: 'loss',
    title: 'power lost at rated speed',
    unit: '%',
    decimals: 1,
    pick: (r) => r.loss_pct,
    cap: 12,
    limit: { value: 1, label: '1 % at most' },
    hint: 'against a plate so wide that it does nothing',
  },
  {
    id: 'travel',
    title: 'travel for 90 % of low-speed torque',
    unit: '%',
    decimals: 0,
    pick: (r) => r.pct_at_90[0] ?? Number.NaN,
    cap: 100,
    hint: 'plate travel; the rest of it does little',
  },
  {
    id: 'leak',
    title: 'leak of the closed plate, of idle air',
    unit: '%',
    decimals: 0,
    pick: (r) => r.leak_pct_of_idle,
    cap: 160,
    limit: { value: 80, label: '80 % at most', left: true },
    hint: 'idle cannot be slower than the leak allows',
  },
  {
    id: 'step',
    title: 'idle air moved by 0.1°',
    unit: '%',
    decimals: 1,
    pick: (r) => r.air_per_tenth_pct_of_idle,
    hint: 'how fine the plate must be placed at idle',
  },
  {
    id: 'rest',
    title: 'speed at the unpowered position',
    unit: 'rpm',
    decimals: 0,
    pick: (r) => r.default_rpm,
    hint: 'in neutral, nothing loaded; 0: the engine stalls',
  },
  {
    id: 'closing',
    title: 'closing time, of the own plate',
    unit: '',
    decimals: 2,
    pick: (r) => r.closing_time_scale,
    hint: 'same drive and spring; an estimate, unverified',
  },
];
