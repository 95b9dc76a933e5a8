import { definePage } from '../../lib/registry';

export default definePage({
  id: 'drive',
  title: 'Drive',
  order: 50,
  question: 'What does this map feel like?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
