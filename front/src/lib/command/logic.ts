import type { Lane, Strip, StripSeries } from '../strips/types';
import type { BoundLine, ChargeSpan, CommandData } from './types';

const OUTPUTS: Record<string, string> = {
  plate: 'in charge of plate',
  retard: 'in charge of ignition',
  fuel_cut: 'in charge of fuel',
  wastegate: 'in charge of wastegate',
};

export function outputWord(output: string): string {
  return OUTPUTS[output] ?? `in charge of ${output.replaceAll('_', ' ')}`;
}

/** Rows in the order in which they matter: those that won, then those that only stood by. */
export function byWeight(bounds: readonly BoundLine[]): BoundLine[] {
  return bounds
    .map((b, place) => ({ b, place }))
    .sort((x, y) => y.b.in_charge_s - x.b.in_charge_s || x.place - y.place)
    .map(({ b }) => b);
}

/** Rows drawn when nobody chose: those that set the plate, else the first. */
export function drawnAtFirst(bounds: readonly BoundLine[]): Set<string> {
  const won = bounds.filter((b) => b.in_charge_s > 0);
  return new Set((won.length > 0 ? won : bounds.slice(0, 1)).map((b) => b.row));
}

const held = (values: readonly (number | null)[]): Float64Array =>
  Float64Array.from(values, (v) => v ?? Number.NaN);

/** Demand, target and plate, then each bound that is to be drawn. */
export function commandStrips(data: CommandData, drawn: ReadonlySet<string>): Strip[] {
  const asked: StripSeries[] = [
    { label: 'plate', values: data.plate_pct },
    { label: 'target', values: data.target_pct, colour: 'ink' },
    { label: 'pedal asks', values: data.demand_pct, colour: 'before', dashed: true },
  ];
  const strips: Strip[] = [
    { id: 'plate', title: 'plate', unit: '%', series: asked, range: [-4, 104], decimals: 1 },
  ];
  for (const side of ['floor', 'ceiling'] as const) {
    const rows = data.bounds.filter((b) => b.side === side && drawn.has(b.row));
    for (const row of rows) {
      strips.push({
        id: row.row,
        title: `${side}: ${row.row.replaceAll('_', ' ')}`,
        unit: '%',
        series: [
          { label: 'bound', values: held(row.values), colour: side === 'floor' ? 'ok' : 'warn' },
          { label: 'target', values: data.target_pct, colour: 'edge' },
        ],
        range: [-4, 104],
        decimals: 1,
      });
    }
  }
  return strips;
}

/** A word only where it fits: a stump says nothing, and a closer look shows it. */
export function fitting(word: string, share: number): string {
  return share > word.length * 0.0078 + 0.008 ? word : '';
}

/** Who sets each output, as bands under the strips. */
export function commandLanes(data: CommandData, view: [number, number] | null): Lane[] {
  const last = data.t_s[data.t_s.length - 1] ?? 1;
  const shown = view ? view[1] - view[0] : last - (data.t_s[0] ?? 0) || 1;
  return data.lanes.map((lane) => ({
    title: outputWord(lane.output),
    spans: lane.spans.map((s) => ({
      from: s.from_s,
      to: s.to_s,
      label: fitting(spanWord(s), (s.to_s - s.from_s) / shown),
      colour: s.kind === 'reaction' ? 'fail' : s.kind === 'demand' ? 'after' : 'warn',
    })),
  }));
}

export function spanWord(span: Pick<ChargeSpan, 'kind' | 'title'>): string {
  return span.kind === 'reaction' ? `reaction: ${span.title}` : span.title;
}

/** Share of the time each name sets an output, the largest first: the band in words. */
export function shares(spans: readonly ChargeSpan[]): { word: string; seconds: number }[] {
  const sums = new Map<string, number>();
  for (const s of spans) {
    const word = spanWord(s);
    sums.set(word, (sums.get(word) ?? 0) + s.to_s - s.from_s);
  }
  return [...sums].map(([word, seconds]) => ({ word, seconds })).sort((a, b) => b.seconds - a.seconds);
}
