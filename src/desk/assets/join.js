// Goes to the address that the typed letters make.
'use strict';
document.getElementById('join').addEventListener('submit', (event) => {
  event.preventDefault();
  const form = event.currentTarget;
  const letters = document.getElementById('link').value.toLowerCase().replace(/[^a-z0-9]/g, '');
  const short = document.getElementById('short');
  short.hidden = letters.length >= 12;
  if (!short.hidden) { short.textContent = form.dataset.short; return; }
  location.replace('/join/' + letters);
});
