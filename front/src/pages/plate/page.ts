import { definePage } from '../../lib/registry';

export default definePage({
  id: 'plate',
  title: 'Plate',
  order: 30,
  question: 'Which bore and how many plates?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
