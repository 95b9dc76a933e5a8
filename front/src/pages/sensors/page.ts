import { definePage } from '../../lib/registry';

export default definePage({
  id: 'sensors',
  title: 'Sensors',
  order: 45,
  question: 'Can the pedal be believed, and does the plate go where it is told?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
