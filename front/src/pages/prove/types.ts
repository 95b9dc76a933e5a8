import type { StatusWord } from '../../lib/Status.svelte';

export type { StatusWord };

export interface VerdictLine {
  criterion: string;
  status: StatusWord;
  value: number | null;
  limit: number | null;
  unit: string;
  source: string;
  edition: string;
  text: string;
  scenario: string;
  fault: string;
  reactions: boolean;
}

export interface FaultResult {
  fault: string;
  text: string;
  with_reactions: StatusWord;
  without_reactions: StatusWord;
  reaction: 'needed' | 'not needed here' | 'not shown';
  scenarios: string[];
  worst_with: VerdictLine | null;
  worst_without: VerdictLine | null;
  goes_wrong: string;
}

export interface ProveResult {
  name: string;
  status: StatusWord;
  runs: number;
  verdict_count: number;
  bench_only: boolean;
  healthy: VerdictLine[];
  faults: FaultResult[];
  fault_verdicts: VerdictLine[];
  books: VerdictLine[];
  notes: string[];
}

export interface Proof {
  build_revision: number;
  intent_revision: number;
  calibration_revision: number;
  calibration: string;
  books: string[] | null;
  result: ProveResult;
  current: boolean;
}

export interface Choices {
  scenarios: { name: string; title: string; applies: boolean }[];
  faults: {
    name: string;
    text: string;
    goes_wrong: string;
    proved_in: string;
    hidden_first: string | null;
    applies: boolean;
  }[];
  books: { name: string; title: string; edition: string; chosen: boolean }[];
}

/** The newest of each thing of a car, as the garage lists it. */
export interface Item {
  id: number;
  kind: string;
  name: string;
}

export interface JobState {
  id: string;
  title: string;
  state: 'waiting' | 'running' | 'done' | 'failed' | 'cancelled';
  step: string;
  done: number;
  total: number;
  text: string;
  error: { error: string; advice?: string | null } | null;
}

/** What to ask of a proof; null stands for all of it. */
export interface Wish {
  calibration: string | null;
  scenarios: string[] | null;
  faults: string[] | null;
  books: string[] | null;
  variations: number;
}

export interface TraceLimit {
  criterion: string;
  title: string;
  status: StatusWord;
  channel: string | null;
  axis: 'value' | 'time' | 'figure';
  at: number | null;
  value: number | null;
  limit: number | null;
  unit: string;
  side: string;
  source: string;
  edition: string;
  text: string;
}

export interface Column {
  name: string;
  unit: string;
  count: number;
  t0_s?: number;
  dt_s?: number;
  t_offset?: number;
  offset: number;
}

export interface TraceHead {
  scenario: string;
  title: string;
  caution: string | null;
  fault: string | null;
  fault_at_s: number | null;
  reactions: boolean;
  bench_only: boolean;
  in_charge: Record<string, string>;
  events: { t_s: number; name: string; text: string }[];
  limits: TraceLimit[];
  channels: Column[];
}

/** A run, decoded: all channels on one clock. */
export interface TraceData {
  head: TraceHead;
  t: Float64Array;
  values: Map<string, Float32Array>;
  units: Map<string, string>;
}

/** Which run to look at. */
export interface RunChoice {
  scenario: string;
  fault: string | null;
  reactions: boolean;
  hidden: boolean;
}
