import { definePage } from '../../lib/registry';

export default definePage({
  id: 'build',
  title: 'Build',
  order: 20,
  question: 'What is the car, and how sure are its numbers?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
