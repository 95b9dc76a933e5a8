import { definePage } from '../../lib/registry';

export default definePage({
  id: 'pedal',
  title: 'Pedal',
  order: 40,
  question: 'How does torque follow the pedal?',
  needsCar: true,
  component: () => import('./Page.svelte'),
});
