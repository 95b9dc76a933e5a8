/** The foot on the pedal: what mouse, keys and controller ask for, as one position in percent. */

/** Rates of the foot when a key holds or lets go of the pedal [% per second]. */
export const PRESS_RATE = 160;
export const RELEASE_RATE = 500;

export class Foot {
  pedal = 0;
  brake = 0;
  /** Keys. */
  pressing = false;
  braking = false;
  /** A hand on the bar, or a controller: the position counts at once. */
  hand: number | null = null;
  pad: number | null = null;
  padBrake: number | null = null;
  /** Where the pedal stays when nobody presses it. */
  rest = 0;

  /** One step of time [s]; true when something moved. */
  step(dt: number): boolean {
    const before = this.pedal + 1000 * this.brake;
    if (this.hand !== null) this.pedal = this.hand;
    else if (this.pressing) this.pedal = Math.min(100, this.pedal + PRESS_RATE * dt);
    else if (this.pad !== null) this.pedal = this.pad;
    else if (this.pedal > this.rest)
      this.pedal = Math.max(this.rest, this.pedal - RELEASE_RATE * dt);
    else this.pedal = Math.min(this.rest, this.pedal + PRESS_RATE * dt);
    if (this.braking) this.brake = Math.min(70, this.brake + PRESS_RATE * dt);
    else if (this.padBrake !== null) this.brake = this.padBrake;
    else this.brake = Math.max(0, this.brake - RELEASE_RATE * dt);
    return before !== this.pedal + 1000 * this.brake;
  }

  /** The window lost the person: nobody holds anything any more. */
  release(): void {
    this.pressing = false;
    this.braking = false;
    this.hand = null;
    this.rest = 0;
  }
}

/** A control of a game controller that stands for a pedal; rest is where it was when chosen. */
export interface PadChoice {
  kind: 'axis' | 'button';
  index: number;
  rest: number;
  most: number;
}

export function padValue(pad: Gamepad, choice: PadChoice): number {
  return (choice.kind === 'axis' ? pad.axes[choice.index] : pad.buttons[choice.index]?.value) ?? 0;
}

/** Travel of a control as a percentage, from where it rests to the farthest it was seen. */
export function padShare(value: number, choice: PadChoice): number {
  const way = value - choice.rest;
  if (Math.abs(way) > Math.abs(choice.most)) choice.most = way;
  const share = choice.most === 0 ? 0 : (100 * way) / choice.most;
  // A control never rests at the same reading twice.
  return share < 2 ? 0 : Math.min(100, share);
}

export type Act =
  | 'press'
  | 'brake'
  | 'up'
  | 'down'
  | 'neutral'
  | 'map'
  | 'road'
  | 'clutch'
  | 'stay+'
  | 'stay-'
  | 'full'
  | 'released';

/** Keys of the page, and what is said about them. */
export const KEYS: { keys: string[]; shown: string; act: Act; text: string }[] = [
  { keys: ['ArrowUp', ' '], shown: 'Up, Space', act: 'press', text: 'press the pedal while held' },
  { keys: ['ArrowDown'], shown: 'Down', act: 'brake', text: 'brake while held' },
  { keys: ['PageUp'], shown: 'Page up', act: 'stay+', text: 'pedal 5 % more, and it stays' },
  { keys: ['PageDown'], shown: 'Page down', act: 'stay-', text: 'pedal 5 % less, and it stays' },
  { keys: ['End'], shown: 'End', act: 'full', text: 'pedal full, and it stays' },
  { keys: ['Home'], shown: 'Home', act: 'released', text: 'pedal released' },
  { keys: ['ArrowRight'], shown: 'Right', act: 'up', text: 'one gear up' },
  { keys: ['ArrowLeft'], shown: 'Left', act: 'down', text: 'one gear down' },
  { keys: ['n', 'N'], shown: 'N', act: 'neutral', text: 'neutral' },
  { keys: ['x', 'X'], shown: 'X', act: 'map', text: 'the other map' },
  { keys: ['w', 'W'], shown: 'W', act: 'road', text: 'wet road, dry road' },
  { keys: ['c', 'C'], shown: 'C', act: 'clutch', text: 'clutch open while held, when it is yours' },
];

export function actOf(key: string): Act | null {
  return KEYS.find((line) => line.keys.includes(key))?.act ?? null;
}
