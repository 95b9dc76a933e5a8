import { mount } from 'svelte';
import './lib/tokens.css';
import './lib/base.css';
import App from './App.svelte';

const target = document.getElementById('app');
if (target === null) throw new Error('index.html has no element #app');
mount(App, { target });
