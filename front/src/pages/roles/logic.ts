import type { Station } from '../../lib/command/types';
import type { Strip } from '../../lib/strips/types';
import type { CurveLine, JudgedLine, KeyLine, KeyValue, Place, RoleCard, RoleView } from './types';

/** How a role stands, in words and with the class of its mark. */
export function standing(card: RoleCard): { word: string; tone: string } {
  switch (card.state) {
    case 'gives':
      return { word: card.asked ? 'acting' : 'acting unasked', tone: 'ok' };
    case 'refused':
      return { word: 'asked for, but refused', tone: 'fail' };
    case 'not asked':
      return { word: 'not asked for', tone: 'mute' };
    default:
      return { word: 'asked for, adds nothing here', tone: 'warn' };
  }
}

const LINE: { place: Place; title: string; text: string }[] = [
  { place: 'floor', title: 'Floors', text: 'the highest of demand and floors goes on' },
  { place: 'ceiling', title: 'Ceilings', text: 'the lowest of them wins over every floor' },
];
const BESIDE: { place: Place; title: string; text: string }[] = [
  { place: 'retard', title: 'Ignition', text: 'the largest retard wins' },
  { place: 'fuel_cut', title: 'Fuel', text: 'the largest cut wins' },
  { place: 'wastegate', title: 'Wastegate', text: 'pressure kept from it' },
  { place: 'reaction', title: 'Reactions to faults', text: 'come before all of this' },
  { place: 'strategy', title: 'Strategy itself', text: 'tables and numbers that it reads, no floor or ceiling' },
];

/** The way from the pedal to the plate with the roles that act at each station. */
export function stations(roles: readonly RoleView[]): { line: Station[]; beside: Station[] } {
  const at = (place: Place): string[] =>
    roles.filter((r) => r.card.state === 'gives' && r.places.includes(place)).map((r) => r.card.title);
  const line: Station[] = [
    { id: 'demand', title: 'Demand', text: 'what the pedal asks, by the map of the mode', names: [] },
    ...LINE.map((s) => ({ id: s.place, title: s.title, text: s.text, names: at(s.place) })),
  ];
  line.push({ id: 'plate', title: 'Plate', text: 'the target that the servo is given', names: [] });
  const beside = BESIDE.map((s) => ({ id: s.place, title: s.title, text: s.text, names: at(s.place) }));
  return { line, beside: beside.filter((s) => s.names.length > 0) };
}

/** A unit of the server as the front end names it. */
export function unitWord(unit: string): string {
  return unit.replaceAll('*', ' ').replace('degC', '°C').replace(/\^?2\b/, '²').replace(/\^?3\b/, '³');
}

/** Decimals that show a number with about four digits, none where it is whole. */
export function decimals(values: readonly number[]): number {
  const big = Math.max(...values.map(Math.abs), 0);
  const most = big >= 1000 ? 0 : big >= 100 ? 1 : big >= 1 ? 2 : 4;
  for (let d = 0; d < most; d += 1) {
    const scale = 10 ** d;
    if (values.every((v) => Math.abs(v * scale - Math.round(v * scale)) < 1e-6 * scale)) return d;
  }
  return most;
}

/** What stands in the field of a list: numbers with commas. */
export function listText(value: KeyValue): string {
  return Array.isArray(value) ? value.map((v) => String(Number(v.toPrecision(9)))).join(', ') : '';
}

/** Reads a list as typed; null when a part is no number. Points stay, commas or blanks part them. */
export function readList(text: string): number[] | null {
  const parts = text.trim().split(/[\s,;]+/).filter((p) => p !== '');
  const numbers = parts.map((p) => Number(p.replace('\u2212', '-')));
  return numbers.some((n) => !Number.isFinite(n)) ? null : numbers;
}

/** Keys that are needed before a role can be asked for, by their label. */
export function lacking(keys: readonly KeyLine[], draft: Readonly<Record<string, KeyValue>>): string[] {
  return keys
    .filter((k) => k.required)
    .filter((k) => {
      const value = k.key in draft ? draft[k.key] : k.value;
      return value === null || value === undefined || value === '' || (Array.isArray(value) && value.length === 0);
    })
    .map((k) => k.label.toLowerCase());
}

/** What is sent to ask for a role: every key that has a value. */
export function asking(
  keys: readonly KeyLine[],
  draft: Readonly<Record<string, KeyValue>>,
): Record<string, KeyValue> {
  const out: Record<string, KeyValue> = {};
  for (const key of keys) {
    const value = key.key in draft ? draft[key.key] : key.value;
    if (value !== null && value !== undefined && value !== '') out[key.key] = value;
  }
  return out;
}

/** Whether a figure keeps its limit, in words. */
export function judgedWord(line: JudgedLine): string {
  if (line.value === null) return 'not found';
  return line.good === null ? '' : line.good ? 'keeps its limit' : 'misses its limit';
}

/** Value of a line at each time, straight between its points; NaN outside them. */
export function between(t: readonly number[], y: readonly number[], at: ArrayLike<number>): Float64Array {
  const out = new Float64Array(at.length);
  let k = 0;
  for (let i = 0; i < at.length; i += 1) {
    const when = at[i]!;
    while (k + 1 < t.length && t[k + 1]! <= when) k += 1;
    const a = t[k];
    if (a === undefined || when < a - 1e-9 || when > t[t.length - 1]! + 1e-9) out[i] = Number.NaN;
    else if (k + 1 >= t.length) out[i] = y[k]!;
    else out[i] = y[k]! + ((y[k + 1]! - y[k]!) * (when - a)) / (t[k + 1]! - a);
  }
  return out;
}

/** Both runs of a pair on one clock, with the role solid and without it dashed. */
export function pairStrips(curves: readonly CurveLine[]): { t: Float64Array; strips: Strip[] } {
  const times = new Set<number>();
  for (const c of curves) for (const list of [c.t_with_s, c.t_without_s]) for (const v of list) times.add(v);
  const t = Float64Array.from([...times].sort((a, b) => a - b));
  const strips = curves.map((c) => ({
    id: c.channel,
    title: c.title,
    unit: unitWord(c.unit),
    series: [
      { label: 'with', values: between(c.t_with_s, c.y_with, t) },
      { label: 'without', values: between(c.t_without_s, c.y_without, t), dashed: true },
    ],
    decimals: decimals([Math.max(...c.y_with.map(Math.abs), 0)]) > 0 ? 1 : 0,
  }));
  return { t, strips };
}

/** Name of an axis in words, with its unit. */
export function axisLabel(axis: { name: string; unit: string }): string {
  const name = axis.name.replace(/_(pct|rpm|Nm|kW|g_s|degC|kPa|K|mm2|mm|s|m_s2|m_s|V|A|1|deg)$/, '');
  const unit = unitWord(axis.unit);
  return unit === '' ? name.replaceAll('_', ' ') : `${name.replaceAll('_', ' ')} / ${unit}`;
}
