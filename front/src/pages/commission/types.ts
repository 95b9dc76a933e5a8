import type { StatusWord } from '../../lib/Status.svelte';

export type Phase = 'fingers' | 'air' | 'fuel' | 'drive';

export interface StepLine {
  number: number;
  phase: Phase;
  key: string;
  do: string;
  expected: number | null;
  unit: string;
  low: number | null;
  high: number | null;
  stop: string;
  then: string;
  source: string;
  measured: number | boolean | null;
  origin: string;
  status: 'pass' | 'fail' | 'open' | 'locked';
  text: string;
  feeds: string;
}

export interface PartLine {
  name: string;
  status: StatusWord;
  value: string;
  limit: string;
  text: string;
  source: string;
  fix: string;
  blocks: boolean;
}

export interface UseLine {
  use: string;
  is_open: boolean;
  reasons: string[];
  fixes: string[];
}

export interface SheetView {
  build_revision: number;
  calibration_revision: number;
  calibration: string;
  base_revision: number | null;
  undo: number | null;
  redo: number | null;
  older: string[];
  set_aside: string[];
  next: string | null;
  result: {
    name: string;
    use: string;
    bench_only: boolean;
    parts: PartLine[];
    rest_rpm: number;
    rest_km_h: number[];
    cap_rpm: number | null;
    uses: UseLine[];
    closing: { bridge_off: 'open' | 'brake'; case: string; seconds: number | null; limit_s: number; own: boolean; good: boolean }[];
    steps: StepLine[];
    notes: string[];
    blank: string;
  };
}
