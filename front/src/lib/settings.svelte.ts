import type { System } from './units';

export type Theme = 'system' | 'light' | 'dark';

function stored(key: string): string | null {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

function store(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // A browser that keeps nothing still works; the choice lasts until reload.
  }
}

/** Choices of this browser, not of the car. */
class Settings {
  theme: Theme = $state('system');
  system: System = $state('metric');
  private systemDark: boolean = $state(false);
  /** True while the browser prints; see `usePrint`. */
  printing: boolean = $state(false);

  constructor() {
    const theme = stored('throttlewright.theme');
    if (theme === 'light' || theme === 'dark') this.theme = theme;
    if (stored('throttlewright.units') === 'imperial') this.system = 'imperial';
    if (typeof matchMedia !== 'undefined') {
      const query = matchMedia('(prefers-color-scheme: dark)');
      this.systemDark = query.matches;
      query.addEventListener('change', (e) => {
        this.systemDark = e.matches;
      });
    }
    this.apply();
  }

  /** True when the pages are dark now; read it in an `$effect` that draws on a canvas. */
  get dark(): boolean {
    if (this.printing) return false;
    return this.theme === 'system' ? this.systemDark : this.theme === 'dark';
  }

  /** The light tokens while the browser prints. */
  usePrint(on: boolean): void {
    this.printing = on;
    this.apply();
  }

  setTheme(theme: Theme): void {
    this.theme = theme;
    store('throttlewright.theme', theme);
    this.apply();
  }

  setSystem(system: System): void {
    this.system = system;
    store('throttlewright.units', system);
  }

  private apply(): void {
    if (typeof document === 'undefined') return;
    if (this.printing) document.documentElement.dataset.theme = 'light';
    else if (this.theme === 'system') delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = this.theme;
  }
}

export const settings = new Settings();

/** The tokens as the canvas needs them: resolved colour strings of the theme in force. */
export interface Ink {
  paper: string;
  card: string;
  ink: string;
  mute: string;
  line: string;
  edge: string;
  after: string;
  before: string;
  ok: string;
  warn: string;
  fail: string;
}

/** Reads the tokens; reactive to the theme when called inside an `$effect` or `$derived`. */
export function inks(): Ink {
  void settings.dark;
  void settings.theme;
  const style = getComputedStyle(document.documentElement);
  const get = (name: string): string => style.getPropertyValue(`--${name}`).trim();
  return {
    paper: get('paper'),
    card: get('card'),
    ink: get('ink'),
    mute: get('mute'),
    line: get('line'),
    edge: get('edge'),
    after: get('after'),
    before: get('before'),
    ok: get('ok'),
    warn: get('warn'),
    fail: get('fail'),
  };
}
