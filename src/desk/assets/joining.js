// Joins, and leaves the address with the letters behind.
'use strict';
const join = async () => {
  try {
    const answer = await fetch(location.pathname, { method: 'POST' });
    if (answer.ok) { location.replace('/ballot'); return; }
  } catch { /* no connection: said below */ }
  document.getElementById('trouble').hidden = false;
};
document.getElementById('joining').addEventListener('submit', (event) => { event.preventDefault(); join(); });
join();
