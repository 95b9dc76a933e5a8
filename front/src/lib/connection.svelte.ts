/** Whether the server answers, and whether it asks for its token. */
class Connection {
  /** False while the server does not answer; the shell shows a banner. */
  up: boolean = $state(true);
  /** True when the server wants its token; the shell shows the form. */
  locked: boolean = $state(false);
  /** Grows by one each time the server is back: read it in an `$effect` to load again. */
  epoch: number = $state(0);
  private timer: ReturnType<typeof setTimeout> | undefined;
  private asking = false;
  private waiting: (() => void)[] = [];

  lost(): void {
    this.up = false;
    this.again();
  }

  heard(): void {
    if (this.up) return;
    clearTimeout(this.timer);
    this.timer = undefined;
    this.up = true;
    this.epoch += 1;
    for (const go of this.waiting.splice(0)) go();
  }

  /** Resolves when the server answers. */
  back(): Promise<void> {
    return this.up ? Promise.resolve() : new Promise((go) => this.waiting.push(go));
  }

  /** Asks once; sets `up` and `locked` by the answer. */
  async probe(): Promise<void> {
    if (this.asking) return;
    this.asking = true;
    try {
      const answer = await fetch('/api/pages', { credentials: 'same-origin', cache: 'no-store' });
      if (answer.status === 401) this.locked = true;
      this.heard();
    } catch {
      this.lost();
    } finally {
      this.asking = false;
    }
  }

  /** Sends the token once; the server answers with a cookie. Returns a sentence on refusal. */
  async login(token: string): Promise<string | null> {
    try {
      const answer = await fetch('/api/login', {
        method: 'POST',
        credentials: 'same-origin',
        headers: { 'Content-Type': 'application/json' },
        body: JSON.stringify({ token }),
      });
      if (answer.ok) {
        this.locked = false;
        this.epoch += 1;
        return null;
      }
      if (answer.status === 429) return 'Too many wrong tokens. Wait a minute, then try again.';
      return 'This is not the token. The terminal that runs the bench shows it.';
    } catch {
      this.lost();
      return 'The bench does not answer.';
    }
  }

  private again(): void {
    if (this.timer !== undefined) return;
    this.timer = setTimeout(() => {
      this.timer = undefined;
      void this.probe();
    }, 1000);
  }
}

export const connection = new Connection();
