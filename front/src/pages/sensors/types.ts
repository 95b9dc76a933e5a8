import type { StatusWord } from '../../lib/Status.svelte';

export interface HeldRecording {
  name: string;
  revision: number;
  channels: { name: string; unit: string; samples: number }[];
  seconds: number;
  servo: boolean;
}

export interface CheckLine {
  name: string;
  status: StatusWord;
  text: string;
  source: string;
}

export interface TrackLine {
  track: number;
  released_V: number;
  full_V: number | null;
  seen_V: number;
  direction: 'rising' | 'falling';
  noise_mV: number;
  step_pct: number;
  low_V: number | null;
  high_V: number | null;
  open_wire_V: number;
  pull: string;
  loading_pct: number;
}

export interface PlausibilityLine {
  possible: boolean;
  tolerance_pct: number | null;
  time_s: number | null;
  least_pct: number | null;
  most_pct: number | null;
  false_per_1000_h: number | null;
  found_s: number | null;
  most_skew_ms: number | null;
  noise_pct: number;
  error_pct: number;
  skew_ms: number;
  reason: string;
}

export interface SensorsResult {
  name: string;
  of: 'pedal' | 'plate';
  origin: string;
  status: StatusWord;
  checks: CheckLine[];
  tracks: TrackLine[];
  topology: string;
  faults: { fault: string; found_pct: number; blind: [number, number][]; least_pct: number; rises_pct: number }[];
  judged_at_pct: number;
  plausibility: PlausibilityLine;
  numbers: { name: string; value: number; unit: string; source: string }[];
  toml: string | null;
  notes: string[];
  cautions: string[];
}

export interface TrackPicture {
  track: number;
  travel_pct: number[];
  mean_V: number[];
  low_V: number[];
  high_V: number[];
}

export interface SensorsView {
  build_revision: number;
  result: SensorsResult;
  recorded: TrackPicture[];
  difference: { travel_pct: number[]; mean_pct: number[]; low_pct: number[]; high_pct: number[] } | null;
}

export interface EstimateLine {
  name: string;
  value: number;
  low: number;
  high: number;
  unit: string;
  told: boolean;
  reason: string;
}

export interface MoveLine {
  condition: string;
  start_deg: number;
  end_deg: number;
  rise_s: number | null;
  settle_s: number;
  overshoot_deg: number;
  static_deg: number;
  limit_rise_s: number | null;
  limit_settle_s: number | null;
  limit_overshoot_deg: number;
  ok: boolean;
}

export interface ServoTrace {
  name: string;
  nominal: boolean;
  t_s: number[];
  opening_deg: number[];
}

export interface ServoView {
  build_revision: number;
  result: {
    name: string;
    status: StatusWord;
    plan: string[];
    estimates: EstimateLine[];
    numbers: { name: string; value: number; unit: string; source: string }[];
    moves: MoveLine[];
    gain_margin: number;
    phase_margin_deg: number;
    worst_stick_slip_deg: number;
    worst_lag_s: number;
    hold_duty: number;
    hottest_winding_degC: number;
    least_opening_deg: number;
    landing_air_g_s: number;
    notes: string[];
    caution: string;
  };
  up: ServoTrace[];
  down: ServoTrace[];
  record: ServoTrace[];
}

export interface ReactionLine {
  fault: string;
  detection: string;
  limit: number;
  unit: string;
  time_s: number;
  reaction: string;
  text: string;
  recovery: string;
  source: string;
}

export interface ReactionsView {
  calibration: string;
  calibration_revision: number;
  bench_only: boolean;
  reactions: ReactionLine[];
}
