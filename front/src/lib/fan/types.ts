export interface FanCurve {
  /** Stable key. */
  id: string;
  /** Written where the curve ends (`4500`); '' leaves it unlabelled. */
  label: string;
  /** Rising, in server units. */
  x: ArrayLike<number>;
  y: ArrayLike<number>;
  /** Band the assumed numbers leave, same length as y. */
  low?: ArrayLike<number> | undefined;
  high?: ArrayLike<number> | undefined;
  /** 0 to 1: how strongly it is drawn; left out: by its place in the list. */
  weight?: number | undefined;
}

export interface FanHandle {
  id: string;
  /** What it is, for screen readers (`torque at 40 % pedal, 4500 rpm`). */
  label: string;
  x: number;
  y: number;
  /** Limits; equal ones forbid that direction. */
  xRange: [number, number];
  yRange: [number, number];
}

export type DragPhase = 'move' | 'end' | 'cancel';
