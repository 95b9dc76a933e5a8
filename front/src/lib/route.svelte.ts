/** Where the person is: `#/<page>/<car>?key=value`. The hash is the only place this lives. */
export interface Place {
  page: string;
  car: string | null;
  query: Record<string, string>;
}

export function parseHash(hash: string): Place {
  const text = hash.replace(/^#\/?/, '');
  const cut = text.indexOf('?');
  const path = cut < 0 ? text : text.slice(0, cut);
  const [page = '', car = ''] = path.split('/').map(safeDecode);
  const query: Record<string, string> = {};
  if (cut >= 0) for (const [k, v] of new URLSearchParams(text.slice(cut + 1))) query[k] = v;
  return { page, car: car === '' ? null : car, query };
}

function safeDecode(part: string): string {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}

/** The address of a page, for `href` attributes. */
export function href(
  page: string,
  car?: string | number | null,
  query?: Record<string, string>,
): string {
  let out = `#/${encodeURIComponent(page)}`;
  if (car !== undefined && car !== null && car !== '') out += `/${encodeURIComponent(String(car))}`;
  const search = query ? new URLSearchParams(query).toString() : '';
  return search ? `${out}?${search}` : out;
}

class Route {
  place: Place = $state(parseHash(typeof location === 'undefined' ? '' : location.hash));
  get page(): string {
    return this.place.page;
  }
  get car(): string | null {
    return this.place.car;
  }
  get query(): Record<string, string> {
    return this.place.query;
  }
  /** Go to a page; adds to the browser's history. */
  go(page: string, car?: string | number | null, query?: Record<string, string>): void {
    location.hash = href(page, car, query);
  }
  /** Change the query of this page without a new history entry (null removes a key). */
  setQuery(change: Record<string, string | null>): void {
    const next: Record<string, string> = { ...this.place.query };
    for (const [k, v] of Object.entries(change)) {
      if (v === null) delete next[k];
      else next[k] = v;
    }
    history.replaceState(null, '', href(this.place.page, this.place.car, next));
    this.place = parseHash(location.hash);
  }
}

export const route = new Route();

if (typeof window !== 'undefined') {
  window.addEventListener('hashchange', () => {
    route.place = parseHash(location.hash);
  });
}
