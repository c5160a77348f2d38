// Goes to the address that the typed letters make.
'use strict';
document.getElementById('join').addEventListener('submit', (event) => {
  event.preventDefault();
  const letters = document.getElementById('link').value.toLowerCase().replace(/[^a-z0-9]/g, '');
  if (letters) location.href = '/join/' + letters;
});
