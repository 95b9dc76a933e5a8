import { definePage } from '../../lib/registry';

export default definePage({
  id: 'roles',
  title: 'Roles',
  order: 55,
  question: 'What does the plate take over, and who is in charge?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
