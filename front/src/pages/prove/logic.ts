import type { Lane, Mark, Strip } from '../../lib/strips/types';
import { display, number, quantity, type System } from '../../lib/units';
import type {
  Choices,
  Item,
  Proof,
  ProveResult,
  RunChoice,
  StatusWord,
  TraceData,
  TraceHead,
  TraceLimit,
  VerdictLine,
} from './types';

const RANK: Record<StatusWord, number> = { fail: 0, not_proven: 1, pass: 2, not_applicable: 3 };

export function rank(status: StatusWord): number {
  return RANK[status];
}

/** The worst of some statuses; `not_applicable` when nothing was judged. */
export function worst(all: Iterable<StatusWord>): StatusWord {
  let found: StatusWord = 'not_applicable';
  for (const one of all) if (RANK[one] < RANK[found]) found = one;
  return found;
}

export interface Cell {
  scenario: string;
  status: StatusWord;
  lines: VerdictLine[];
}

export interface Row {
  /** Name of the fault; '' for the healthy car. */
  fault: string;
  text: string;
  status: StatusWord;
  /** What the reactions are for, as the proof found. */
  need: string;
  cells: Map<string, Cell>;
}

function gather(lines: VerdictLine[]): Map<string, Cell> {
  const cells = new Map<string, Cell>();
  for (const line of lines) {
    if (line.scenario === '') continue;
    let cell = cells.get(line.scenario);
    if (!cell) cells.set(line.scenario, (cell = { scenario: line.scenario, status: 'not_applicable', lines: [] }));
    cell.lines.push(line);
    cell.status = worst([cell.status, line.status]);
  }
  return cells;
}

/** Scenarios with the healthy car, each with its worst verdict. */
export function healthyCells(result: ProveResult): Cell[] {
  return [...gather(result.healthy).values()];
}

/** One row for each fault of the proof, with or without the reactions that answer it. */
export function faultRows(result: ProveResult, reactions: boolean): Row[] {
  const book = result.books.filter((line) => line.fault !== '');
  return result.faults.map((fault) => {
    const own = result.fault_verdicts.filter((v) => v.fault === fault.fault && v.reactions === reactions);
    const asked = reactions ? book.filter((v) => v.fault === fault.fault) : [];
    const cells = gather([...own, ...asked]);
    return {
      fault: fault.fault,
      text: fault.text,
      status: worst([...cells.values()].map((c) => c.status)),
      need: fault.reaction,
      cells,
    };
  });
}

/** Rows in the order they are to be read. */
export function ordered(rows: Row[], failsFirst: boolean): Row[] {
  if (!failsFirst) return rows;
  return rows
    .map((row, i) => ({ row, i }))
    .sort((a, b) => RANK[a.row.status] - RANK[b.row.status] || a.i - b.i)
    .map((x) => x.row);
}

/** Scenarios that at least one row was driven in, in the order they are offered. */
export function columnsOf(rows: Row[], choices: Choices): string[] {
  const used = new Set(rows.flatMap((row) => [...row.cells.keys()]));
  const place = (name: string): number => {
    const at = choices.scenarios.findIndex((s) => s.name === base(name));
    return at < 0 ? choices.scenarios.length : at;
  };
  return [...used].sort((a, b) => place(a) - place(b) || a.localeCompare(b));
}

export function base(scenario: string): string {
  return scenario.split('@')[0] ?? scenario;
}

/** `tip_in@2500rpm` as a person reads it. */
export function scenarioTitle(scenario: string, choices: Choices | null): string {
  const [name = '', variant] = scenario.split('@');
  const title = choices?.scenarios.find((s) => s.name === name)?.title ?? name.replaceAll('_', ' ');
  return variant === undefined ? title : `${title}, ${variant.replace(/(\d)(rpm)$/, '$1 $2').replaceAll('_', ' ')}`;
}

export function countStatuses(lines: VerdictLine[]): Record<StatusWord, number> {
  const counts: Record<StatusWord, number> = { pass: 0, fail: 0, not_proven: 0, not_applicable: 0 };
  for (const line of lines) counts[line.status] += 1;
  return counts;
}

/** Notes that no other part of the page shows. */
export function ownNotes(notes: string[]): string[] {
  return notes.filter((n) => !n.startsWith('Not needed here:') && !n.startsWith('Rule books chosen'));
}

/** What a proof found for a run; null when it did not drive it. */
export function foundFor(result: ProveResult, run: RunChoice): StatusWord | null {
  const of = run.fault === null
    ? result.healthy.filter((v) => v.scenario === run.scenario)
    : result.fault_verdicts.filter(
        (v) => v.fault === run.fault && v.scenario === run.scenario && v.reactions === run.reactions,
      );
  return of.length === 0 ? null : worst(of.map((v) => v.status));
}

/** The verdicts that decide: the healthy car, the faults with reactions, the rule books. */
export function deciding(result: ProveResult): VerdictLine[] {
  return [...result.healthy, ...result.fault_verdicts.filter((v) => v.reactions), ...result.books];
}

export function worstFirst<T extends { status: StatusWord }>(lines: readonly T[]): T[] {
  return [...lines].sort((a, b) => RANK[a.status] - RANK[b.status]);
}

/** Sentences on what was saved since the proof; empty when it is of the car as it stands. */
export function ages(proof: Proof, items: Item[]): string[] {
  const out: string[] = [];
  const now = (kind: string, name: string): number | null =>
    items.find((i) => i.kind === kind && i.name === name)?.id ?? null;
  const say = (what: string, of: number, is: number | null): void => {
    if (is === of) return;
    if (is === null) out.push(`It belongs to revision ${of} of the ${what}, which is no longer there.`);
    else out.push(`It belongs to revision ${of} of the ${what}; the ${what} is now at revision ${is}.`);
  };
  say(proof.calibration === 'calibration' ? 'calibration' : `calibration ${proof.calibration}`,
    proof.calibration_revision, now('calibration', proof.calibration));
  say('build', proof.build_revision, now('build', 'build'));
  say('intent', proof.intent_revision, now('intent', 'intent'));
  return out;
}

// --- a run -----------------------------------------------------------------------------------

/** Reads a run as the server sends it: length of the head, head, columns. */
export function decode(buffer: ArrayBuffer): TraceData {
  const size = new DataView(buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size))) as TraceHead;
  const start = 4 + size;
  const clockOf = (i: number): Float64Array => {
    const c = head.channels[i]!;
    if (c.t_offset !== undefined) return new Float64Array(buffer, start + c.t_offset, c.count);
    return Float64Array.from({ length: c.count }, (_, k) => (c.t0_s ?? 0) + (c.dt_s ?? 0) * k);
  };
  let longest = 0;
  head.channels.forEach((c, i) => {
    if (c.count > (head.channels[longest]?.count ?? 0)) longest = i;
  });
  const main = head.channels[longest];
  const t = main ? clockOf(longest) : new Float64Array();
  const values = new Map<string, Float32Array>();
  const units = new Map<string, string>();
  head.channels.forEach((c, i) => {
    const own = new Float32Array(buffer, start + c.offset, c.count);
    const same = c.count === main?.count && c.t0_s !== undefined && c.t0_s === main.t0_s && c.dt_s === main.dt_s;
    values.set(c.name, same || i === longest ? own : held(clockOf(i), own, t));
    units.set(c.name, unitWord(c.unit));
  });
  return { head, t, values, units };
}

/** Values of one clock at the times of another: the last one known, NaN before the first. */
export function held(from: ArrayLike<number>, values: ArrayLike<number>, t: ArrayLike<number>): Float32Array {
  const out = new Float32Array(t.length);
  let k = -1;
  for (let i = 0; i < t.length; i += 1) {
    while (k + 1 < from.length && from[k + 1]! <= t[i]! + 1e-9) k += 1;
    out[i] = k < 0 ? Number.NaN : values[k]!;
  }
  return out;
}

export function unitWord(unit: string): string {
  return unit.replaceAll('*', ' ').replace('degC', '°C').replace(/\^?2\b/, '²').replace(/\^?3\b/, '³');
}

const STRIPS: { id: string; title: string; channel: string; asked?: string; range?: [number, number]; decimals?: number }[] = [
  { id: 'pedal', title: 'pedal', channel: 'pedal_pct', range: [-4, 104], decimals: 0 },
  { id: 'plate', title: 'plate', channel: 'plate_pct', asked: 'demand_pct', range: [-4, 104] },
  { id: 'map', title: 'MAP', channel: 'map_kPa', decimals: 0 },
  { id: 'torque', title: 'torque', channel: 'torque_Nm', decimals: 0 },
  { id: 'rpm', title: 'engine speed', channel: 'engine_rpm', decimals: 0 },
  { id: 'speed', title: 'road speed', channel: 'speed_m_s' },
];

const MORE: Record<string, string> = {
  exhaust_degC: 'exhaust',
  brake_vacuum_kPa: 'brake vacuum',
  pipe_kPa: 'charge pipe',
  coolant_degC: 'coolant',
  current_A: 'motor current',
};

/** What can be drawn of the limits: one for each channel, the chosen one, else the worst. */
export function drawnLimits(limits: TraceLimit[], chosen: string | null): TraceLimit[] {
  const drawable = limits.filter((l) => l.axis !== 'figure' && l.at !== null && l.channel !== null);
  const byPlace = new Map<string, TraceLimit>();
  for (const limit of worstFirst(drawable)) {
    const place = `${limit.axis} ${limit.channel}`;
    if (!byPlace.has(place) || limit.criterion === chosen) byPlace.set(place, limit);
  }
  return [...byPlace.values()];
}

function short(text: string, most: number): string {
  return text.length <= most ? text : `${text.slice(0, most - 1).trimEnd()}…`;
}

export function limitWord(limit: TraceLimit): string {
  return limit.side === 'least' ? 'at least' : 'at most';
}

/** The strips of a run with the limits that were chosen to be drawn. */
export function stripsOf(trace: TraceData, drawn: TraceLimit[], system: System): Strip[] {
  const wanted = [...STRIPS];
  for (const limit of drawn) {
    const channel = limit.channel!;
    if (limit.axis !== 'value' || wanted.some((w) => w.channel === channel)) continue;
    const title = MORE[channel] ?? channel.replace(/_[A-Za-z0-9]+$/, '').replaceAll('_', ' ');
    wanted.push({ id: channel, title, channel, decimals: 0 });
  }
  const out: Strip[] = [];
  for (const w of wanted) {
    const values = trace.values.get(w.channel);
    if (!values) continue;
    const unit = trace.units.get(w.channel) ?? '';
    const asked = w.asked === undefined ? undefined : trace.values.get(w.asked);
    const strip: Strip = {
      id: w.id,
      title: w.title,
      unit,
      series: [{ label: w.title, values }],
      decimals: w.decimals ?? 1,
    };
    if (asked) strip.series.push({ label: 'asked', values: asked, colour: 'before', dashed: true });
    if (w.range) strip.range = w.range;
    strip.limits = drawn
      .filter((l) => l.axis === 'value' && l.channel === w.channel)
      .map((l) => ({
        value: l.at!,
        label: `${limitWord(l)} ${quantity(l.at, unit, system, 0)} · ${short(l.source, 96)}`,
      }));
    out.push(strip);
  }
  return out;
}

export interface Moment {
  t: number;
  label: string;
  texts: string[];
}

/** Events and limits in time, numbered in their order; those closer than 1 % share a mark. */
export function moments(trace: TraceData, drawn: TraceLimit[], faults: ReadonlyMap<string, string>): Moment[] {
  const { t, head } = trace;
  const span = t.length > 1 ? t[t.length - 1]! - t[0]! : 1;
  const all = head.events.map((e) => ({ t: e.t_s, text: eventText(e.text, faults) }));
  for (const limit of drawn) {
    if (limit.axis !== 'time') continue;
    all.push({ t: limit.at!, text: `Limit, ${limitWord(limit)} ${number(limit.limit, 2)} ${limit.unit}: ${limit.title}. Source: ${sourceOf(limit)}` });
  }
  all.sort((a, b) => a.t - b.t);
  const out: Moment[] = [];
  for (const one of all) {
    const last = out[out.length - 1];
    if (last && one.t - last.t < 0.01 * span) last.texts.push(`${one.text}${one.t > last.t ? ` (${number(one.t, 2)} s)` : ''}`);
    else out.push({ t: one.t, label: String(out.length + 1), texts: [one.text] });
  }
  return out;
}

function eventText(text: string, faults: ReadonlyMap<string, string>): string {
  const [name = '', ...rest] = text.split(' ');
  const fault = faults.get(name);
  if (fault !== undefined) return `Fault: ${[fault, ...rest].join(' ').replace(/ sets in$/, '')}`;
  return text.replaceAll('_', ' ');
}

export function marksOf(all: Moment[]): Mark[] {
  return all.map((m) => ({ t: m.t, label: m.label }));
}

export function sourceOf(line: { source: string; edition: string }): string {
  return line.edition === '' ? line.source : `${line.source} (${line.edition})`;
}

/** Who sets the plate, and who cuts fuel where anybody does. */
export function lanesOf(trace: TraceData, view: [number, number] | null = null): Lane[] {
  const { t } = trace;
  const shown = view ? view[1] - view[0] : t.length > 1 ? t[t.length - 1]! - t[0]! : 1;
  // A word that does not fit in its span would be cut to a stump; a closer look shows it.
  const fitting = (word: string, length: number): string =>
    length / shown > word.length * 0.0078 + 0.008 ? word : '';
  const names = trace.head.in_charge;
  const lanes: Lane[] = [];
  for (const [title, channel] of [['in charge of plate', 'in_charge_plate_1'], ['in charge of fuel', 'in_charge_fuel_1']] as const) {
    const values = trace.values.get(channel);
    if (!values || values.length === 0) continue;
    if (channel !== 'in_charge_plate_1' && values.every((v) => v === 0)) continue;
    const spans: Lane['spans'] = [];
    let from = 0;
    for (let i = 1; i <= values.length; i += 1) {
      if (i < values.length && values[i] === values[from]) continue;
      const code = Math.round(values[from]!);
      const nobody = code === 0 && channel !== 'in_charge_plate_1';
      const name = code === 0 ? 'pedal' : (names[String(code)] ?? `row ${code}`).replaceAll('_', ' ');
      if (!nobody) {
        const begin = trace.t[from]!;
        const end = trace.t[Math.min(i, values.length - 1)]!;
        spans.push({
          from: begin,
          to: end,
          label: fitting(code < 0 ? `reaction: ${name}` : name, end - begin),
          colour: code < 0 ? 'fail' : code === 0 ? 'after' : 'warn',
        });
      }
      from = i;
    }
    lanes.push({ title, spans });
  }
  return lanes;
}

/** A verdict's figure beside its limit, in the units in force. */
export function figure(line: { value: number | null; limit: number | null; unit: string }, system: System): { value: string; limit: string } {
  const unit = unitWord(line.unit);
  const d = display(unit, system);
  const digits = (v: number | null): number => {
    const size = v === null ? 0 : Math.abs(d.show(v));
    return size >= 100 ? 0 : size >= 10 ? 1 : size >= 1 ? 2 : 3;
  };
  const show = (v: number | null): string => quantity(v, unit, system, digits(v)).replace(/(\.\d*?)0+(?=\D|$)/, '$1').replace(/\.(?=\D|$)/, '');
  return { value: show(line.value), limit: show(line.limit) };
}

/** The address query that names a run. */
export function runQuery(run: RunChoice): Record<string, string> {
  const query: Record<string, string> = { run: run.scenario };
  if (run.fault) query.fault = run.fault;
  if (!run.reactions) query.reactions = 'off';
  if (run.hidden) query.hidden = 'on';
  return query;
}

export function runOf(query: Record<string, string>): RunChoice | null {
  if (!query.run) return null;
  return {
    scenario: query.run,
    fault: query.fault ?? null,
    reactions: query.reactions !== 'off',
    hidden: query.hidden === 'on',
  };
}
