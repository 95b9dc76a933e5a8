import type { CommandData } from '../../lib/command/types';

export type KeyValue = number | string | number[] | null;

export interface KeyLine {
  key: string;
  label: string;
  kind: 'number' | 'list' | 'word';
  required: boolean;
  unit: string;
  low: number | null;
  high: number | null;
  allowed: string;
  choices: string[];
  value: KeyValue;
  written: boolean;
  typical: string;
  source: string;
}

export interface NumberLine {
  name: string;
  value: number;
  unit: string;
  source: string;
}

export interface RowLine {
  name: string;
  output: string;
  side: string;
  law: string;
  reads: string[];
  arm: string;
  table: string;
  reason: string;
  source: string;
  text: string;
  numbers: NumberLine[];
}

export interface TableCard {
  name: string;
  quantity: string;
  unit: string;
  axes: { name: string; unit: string; values: number[] }[];
  values: number[] | number[][];
  note: string;
  percent_meaning: string;
}

export interface JudgedLine {
  value: number | null;
  unit: string;
  limit: number | null;
  good: boolean | null;
  text: string;
}

export interface CurveLine {
  channel: string;
  title: string;
  unit: string;
  t_with_s: number[];
  y_with: number[];
  t_without_s: number[];
  y_without: number[];
}

export interface PairCard {
  scenario: string;
  title: string;
  caution: string;
  figure: string;
  skipped: string;
  with_role: JudgedLine | null;
  without_role: JudgedLine | null;
  in_charge_s: number;
  duration_s: number;
  curves: CurveLine[];
}

export interface Finding {
  level: string;
  subject: string;
  text: string;
}

export interface RoleCard {
  name: string;
  title: string;
  text: string;
  section: string;
  only: string;
  asked: boolean;
  state: 'gives' | 'not asked' | 'refused' | 'nothing';
  reason: string;
  refused: string;
  rows: RowLine[];
  tables: TableCard[];
  numbers: NumberLine[];
  reactions: string[];
  typical: { key: string; value: string; source: string }[];
  findings: Finding[];
  notes: string[];
  caution: string;
}

export type Place =
  | 'floor'
  | 'ceiling'
  | 'retard'
  | 'fuel_cut'
  | 'wastegate'
  | 'reaction'
  | 'strategy';

export interface RoleView {
  card: RoleCard;
  keys: KeyLine[];
  places: Place[];
  shown: { scenario: string; title: string; caution: string }[];
}

export interface RolesView {
  name: string;
  build_revision: number;
  intent_revision: number;
  calibration_revision: number | null;
  behind: string;
  can_undo: boolean;
  can_redo: boolean;
  roles: RoleView[];
  foreign: string[];
  scenarios: { name: string; title: string }[];
}

export interface HeldPairs {
  role: string;
  build_revision: number;
  intent_revision: number;
  calibration_revision: number | null;
  pairs: PairCard[];
}

export interface CommandView extends CommandData {
  scenario: string;
  title: string;
  text: string;
  caution: string;
  saved: boolean;
  calibration_revision: number | null;
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
  result?: HeldPairs | null;
}
