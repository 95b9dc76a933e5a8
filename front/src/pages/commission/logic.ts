import type { Phase, SheetView, StepLine } from './types';

export const PHASES: { phase: Phase; title: string; caution: string }[] = [
  { phase: 'fingers', title: 'Fingers', caution: 'Engine off, fuel and ignition unplugged. The plate shuts on fingers: none in the bore, an emergency stop in hand.' },
  { phase: 'air', title: 'Air', caution: 'Engine still off. The plate moves by itself while wires are pulled: take the power off before any hand goes near it.' },
  { phase: 'fuel', title: 'Fuel', caution: 'The engine can rev unasked: neutral, wheels chocked, nobody in front of or behind the car, hot exhaust led out, emergency stop in hand.' },
  { phase: 'drive', title: 'Drive', caution: 'On the dyno strapped down, then closed ground only. Local law, the event’s rules and licensed practice decide, not this sheet.' },
];

/** A number without needless digits. */
function plain(value: number): string {
  return String(Number(value.toPrecision(5))).replace('-', '\u2212');
}

/** What a step should show: `1.2 ohm, 1.08 to 1.32`. */
export function expectedWords(step: StepLine): string {
  if (step.expected === null) return 'done';
  const unit = step.unit === '' ? '' : `\u00a0${step.unit}`;
  if (step.high === null) return `at least ${plain(step.low ?? 0)}${unit}`;
  return `${plain(step.expected)}${unit}, ${plain(step.low ?? 0)} to ${plain(step.high)}`;
}

export function measuredWords(step: StepLine): string {
  if (step.measured === null) return '';
  if (typeof step.measured === 'boolean') return step.measured ? 'done' : 'not done';
  return `${plain(step.measured)}${step.unit === '' ? '' : `\u00a0${step.unit}`}`;
}

/** Whether a step may be filled in now: the order is the server's, this only greys it out. */
export function mayFill(step: StepLine): boolean {
  return step.status !== 'locked';
}

/** How far each part of the sheet is. */
export function progress(steps: StepLine[]): { phase: Phase; passed: number; of: number }[] {
  return PHASES.map(({ phase }) => {
    const own = steps.filter((s) => s.phase === phase);
    return { phase, passed: own.filter((s) => s.status === 'pass').length, of: own.length };
  });
}

/** The sentence on top: whether the gate is open for the car's use, and which step comes. */
export function gateSentence(view: SheetView): string {
  const r = view.result;
  const own = r.uses.find((u) => u.use === r.use);
  if (own === undefined) return `The gate does not know the use “${r.use}”.`;
  return own.is_open ? `The gate is open for ${r.use}.` : `The gate is closed for ${r.use}: no first start.`;
}

export function nextStep(view: SheetView): StepLine | null {
  return view.result.steps.find((s) => s.key === view.next) ?? null;
}

/** Parts in the order of urgency. */
export function partsInOrder<T extends { status: string; blocks: boolean }>(parts: T[]): T[] {
  const rank = (p: T): number => (p.status === 'fail' ? (p.blocks ? 0 : 1) : p.status === 'not_proven' ? 2 : 3);
  return [...parts].sort((a, b) => rank(a) - rank(b));
}
