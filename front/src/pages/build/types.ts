export type Origin = 'given' | 'assumed' | 'fitted' | 'derived' | 'left out';

export interface UnitLine {
  unit: string;
  system: 'metric' | 'imperial';
  value: number | null;
  allowed: string;
  spread: string;
}

export interface ColumnLine {
  key: string;
  label: string;
  unit: string;
  cells: string[];
}

export interface FieldLine {
  key: string;
  label: string;
  about: string;
  kind: 'number' | 'count' | 'flag' | 'choice' | 'text' | 'list' | 'rows' | 'curve' | 'group';
  required: boolean;
  value: number | boolean | string | null;
  text: string;
  unit: string;
  units: UnitLine[];
  written: string | null;
  origin: Origin;
  source: string;
  spread: string;
  measure: string;
  allowed: string;
  choices: string[];
  columns: ColumnLine[];
}

export interface SectionLine {
  id: string;
  title: string;
  fields: FieldLine[];
}

export interface BuildPage {
  revision: number;
  name: string;
  who: string;
  when: string;
  draft: boolean;
  problem: string;
  counts: Record<Origin, number>;
  sections: SectionLine[];
  absent: SectionLine[];
  text: string;
}

export interface FieldCheck {
  ok: boolean;
  error: string;
  key: string | null;
  allowed: string | null;
  text: string;
}

export interface LedgerLine {
  key: string;
  value: string;
  origin: Origin;
  source: string;
  torque_effect_pct: [number, number, number] | null;
  idle_effect_pct: number | null;
  measure: string;
}

export interface LedgerPage {
  revision: number;
  ledger: LedgerLine[];
  labels: Record<string, string>;
  surest_next: string[];
}

export type FieldValue = string | boolean | string[] | Record<string, string[]> | null;

export interface SaveResult {
  revision: { id: number; who: string };
  changed: boolean;
}

/** What stands in the way of a save: another window changed the same field, or the text. */
export interface Clash {
  label: string;
  mine: string;
  theirs: string;
  who: string;
  yours: unknown;
  newest: unknown;
  again: () => Promise<unknown>;
}

/** What a person saw when the change of a field began. */
export interface Begun {
  mark: string | null;
  revision: number;
}
