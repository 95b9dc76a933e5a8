import type { FanCurve, FanHandle } from '../../lib/fan/types';
import { display, number, type System } from '../../lib/units';
import type { FanView, FigureLine, Handles, ModeLine, PointsPct } from './types';

/** Least distance between neighbours, so that the curve of a mode always rises. */
const LEAST_SHARE_PCT = 0.2;
const LEAST_PEDAL_PCT = 1;

const clamp = (v: number, low: number, high: number): number => Math.min(Math.max(v, low), high);

/** The curves of a fan, labelled by engine speed. */
export function curves(fan: FanView, values: number[][] | null, band: boolean): FanCurve[] {
  if (values === null) return [];
  return fan.rpm.map((rpm, k) => ({
    id: String(rpm),
    label: String(Math.round(rpm)),
    x: fan.pedal_pct,
    y: values[k] ?? [],
    low: band ? fan.low_Nm?.[k] : undefined,
    high: band ? fan.high_Nm?.[k] : undefined,
  }));
}

/** The handles of the Fan with their limits: each stays between its neighbours. */
export function fanHandles(h: Handles): FanHandle[] {
  const found: FanHandle[] = [];
  h.points.forEach((p, k) => {
    if (p.fixed) return;
    const before = h.points[k - 1];
    const after = h.points[k + 1];
    if (!before || !after) return;
    const torque = (share: number): number => h.zero_Nm + (h.span_Nm * share) / 100;
    const low = Math.min(before.point_share_pct + LEAST_SHARE_PCT, p.point_share_pct);
    const high = Math.max(after.point_share_pct - LEAST_SHARE_PCT, p.point_share_pct);
    found.push({
      id: String(k),
      label: `Torque at ${number(p.pedal_pct)} % pedal, ${number(h.rpm)} rpm`,
      x: p.pedal_pct,
      y: p.torque_Nm,
      xRange: [
        Math.min(before.pedal_pct + LEAST_PEDAL_PCT, p.pedal_pct),
        Math.max(after.pedal_pct - LEAST_PEDAL_PCT, p.pedal_pct),
      ],
      yRange: [torque(low), torque(high)],
    });
  });
  return found;
}

function between(x: number, xs: number[], ys: number[]): number {
  for (let k = 1; k < xs.length; k += 1) {
    const x0 = xs[k - 1] ?? 0;
    const x1 = xs[k] ?? 0;
    if (x > x1 && k < xs.length - 1) continue;
    const y0 = ys[k - 1] ?? 0;
    return x1 > x0 ? y0 + ((x - x0) / (x1 - x0)) * ((ys[k] ?? 0) - y0) : y0;
  }
  return ys[0] ?? 0;
}

/**
 * The mode's points after handle `k` was moved to (x pedal, y torque) in the picture.
 * `h` is as it was when the drag began: share is linear in torque, pedal is read back between
 * the handles, because a basis bends the curve from speed to speed.
 */
export function movedPoints(h: Handles, k: number, x: number, y: number): PointsPct {
  const pedal = h.points.map((p) => p.point_pedal_pct);
  const share = h.points.map((p) => p.point_share_pct);
  const before = k - 1;
  const after = k + 1;
  const places = h.points.map((p) => p.pedal_pct);
  share[k] = clamp(
    (100 * (y - h.zero_Nm)) / h.span_Nm,
    (share[before] ?? 0) + LEAST_SHARE_PCT / 2,
    (share[after] ?? 100) - LEAST_SHARE_PCT / 2,
  );
  const place = h.points[k]?.pedal_pct ?? 0;
  if (Math.abs(x - place) > 1e-6) {
    pedal[k] = clamp(
      between(x, places, pedal),
      (pedal[before] ?? 0) + LEAST_PEDAL_PCT / 2,
      (pedal[after] ?? 100) - LEAST_PEDAL_PCT / 2,
    );
  }
  const tidy = (v: number): number => Math.round(v * 100) / 100;
  return { pedal_pct: pedal.map(tidy), share_pct: share.map(tidy) };
}

/** The figures for one gear, as ready texts. */
export function figureRows(
  lines: FigureLine[],
  gear: number,
  system: System,
): { label: string; before: string; after: string; hint: string }[] {
  return lines
    .filter((f) => f.gear === null || f.gear === gear)
    .map((f) => {
      const d = display(f.unit === '% of pedal' ? '%' : f.unit, system);
      const places = d.unit === 'in' ? 3 : f.decimals;
      const text = (v: number | null): string => {
        if (v === null) return 'none';
        const t = number(d.show(v), places);
        return d.unit === '' ? t : `${t}\u00a0${d.unit}`;
      };
      const label = f.gear === null ? f.label : `${f.label}, gear ${f.gear}`;
      return { label, before: text(f.before), after: text(f.after), hint: f.at };
    });
}

/** Modes that apply in a gear. */
export function modesInGear(modes: ModeLine[], gear: number): ModeLine[] {
  return modes.filter((m) => m.gears === null || m.gears.includes(gear));
}

/** One range for both boost states and all drags, so that the picture does not jump. */
export function torqueRange(fan: FanView): [number, number] {
  let low = 0;
  let high = 0;
  for (const rows of [fan.after_Nm, fan.before_Nm, fan.low_Nm, fan.high_Nm]) {
    for (const row of rows ?? []) {
      for (const v of row) {
        low = Math.min(low, v);
        high = Math.max(high, v);
      }
    }
  }
  const step = high - low > 400 ? 100 : high - low > 120 ? 50 : 20;
  return [Math.floor(low / step) * step, Math.ceil(high / step) * step];
}

/** One after another, so that each save knows the revision the one before it made. */
export class Queue {
  private last: Promise<unknown> = Promise.resolve();
  add<T>(work: () => Promise<T>): Promise<T> {
    const next = this.last.then(work, work);
    this.last = next.catch(() => undefined);
    return next;
  }
}
