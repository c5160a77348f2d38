// What the pages of the desk do beyond links and forms.
'use strict';
// What is wider than the window is moved sideways by keys too.
for (const e of document.querySelectorAll('.finding .wide')) {
  if (e.scrollWidth > e.clientWidth) e.tabIndex = 0;
}
