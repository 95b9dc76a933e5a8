import type { Component } from 'svelte';

/** What every page component receives. */
export interface PageProps {
  /** Identity of the car in the garage, from the address; null when none is chosen. */
  car: string | null;
}

export interface PageEntry {
  /** Same word as the page's API prefix: `/api/<id>`. */
  id: string;
  /** One or two words for the path across the top. */
  title: string;
  /** Place in the job's order; the six pages of the bench use 10, 20, ... 60. */
  order: number;
  /** The question the page answers, in plain words. */
  question: string;
  /** False when the page works without a car (the garage). */
  needsCar: boolean;
  /** Loads the page's component when it is first opened. */
  component: () => Promise<{ default: Component<PageProps> }>;
}

/** Checks an entry's shape at compile time: `export default definePage({...})`. */
export function definePage(entry: PageEntry): PageEntry {
  return entry;
}

const modules = import.meta.glob<PageEntry>('../pages/*/page.ts', {
  eager: true,
  import: 'default',
});

/** All pages in the order of the job. A folder under `pages/` is all it takes to add one. */
export const pages: PageEntry[] = Object.values(modules).sort(
  (a, b) => a.order - b.order || a.id.localeCompare(b.id),
);
