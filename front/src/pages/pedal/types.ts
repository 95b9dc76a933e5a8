/** What `/api/pedal/<car>` answers, in the units its keys name. */
export type BoostState = 'instant' | 'settled';
export type Feel = 'even' | 'gentle' | 'old plate' | 'points';
export type Basis = 'torque' | 'power' | 'acceleration' | 'blend';

export interface ModeLine {
  name: string;
  feel: Feel;
  basis: Basis;
  boost_state: BoostState;
  start: number;
  opens_to_stop_from_pct: number;
  most_torque_pct: number;
  slope_limit: number | null;
  gears: number[] | null;
}
export interface FanView {
  boost_state: BoostState;
  rpm: number[];
  pedal_pct: number[];
  after_Nm: number[][];
  before_Nm: number[][] | null;
  low_Nm: number[][] | null;
  high_Nm: number[][] | null;
}
export interface BoostView {
  rpm: number[];
  pedal_pct: number[];
  target_kPa: number[][];
  spring_kPa: number;
  limit_kPa: number | null;
}
export interface FigureLine {
  key: string;
  label: string;
  unit: string;
  decimals: number;
  before: number | null;
  after: number | null;
  gear: number | null;
  at: string;
}
export interface Handle {
  pedal_pct: number;
  torque_Nm: number;
  point_pedal_pct: number;
  point_share_pct: number;
  fixed: boolean;
}
export interface Handles {
  rpm: number;
  zero_Nm: number;
  span_Nm: number;
  points: Handle[];
}
export interface TableView {
  name: string;
  quantity: string;
  unit: string;
  rpm: number[];
  pedal_pct: number[];
  values: number[][];
  decimals: number;
  least: number;
  most: number;
  note: string;
  edited: boolean;
  edited_cells: [number, number][];
  meaning: string;
}
export interface KnockOnLine {
  table: string;
  use: string;
  threshold: string;
  unit: string;
  old: number;
  new: number;
  low: number;
  high: number;
  reached: boolean;
  note: string;
}
export interface PedalView {
  car: string;
  gear_count: number;
  mode: string;
  modes: ModeLine[];
  build_revision: number;
  intent_revision: number;
  calibration_revision: number | null;
  calibration_name: string;
  behind: string;
  edited: boolean;
  can_undo: boolean;
  can_redo: boolean;
  states: BoostState[];
  fan: FanView;
  boost: BoostView | null;
  handles: Handles;
  figures: FigureLine[];
  plate_table: TableView;
  boost_table: TableView | null;
  claim: string;
  cautions: string[];
  notes: string[];
  knock_on: KnockOnLine[];
}
export interface PointsPct {
  pedal_pct: number[];
  share_pct: number[];
}
export interface ModeChange {
  feel?: Feel;
  basis?: Basis;
  boost_state?: BoostState;
  start?: number;
  points?: PointsPct;
  opens_to_stop_from_pct?: number;
  most_torque_pct?: number;
}
export interface PreviewResult {
  seq: number;
  fan: FanView;
  boost: BoostView | null;
  handles: Handles;
  figures: FigureLine[];
}
export interface PedalResult {
  asks: string;
  view: PedalView | null;
}
export interface CellsResult {
  edited: {
    table: TableView;
    calibration_revision: number;
    can_undo: boolean;
    can_redo: boolean;
  };
  fan: FanView;
  boost: BoostView | null;
  figures: FigureLine[];
  cautions: string[];
}
export interface JudgeResult {
  fan: FanView;
  figures: FigureLine[];
  verdict: string[];
  rows: number;
  columns: number;
}
