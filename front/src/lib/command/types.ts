/** Who sets an output for a stretch of time. */
export interface ChargeSpan {
  from_s: number;
  to_s: number;
  name: string;
  title: string;
  kind: 'demand' | 'row' | 'reaction';
}

export interface ChargeLane {
  /** `plate`, `retard`, `fuel_cut` or `wastegate`. */
  output: string;
  spans: ChargeSpan[];
}

/** A floor or ceiling of the plate over time; null where it does not act. */
export interface BoundLine {
  row: string;
  title: string;
  side: 'floor' | 'ceiling';
  reason: string;
  values: (number | null)[];
  acts_s: number;
  in_charge_s: number;
}

/** What was asked of the plate over time, what bounded it, and who won. */
export interface CommandData {
  step_s: number;
  t_s: number[];
  demand_pct: number[];
  target_pct: number[];
  plate_pct: number[];
  bounds: BoundLine[];
  lanes: ChargeLane[];
}

/** A station on the way from the pedal to the plate, and who stands there, in order of rank. */
export interface Station {
  id: string;
  title: string;
  /** What happens there, in one sentence. */
  text: string;
  names: string[];
}
