/** The last seconds of a running car in buckets that keep least and most, so that no spike is lost. */
export class Past {
  readonly channels: readonly string[];
  /** Length of a bucket and of the whole [s]. */
  readonly bucket: number;
  readonly span: number;
  readonly size: number;
  /** Time of the newest row [s]. */
  now = 0;
  private readonly low: Float32Array[];
  private readonly high: Float32Array[];
  private readonly last: Float32Array[];
  /** Number of the bucket that stands in each place; -1 where there is none. */
  private readonly number: Int32Array;
  private readonly latest: Float32Array;

  constructor(channels: readonly string[], span = 20, bucket = 0.02) {
    this.channels = channels;
    this.bucket = bucket;
    this.span = span;
    this.size = Math.ceil(span / bucket) + 2;
    const make = (): Float32Array[] => channels.map(() => new Float32Array(this.size));
    this.low = make();
    this.high = make();
    this.last = make();
    this.number = new Int32Array(this.size).fill(-1);
    this.latest = new Float32Array(channels.length).fill(Number.NaN);
  }

  clear(): void {
    this.number.fill(-1);
    this.now = 0;
  }

  /** One row of all channels at a time [s]. */
  add(t: number, rows: ArrayLike<number>, at = 0): void {
    const n = Math.floor(t / this.bucket + 1e-6);
    const place = n % this.size;
    const fresh = this.number[place] !== n;
    this.number[place] = n;
    for (let c = 0; c < this.channels.length; c += 1) {
      const value = rows[at + c] ?? Number.NaN;
      const low = this.low[c]!;
      const high = this.high[c]!;
      if (fresh || value < low[place]!) low[place] = value;
      if (fresh || value > high[place]!) high[place] = value;
      this.last[c]![place] = value;
      this.latest[c] = value;
    }
    this.now = t;
  }

  index(channel: string): number {
    return this.channels.indexOf(channel);
  }

  /** The newest value of a channel; NaN before the first row. */
  value(channel: string): number {
    return this.latest[this.index(channel)] ?? Number.NaN;
  }

  /** Calls back for each bucket of the window, oldest first. */
  each(c: number, visit: (t: number, low: number, high: number, last: number) => void): void {
    const end = Math.floor(this.now / this.bucket + 1e-6);
    const begin = Math.max(0, end - Math.ceil(this.span / this.bucket));
    const low = this.low[c]!;
    const high = this.high[c]!;
    const last = this.last[c]!;
    for (let n = begin; n <= end; n += 1) {
      const place = n % this.size;
      if (this.number[place] !== n) continue;
      visit(n * this.bucket, low[place]!, high[place]!, last[place]!);
    }
  }

  /** Least and most of a channel in the window; null when it is empty. */
  range(c: number): [number, number] | null {
    let least = Infinity;
    let most = -Infinity;
    this.each(c, (_, low, high) => {
      if (low < least) least = low;
      if (high > most) most = high;
    });
    return least <= most ? [least, most] : null;
  }

  /** Stretches in which a channel of codes held one value. */
  spans(c: number): { from: number; to: number; code: number }[] {
    const found: { from: number; to: number; code: number }[] = [];
    this.each(c, (t, _low, _high, last) => {
      const code = Math.round(last);
      const open = found[found.length - 1];
      if (open && open.code === code) open.to = t + this.bucket;
      else found.push({ from: t, to: t + this.bucket, code });
    });
    return found;
  }
}

/** What stands at the beginning of each frame of the server, in this order. */
export interface Head {
  number: number;
  t: number;
  echo: number;
  lateMs: number;
  lostS: number;
  rows: number;
  channels: number;
}

export const HEAD = 8;

/** Reads a frame; null when its length is not what it says. */
export function readFrame(data: ArrayBuffer): { head: Head; values: Float32Array } | null {
  if (data.byteLength % 4 !== 0 || data.byteLength < 4 * HEAD) return null;
  const all = new Float32Array(data);
  const head: Head = {
    number: all[0]!,
    t: all[1]! + all[2]!,
    echo: all[3]!,
    lateMs: all[4]!,
    lostS: all[5]!,
    rows: all[6]!,
    channels: all[7]!,
  };
  const values = all.subarray(HEAD);
  return values.length === head.rows * head.channels ? { head, values } : null;
}

/** Delays from an input to its picture: the middle one and the one that 95 of 100 stay under. */
export class Delays {
  private readonly kept: number[] = [];
  add(ms: number): void {
    this.kept.push(ms);
    if (this.kept.length > 200) this.kept.shift();
  }
  get count(): number {
    return this.kept.length;
  }
  share(part: number): number {
    if (!this.kept.length) return Number.NaN;
    const sorted = [...this.kept].sort((a, b) => a - b);
    return sorted[Math.min(sorted.length - 1, Math.floor(part * sorted.length))]!;
  }
}
