import { definePage } from '../../lib/registry';

export default definePage({
  id: 'commission',
  title: 'Commission',
  order: 70,
  question: 'May it be powered up, and what comes next?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
