import { definePage } from '../../lib/registry';

export default definePage({
  id: 'garage',
  title: 'Garage',
  order: 10,
  question: 'Which car, and where does it stand?',
  needsCar: false,
  component: () => import('./Page.svelte'),
});
