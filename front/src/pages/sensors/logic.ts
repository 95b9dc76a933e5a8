import type { FanCurve } from '../../lib/fan/types';
import { number } from '../../lib/units';
import type { EstimateLine, HeldRecording, MoveLine, SensorsView, ServoTrace } from './types';

/** Name of a recording, from its file. */
export function nameOf(file: string): string {
  return file.replace(/^.*[\\/]/, '').replace(/\.(parquet|csv|tsv|txt)$/i, '') || 'sweep';
}

/** Channels that may be a track: in volts, or without a unit where none is in volts. */
export function trackChannels(recording: HeldRecording): string[] {
  const volts = recording.channels.filter((c) => /^m?V$/.test(c.unit));
  return (volts.length >= 2 ? volts : recording.channels).map((c) => c.name);
}

/** The two channels that most likely are the tracks asked for: those whose name says so come first. */
export function guessTracks(recording: HeldRecording, of: 'pedal' | 'plate'): [string, string] | null {
  const names = trackChannels(recording);
  const said = names.filter((n) => n.toLowerCase().includes(of));
  const found = said.length >= 2 ? said : names;
  return found.length >= 2 ? [found[0]!, found[1]!] : null;
}

/** A recorded line with thin ones for the least and most that was read: no spike is hidden. */
export function withExtremes(id: string, label: string, x: number[], mean: number[], low: number[], high: number[]): FanCurve[] {
  return [
    { id: `${id}, least`, label: '', x, y: low, weight: 0.2 },
    { id: `${id}, most`, label: '', x, y: high, weight: 0.2 },
    { id, label, x, y: mean, weight: 1 },
  ];
}

/** Lines of both tracks over travel: recorded ones, and the straight ones they are judged by. */
export function trackCurves(view: SensorsView): { after: FanCurve[]; before: FanCurve[] } {
  const straight = view.result.tracks.map((t): FanCurve => ({
    id: `line ${t.track}`,
    label: `track ${t.track}`,
    x: [0, 100],
    y: [t.released_V, t.seen_V],
    weight: 1,
  }));
  if (view.recorded.length === 0) return { after: straight, before: [] };
  return {
    after: view.recorded.flatMap((r) =>
      withExtremes(`track ${r.track}`, `track ${r.track}`, r.travel_pct, r.mean_V, r.low_V, r.high_V),
    ),
    before: straight.map((s) => ({ ...s, label: '' })),
  };
}

/** Range that shows the difference of the tracks and its tolerance evenly about zero. */
export function differenceRange(view: SensorsView): [number, number] {
  const d = view.difference;
  const most = Math.max(
    ...(d ? [...d.low_pct, ...d.high_pct].map(Math.abs) : []),
    view.result.plausibility.tolerance_pct ?? 0,
    1,
  );
  const top = Math.ceil(1.2 * most);
  return [-top, top];
}

/** Where a fault stays unseen, in words. */
export function blindWords(blind: [number, number][]): string {
  if (blind.length === 0) return 'nowhere';
  return blind.map(([a, b]) => `${number(a, 0)} to ${number(b, 0)} %`).join(', ');
}

/** A number with as many digits as tell something. */
export function digits(value: number, count = 3): string {
  if (!Number.isFinite(value)) return '–';
  if (value === 0) return '0';
  const places = Math.max(0, count - 1 - Math.floor(Math.log10(Math.abs(value))));
  return places > 5 ? value.toExponential(count - 1).replace('-', '\u2212') : number(value, Math.min(places, 5));
}

/** Half-width of an interval as a share of its value, in percent; null where that says nothing. */
export function halfWidth(e: EstimateLine): number | null {
  return e.value === 0 ? null : (50 * (e.high - e.low)) / Math.abs(e.value);
}

const NAMES: Record<string, string> = {
  resistance: 'winding resistance',
  motor_constant: 'motor constant',
  spring_above: 'spring above rest',
  preload_above: 'preload above rest',
  spring_below: 'spring below rest',
  preload_below: 'preload below rest',
  coulomb: 'sliding friction',
  breakaway: 'breakaway friction',
  inertia: 'inertia',
  viscous: 'viscous friction',
  default_opening: 'rest position',
  stick_band: 'stick band',
};
export const plainName = (name: string): string => NAMES[name] ?? name.replaceAll('_', ' ');

/** Angles are shown in degrees. */
export function shown(e: EstimateLine): EstimateLine {
  if (e.unit !== 'rad') return e;
  const k = 180 / Math.PI;
  return { ...e, value: k * e.value, low: k * e.low, high: k * e.high, unit: '°' };
}

/** Worst first: what is outside its limits, then the slowest. */
export function movesInOrder(moves: MoveLine[]): MoveLine[] {
  return [...moves].sort((a, b) => Number(a.ok) - Number(b.ok) || b.settle_s - a.settle_s);
}

export function stepCurves(traces: ServoTrace[]): FanCurve[] {
  return traces.map((t, i) => ({
    id: `${i} ${t.name}`,
    label: '',
    x: t.t_s.map((s) => 1000 * s),
    y: t.opening_deg,
    weight: t.nominal ? 1 : 0.15,
  }));
}

/** Both lines of a record on the clock of what was read. */
export function onOneClock(read: ServoTrace, fitted: ServoTrace): { t: number[]; read: number[]; fitted: number[] } {
  const out: number[] = [];
  let k = 0;
  for (const t of read.t_s) {
    while (k < fitted.t_s.length - 2 && (fitted.t_s[k + 1] ?? Infinity) < t) k += 1;
    const t0 = fitted.t_s[k] ?? 0;
    const t1 = fitted.t_s[k + 1] ?? t0;
    const y0 = fitted.opening_deg[k] ?? NaN;
    const y1 = fitted.opening_deg[k + 1] ?? y0;
    const share = t1 > t0 ? Math.min(1, Math.max(0, (t - t0) / (t1 - t0))) : 0;
    out.push(y0 + share * (y1 - y0));
  }
  return { t: read.t_s, read: read.opening_deg, fitted: out };
}
