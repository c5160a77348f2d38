const shown = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== 'hidden';
const button = (text) => [...document.querySelectorAll('button')].find((b) => shown(b) && !b.disabled && b.textContent.trim().startsWith(text));
const savedText = () => document.getElementById('saved').textContent.replace(/\u00a0/g, ' ');
const head = () => (document.querySelector('h1') || { textContent: '' }).textContent;
const term = (id) => [...document.querySelectorAll('.term')].find((t) => (t.dataset.q || '').split('/')[2] === id);
