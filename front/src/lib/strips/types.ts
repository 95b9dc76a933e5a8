import type { Ink } from '../settings.svelte';

export interface StripSeries {
  label: string;
  /** One value per time; NaN leaves a gap. Server units. */
  values: ArrayLike<number>;
  /** Token of the line's colour; `after` for what is, `before` for what was asked or compared. */
  colour?: keyof Ink;
  dashed?: boolean;
}

export interface Strip {
  id: string;
  /** Quantity (`plate`). */
  title: string;
  /** Server unit (`%`, `kPa`, `N m`); shown in the system in force. */
  unit: string;
  series: StripSeries[];
  /** Fixed scale in server units; by the data when left out. */
  range?: [number, number];
  /** Limits drawn as lines with their word (and source). */
  limits?: { value: number; label: string }[];
  decimals?: number;
}

/** A row of named spans under the strips (`in charge`). */
export interface Lane {
  title: string;
  spans: { from: number; to: number; label: string; colour?: keyof Ink }[];
}

/** A moment with a word: a fault, a gear change. */
export interface Mark {
  t: number;
  label: string;
}
