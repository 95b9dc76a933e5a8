export interface PlateLine {
  bore_mm: number;
  count: number;
  power_loss_kW: number;
  loss_pct: number;
  mean_velocity_m_s: number;
  pct_at_90: number[];
  plate_deg_at_90: number[];
  air_per_tenth_deg_g_s: number;
  air_per_tenth_pct_of_idle: number;
  leak_g_s: number;
  leak_pct_of_idle: number;
  can_idle: boolean;
  why: string;
  bits_needed: number;
  default_rpm: number;
  default_held_by_limit: boolean;
  default_km_h: number[];
  closing_time_scale: number;
}

export interface PlateStudy {
  name: string;
  car: PlateLine;
  rows: PlateLine[];
  recommended_bore_mm: number;
  recommended_count: number;
  reasons: string[];
  trade: string[];
  notes: string[];
  low_mid_rated_rpm: number[];
  idle_air_g_s: number;
}

export interface FanData {
  rpm: number[];
  pedal_pct: number[];
  torque_Nm: (number | null)[][];
  boost_state: string;
}

export interface PlatePage {
  revision: number;
  study: PlateStudy;
  own_fan: FanData;
  asked: { row: PlateLine; fan: FanData; notes: string[] } | null;
}
