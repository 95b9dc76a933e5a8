import { live, type ErrorBody, type Live } from '../../lib/api';
import { Delays, Past, readFrame } from './past';

export interface Mode {
  name: string;
  text: string;
}
export interface Fault {
  kind: string;
  text: string;
  expected: string;
  unit: string;
  severity: number;
}
/** What the server says about a drive. */
export interface About {
  session: string;
  name: string;
  build_revision: number;
  calibration: string;
  calibration_revision: number | null;
  bench_only: boolean;
  modes: Mode[];
  gears: number;
  charged: boolean;
  idle_rpm: number;
  limit_rpm: number;
  ambient_kPa: number;
  most_kPa: number;
  most_Nm: number;
  channels: string[];
  in_charge: Record<string, string>;
  actions: string[];
  faults: Fault[];
  notes: string[];
}

export interface Mark {
  t: number;
  text: string;
}

export type Inputs = Record<string, number | string | boolean>;

const STAMPS = 1 << 20;

/** A drive on the server: sends what the person does, keeps what the car did. */
export class Link {
  about: About | null = $state.raw(null);
  /** What the server is doing before the car is ready. */
  step = $state('asking for the car');
  failed: string | null = $state(null);
  problem: string | null = $state(null);
  broken: string[] = $state([]);
  up = $state(false);
  lostS = $state(0);
  past: Past | null = null;
  marks: Mark[] = [];
  readonly delays = new Delays();
  /** The server's frame was this late [ms]. */
  lateMs = 0;
  /** When the frame that shows an input came: taken by whoever draws it. */
  echo = 0;

  private readonly key: string;
  private readonly query: Record<string, string>;
  private socket: Live | null = null;
  private stamp = 0;
  private readonly sent = new Map<number, number>();

  constructor(private readonly car: string) {
    this.key = `throttlewright.drive.${car}`;
    this.query = { session: this.recall() };
    this.open();
  }

  private open(): void {
    this.socket = live(
      `drive/${encodeURIComponent(this.car)}/live`,
      {
        onOpen: () => (this.failed = null),
        onClose: () => {
          this.up = false;
          if (this.failed === null && this.about === null) this.step = 'asking for the car again';
        },
        onBinary: (data) => this.frame(data),
        onText: (text) => this.told(text),
      },
      { query: this.query },
    );
  }

  /** Sends inputs with a stamp that comes back in the frame that knows of them. */
  send(inputs: Inputs, timed = false): void {
    if (!this.up) return;
    if (timed) {
      this.stamp = (this.stamp % STAMPS) + 1;
      this.sent.set(this.stamp, performance.now());
      if (this.sent.size > 200) this.sent.delete(this.sent.keys().next().value!);
      inputs = { ...inputs, stamp: this.stamp };
    }
    this.socket?.send(JSON.stringify(inputs));
  }

  /** The picture shows all inputs up to the echo now: counts their delay. */
  drawn(): void {
    if (!this.sent.size) return;
    const now = performance.now();
    for (const [stamp, when] of this.sent) {
      if (stamp === this.echo) this.delays.add(now - when);
      // Inputs are numbered upwards; the older ones were overtaken.
      if (stamp <= this.echo || now - when > 5000) this.sent.delete(stamp);
    }
  }

  /** Ends this drive and begins one with the map as it is kept now. */
  renew(): void {
    this.socket?.close();
    this.query.session = '';
    this.remember('');
    this.about = null;
    this.past = null;
    this.marks = [];
    this.up = false;
    this.step = 'asking for the car';
    this.open();
  }

  close(): void {
    this.socket?.close();
  }

  private frame(data: ArrayBuffer): void {
    const frame = readFrame(data);
    if (!frame || !this.past || frame.head.channels !== this.past.channels.length) return;
    const { head, values } = frame;
    if (head.t < this.past.now - 0.5) {
      this.past.clear();
      this.marks = [];
    }
    for (let r = 0; r < head.rows; r += 1) {
      const t = head.t - 0.001 * (head.rows - r);
      this.past.add(t, values, r * head.channels);
    }
    this.echo = head.echo;
    this.lateMs = head.lateMs;
    if (head.lostS !== this.lostS) this.lostS = head.lostS;
  }

  private told(text: string): void {
    let said: Record<string, unknown>;
    try {
      said = JSON.parse(text) as Record<string, unknown>;
    } catch {
      return;
    }
    if (typeof said.step === 'string') this.step = said.step;
    if (typeof said.problem === 'string') this.problem = said.problem;
    if (said.about) {
      const about = said.about as About;
      // After a break the same drive goes on with the same past.
      if (!this.past || this.about?.session !== about.session) this.past = new Past(about.channels);
      this.about = about;
      this.query.session = about.session;
      this.remember(about.session);
      this.failed = null;
      this.up = true;
    }
    if (Array.isArray(said.broken)) this.takeBroken(said.broken as string[]);
    if (said.failed) {
      const body = said.failed as ErrorBody;
      this.failed = [body.error, body.advice].filter(Boolean).join(' ');
      // Asking again would fail again.
      this.socket?.close();
    }
  }

  private takeBroken(kinds: string[]): void {
    const t = this.past?.now ?? 0;
    for (const kind of kinds) {
      if (!this.broken.includes(kind)) this.marks.push({ t, text: kind.replaceAll('_', ' ') });
    }
    for (const kind of this.broken) {
      if (!kinds.includes(kind)) this.marks.push({ t, text: `${kind.replaceAll('_', ' ')} mended` });
    }
    this.marks = this.marks.slice(-12);
    this.broken = kinds;
  }

  private recall(): string {
    try {
      return sessionStorage.getItem(this.key) ?? '';
    } catch {
      return '';
    }
  }

  private remember(session: string): void {
    try {
      sessionStorage.setItem(this.key, session);
    } catch {
      // A reload then begins a new drive.
    }
  }
}
