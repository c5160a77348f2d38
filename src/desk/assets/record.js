// The text of a file: where the cursor is, and the line that a mistake stands in.
'use strict';
{
  const text = document.getElementById('text');
  const at = document.getElementById('at');
  if (text && at && text.classList.contains('file')) {
    const [line, column] = at.dataset.words.split(/[,，]\s*/);
    const place = () => {
      const before = text.value.slice(0, text.selectionStart).split('\n');
      at.textContent = `${line} ${before.length}, ${column} ${[...before.at(-1)].length + 1}.`;
    };
    for (const kind of ['keyup', 'click', 'input']) text.addEventListener(kind, place);
    const wanted = Number(text.dataset.line);
    if (wanted > 0) {
      const lines = text.value.split('\n');
      const from = lines.slice(0, wanted - 1).join('\n').length + (wanted > 1 ? 1 : 0);
      text.focus();
      text.setSelectionRange(from, from + (lines[wanted - 1] || '').length);
      text.scrollTop = (wanted - 6) * parseFloat(getComputedStyle(text).lineHeight);
    }
    place();
  }
}
