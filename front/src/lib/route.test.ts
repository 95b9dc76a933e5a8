import { describe, expect, it } from 'vitest';
import { href, parseHash } from './route.svelte';

describe('addresses', () => {
  it('read back what they write', () => {
    const text = href('pedal', 'a/b c', { mode: 'pit lane' });
    expect(parseHash(text)).toEqual({ page: 'pedal', car: 'a/b c', query: { mode: 'pit lane' } });
  });
  it('bear odd input', () => {
    expect(parseHash('')).toEqual({ page: '', car: null, query: {} });
    expect(parseHash('#/plate')).toEqual({ page: 'plate', car: null, query: {} });
    expect(parseHash('#/plate/%E0%A4%A')).toMatchObject({ car: '%E0%A4%A' });
  });
});
