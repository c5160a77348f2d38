// What is wrong with the page at this size: wider than the window, clipped, too small to touch, too pale to read.
const wrong = [];
const of = (e) => `${e.tagName.toLowerCase()}${e.id ? '#' + e.id : ''}${e.className ? '.' + e.className : ''} “${(e.textContent || '').trim().slice(0, 30)}”`;
const root = document.documentElement;
// What is too wide makes a phone's window wider: the width that was meant is the root's.
const width = Math.min(root.clientWidth, innerWidth);
if (root.scrollWidth > width) wrong.push(`wide: the page, ${root.scrollWidth} in ${width}`);
for (const e of document.querySelectorAll('body *')) {
  if (!shown(e) || e.closest('.unseen, .skip, noscript')) continue;
  const box = e.getBoundingClientRect();
  // What is meant to be moved sideways within its own frame is not lost.
  const moved = e.parentElement?.closest('.wide, .top nav');
  if (!moved && (box.right > width + 1 || box.left < -1)) wrong.push(`wide: ${of(e)} from ${box.left} to ${box.right}`);
  const style = getComputedStyle(e);
  if (style.overflowX === 'hidden' && e.scrollWidth > e.clientWidth + 1) wrong.push(`clipped: ${of(e)}`);
}
// Targets: a box or ring is touched by its label.
for (const e of document.querySelectorAll('button, a[href], input, select, textarea, summary, [role=slider]')) {
  if (!shown(e) || e.closest('.unseen, .skip') || e.type === 'hidden') continue;
  const touched = e.closest('label') || e;
  const box = touched.getBoundingClientRect();
  // A frame that can be moved sideways shows at rest all that can be touched.
  const frame = touched.closest('.wide')?.getBoundingClientRect();
  if (frame && box.right > frame.right + 1) wrong.push(`behind the edge: ${of(touched)}`);
  if (box.width < 44 - 0.5 || box.height < 44 - 0.5) wrong.push(`small: ${of(touched)} is ${box.width} by ${box.height}`);
}
// Contrast, by the formula of WCAG 2: 4.5 for text, 3 for large text (24 px, or 18.66 px and bold).
const rgb = (text) => (text.match(/[\d.]+/g) || []).map(Number);
const light = ([r, g, b]) => {
  const [x, y, z] = [r, g, b].map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
  return 0.2126 * x + 0.7152 * y + 0.0722 * z;
};
const ground = (e) => {
  for (let at = e; at; at = at.parentElement) {
    const [r, g, b, a = 1] = rgb(getComputedStyle(at).backgroundColor);
    if (a === 1) return [r, g, b];
  }
  return [255, 255, 255];
};
for (const e of document.querySelectorAll('body *')) {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  if (!own || !shown(e) || e.closest('.unseen, .skip, noscript') || e.disabled) continue;
  const style = getComputedStyle(e);
  const [a, b] = [light(rgb(style.color)), light(ground(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  if (ratio < (large ? 3 : 4.5)) wrong.push(`pale: ${of(e)} has ${ratio.toFixed(2)}`);
  if (size < 12) wrong.push(`small: ${of(e)} is written with ${size} px`);
}
return wrong;
