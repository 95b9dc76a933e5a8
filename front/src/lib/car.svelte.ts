import { api, events } from './api';
import { connection } from './connection.svelte';

/** A revision someone saved, as the stream of changes tells it. */
export interface Change {
  kind: string;
  name: string;
  revision: string | number;
  who: string;
}

export type SaveState = 'saved' | 'saving' | 'unsaved' | 'conflict';

/**
 * The car in hand: name, newest revision, save state and the stream of changes.
 * The shell calls `choose` from the address; pages read the rest.
 */
class CurrentCar {
  id: string | null = $state(null);
  name: string = $state('');
  revision: string | number | null = $state(null);
  state: SaveState = $state('saved');
  /** The last change heard; a new object each time, so an `$effect` on it runs each time. */
  change: Change | null = $state.raw(null);
  /** A sentence when the car could not be read, else null. */
  problem: string | null = $state(null);
  private close: (() => void) | null = null;
  private listeners = new Set<(change: Change) => void>();

  choose(id: string | null): void {
    if (id === this.id) return;
    this.close?.();
    this.close = null;
    this.id = id;
    this.name = '';
    this.revision = null;
    this.state = 'saved';
    this.change = null;
    this.problem = null;
    if (id === null) return;
    void this.load();
    const take = (data: unknown): void => this.heard(data);
    const gone = (): void => {
      this.close?.();
      void this.load();
    };
    this.close = events('changes', { change: take, gone }, { query: { car: id } });
  }

  async load(): Promise<void> {
    const id = this.id;
    if (id === null) return;
    try {
      const about = await api.get<{ car: { name: string }; items: { id: number }[] }>(
        `garage/cars/${encodeURIComponent(id)}`,
      );
      if (id !== this.id) return;
      this.name = about.car.name;
      this.revision = about.items.reduce<number | null>(
        (newest, item) => (newest === null || item.id > newest ? item.id : newest),
        null,
      );
      this.problem = null;
    } catch (error) {
      if (id !== this.id || !connection.up) return;
      this.problem = error instanceof Error ? error.message : String(error);
    }
  }

  /** Tell the header what a save came to: `saving`, then `saved` with the new revision. */
  mark(state: SaveState, revision?: string | number): void {
    this.state = state;
    if (revision !== undefined) this.revision = revision;
  }

  /** Calls back on each saved revision of this car, by anyone; returns the function that stops. */
  onChange(listener: (change: Change) => void): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  private heard(data: unknown): void {
    if (data === null || typeof data !== 'object') return;
    const told = data as Partial<Change>;
    if (told.revision === undefined) return;
    const change: Change = {
      kind: String(told.kind ?? ''),
      name: String(told.name ?? ''),
      revision: told.revision,
      who: String(told.who ?? ''),
    };
    this.change = change;
    this.revision = change.revision;
    for (const listener of this.listeners) listener(change);
  }
}

export const current = new CurrentCar();

/** A name for this browser window, to tell own saves from others' (`who` of a save). */
export function me(): string {
  const key = 'throttlewright.who';
  try {
    const known = localStorage.getItem(key);
    if (known) return known;
  } catch {
    return 'browser';
  }
  return 'browser';
}

export function setMe(name: string): void {
  try {
    localStorage.setItem('throttlewright.who', name);
  } catch {
    // Kept for this page only.
  }
}
