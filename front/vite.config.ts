import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig } from 'vitest/config';

export default defineConfig({
  base: './',
  plugins: [svelte()],
  build: {
    // Every supported browser preloads modules itself, and the content security policy
    // admits no script that is not a file of this host.
    modulePreload: { polyfill: false },
    outDir: '../src/throttlewright/web/static',
    emptyOutDir: true,
    assetsInlineLimit: 0,
    target: 'es2022',
    manifest: 'manifest.json',
    chunkSizeWarningLimit: 400,
  },
  server: {
    proxy: { '/api': { target: 'http://127.0.0.1:8017', ws: true } },
  },
  test: { environment: 'node', include: ['src/**/*.test.ts'] },
});
