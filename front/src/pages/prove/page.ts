import { definePage } from '../../lib/registry';

export default definePage({
  id: 'prove',
  title: 'Prove',
  order: 60,
  question: 'What happens when something goes wrong?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
