import type { StatusWord } from '../../lib/Status.svelte';

export interface Revision {
  id: number;
  car: string;
  branch: string;
  kind: string;
  name: string;
  parent: number | null;
  sha256: string;
  who: string;
  when: string;
  why: string;
  stale: boolean;
  draft: boolean;
  removed: boolean;
}

export interface CarLine {
  id: number;
  name: string;
  created: string;
}

export interface ProofLine {
  revision: number;
  status: StatusWord;
  counts: Partial<Record<StatusWord, number>>;
  calibration: string;
  calibration_revision: number;
  current: boolean;
  bench_only: boolean;
  when: string;
}

export interface CarView {
  car: CarLine;
  branches: string[];
  revisions: Record<string, number>;
  last: Revision | null;
  proof: ProofLine | null;
}

export interface Overview {
  folder: string;
  cars: CarView[];
  removed: CarLine[];
}

export interface Show {
  car: CarLine;
  branch: string;
  branches: string[];
  items: Revision[];
}

export interface CompareResult {
  old: Revision;
  new: Revision;
  same: boolean;
  lines: string[];
  tables: {
    name: string;
    change: string;
    unit: string;
    cells: number;
    cells_changed: number;
    largest: number | null;
    at: [string, number, string][];
  }[];
  numbers: { name: string; unit: string; old: number | null; new: number | null }[];
  rows: { part: string; name: string; change: string }[];
  verdicts: {
    criterion: string;
    scenario: string;
    fault: string;
    old: string | null;
    new: string | null;
    old_value: number | null;
    new_value: number | null;
    unit: string;
  }[];
  channels: { name: string; change: string; old_samples: number; new_samples: number }[];
}

/** A file chosen to be taken in. */
export interface Incoming {
  file: File;
  kind: string;
  name: string;
}
