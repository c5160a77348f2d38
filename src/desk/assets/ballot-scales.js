// The scales of the ballot. Each is given the answer that stands, or null, and says what it was changed to.
'use strict';

/** Whether a finger is on a line. */
let sliding = false;
// A line that was taken off the page under the finger never hears that it was lifted.
for (const end of ['pointerup', 'pointercancel']) addEventListener(end, () => { sliding = false; });

/** A number as the taster reads it: a true minus, and a plus where the scale goes both ways. */
function shown(value, signed) {
  const text = String(Math.abs(value));
  if (value < 0) return '−' + text;
  return signed && value > 0 ? '+' + text : text;
}

/** The marks of a line: labelled at round values, at most about twelve. */
function marksOf(low, high) {
  const span = high - low;
  const power = 10 ** Math.floor(Math.log10(span / 12));
  const unit = [1, 2, 5, 10].map((m) => m * power).find((u) => span / u <= 12) ?? span;
  const marks = [];
  for (let i = 0; i * unit <= span + 1e-9; i += 1) marks.push(Number((low + i * unit).toPrecision(10)));
  return marks;
}

/**
 * A line with labelled ends. Nothing is set until the taster sets it: by a tap, by sliding, or by keys.
 * `change(value or null)` is told when a mark is set, moved or taken off.
 */
function lineScale(term, name, answer, change) {
  const { low, high, step } = term.scale;
  const signed = term.scale.kind === 'bipolar';
  const ends = said(term.scale.ends);
  const digits = (String(step).split('.')[1] ?? '').length;
  const round = (x) => {
    const at = low + Math.round((Math.min(high, Math.max(low, x)) - low) / step) * step;
    return Number(Math.min(high, at).toFixed(digits));
  };
  const stood = answer && answer.state === 'scored' ? Number(answer.value) : null;
  let value = Number.isFinite(stood) ? stood : null;

  const mark = el('span', { class: 'mark' });
  const ruler = el('span', { class: 'ruler' });
  for (const at of marksOf(low, high)) {
    const tick = el('span', { class: signed && at === 0 ? 'tick middle' : 'tick' });
    tick.style.left = `${((at - low) / (high - low)) * 100}%`;
    ruler.append(tick);
    if (signed && at === 0) {
      const zero = el('span', { class: 'zero', 'aria-hidden': 'true' }, '0');
      zero.style.left = tick.style.left;
      ruler.append(zero);
    }
  }
  ruler.append(mark);
  const slider = el('div', { class: 'line', role: 'slider', tabindex: '0', 'aria-label': name,
    'aria-valuemin': String(low), 'aria-valuemax': String(high), 'aria-orientation': 'horizontal' }, ruler);
  const number = el('output', { class: 'value' });
  const steps = el('span', { class: 'steps' });
  const less = el('button', { type: 'button', class: 'step', 'aria-label': word('lower', name) }, '−');
  const more = el('button', { type: 'button', class: 'step', 'aria-label': word('higher', name) }, '+');

  function show() {
    const untouched = value === null;
    slider.classList.toggle('untouched', untouched);
    // A slider must name a number; what is read aloud is the text.
    slider.setAttribute('aria-valuenow', String(untouched ? low : value));
    slider.setAttribute('aria-valuetext', untouched ? word('not_scored') : `${shown(value, signed)}, ${ends[0]} – ${ends[1]}`);
    // There is nothing to step from before the line is touched: then the way to begin stands in the buttons' place.
    const idle = slider.getAttribute('aria-disabled') === 'true';
    number.textContent = !untouched ? shown(value, signed) : idle ? '–' : word('touch_first');
    steps.classList.toggle('untouched', untouched);
    less.hidden = more.hidden = untouched;
    less.disabled = untouched || value <= low;
    more.disabled = untouched || value >= high;
    if (!untouched) mark.style.left = `${((value - low) / (high - low)) * 100}%`;
  }
  function set(to, settled = true) {
    if (to !== null && !Number.isFinite(to)) return;
    value = to === null ? null : round(to);
    show();
    if (settled) change(value === null ? null : String(value));
  }

  // A finger that scrolls the page must set nothing: a mark is set by a tap, or by sliding sideways.
  let from = null;
  // A line without a width (hidden, or drawn anew under the finger) has no place to point at.
  const under = (event) => {
    const box = ruler.getBoundingClientRect();
    if (!(box.width > 0)) return NaN;
    return low + ((event.clientX - box.left) / box.width) * (high - low);
  };
  slider.addEventListener('pointerdown', (event) => {
    if (event.button > 0 || slider.getAttribute('aria-disabled') === 'true') return;
    sliding = true;
    from = { x: event.clientX, y: event.clientY, value, sliding: false };
    slider.setPointerCapture(event.pointerId);
  });
  slider.addEventListener('pointermove', (event) => {
    if (!from) return;
    if (Math.abs(event.clientX - from.x) > 5) from.sliding = true;
    if (from.sliding) set(under(event), false);
  });
  slider.addEventListener('pointerup', (event) => {
    sliding = false;
    if (!from) return;
    const at = under(event);
    if (!Number.isFinite(at)) { value = from.value; show(); }
    else if (from.sliding || Math.abs(event.clientY - from.y) < 10) set(at);
    from = null;
  });
  slider.addEventListener('pointercancel', () => {
    sliding = false;
    if (!from) return;
    value = from.value;
    from = null;
    show();
  });
  slider.addEventListener('keydown', (event) => {
    if (slider.getAttribute('aria-disabled') === 'true' || event.ctrlKey || event.metaKey || event.altKey) return;
    const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 5, PageDown: -5 }[event.key];
    // From no mark at all a key comes in from that key's end, never from the middle.
    if (by) set(value === null ? (by > 0 ? low : high) : value + by * step);
    else if (event.key === 'Home') set(low);
    else if (event.key === 'End') set(high);
    else if (event.key === 'Delete' || event.key === 'Backspace') set(null);
    else if (/^\d$/.test(event.key) && Number(event.key) >= low && Number(event.key) <= high) set(Number(event.key));
    else return;
    event.preventDefault();
  });
  slider.addEventListener('idle', show);
  less.addEventListener('click', () => set(value - step));
  more.addEventListener('click', () => set(value + step));
  steps.append(less, number, more);
  show();
  return el('div', { class: 'scale' }, slider,
    el('div', { class: 'ends' },
      el('span', { class: 'end' }, ends[0] ?? ''),
      steps,
      el('span', { class: 'end high' }, ends[1] ?? '')));
}

/** One of several: levels, kinds, or the degrees of a fault. */
function choiceScale(term, name, answer, change, levels, kind) {
  const group = `of-${newEntry()}`;
  const value = answer && answer.state === 'scored' ? String(answer.value) : null;
  const options = levels.map(({ id, text, about }) => {
    const input = el('input', { type: 'radio', name: group, value: id, checked: id === value, onchange: () => change(id) });
    return el('label', { class: 'pick' }, input, el('span', null, about ? el('b', null, text) : text, about ? ` ${about}` : null));
  });
  return el('div', { class: `scale picks ${kind}`, role: 'radiogroup', 'aria-label': name }, options);
}

/** Found or not. The term's name is the box's label. */
function tickScale(term, name, answer, change) {
  const value = answer && answer.state === 'scored' && String(answer.value) === '1';
  const input = el('input', { type: 'checkbox', checked: value, onchange: () => change(input.checked ? '1' : '0') });
  return el('label', { class: 'pick tick-box' }, input, el('span', null, name));
}

/** From so few characters on it is said how many are left. */
const FEW_LEFT = 200;

/** Free words. */
function noteScale(term, name, answer, change) {
  const { most } = term.scale;
  const value = answer && answer.state === 'scored' ? String(answer.value) : '';
  let told = value;
  let quiet = 0;
  const tell = () => {
    clearTimeout(quiet);
    const text = area.value.trim();
    if (text === told) return;
    told = text;
    change(text === '' ? null : text);
  };
  const left = el('p', { class: 'hint left', 'aria-live': 'polite' });
  const count = () => {
    // As the desk counts: characters, not halves of them.
    const n = most - [...area.value.trim()].length;
    left.textContent = n > FEW_LEFT ? '' : n < 0 ? word('too_long', -n) : word('signs_left', n);
    left.classList.toggle('over', n < 0);
  };
  const area = el('textarea', { rows: '2', 'aria-label': name, onchange: tell, onblur: tell,
    oninput: () => { count(); clearTimeout(quiet); quiet = setTimeout(tell, 1500); } });
  area.value = value;
  count();
  return el('div', { class: 'scale' }, area, left);
}

/** The scale of a term. */
function scaleOf(term, name, answer, change) {
  const of = term.scale;
  const kind = of.kind;
  if (kind === 'line' || kind === 'bipolar') return lineScale(term, name, answer, change);
  if (kind === 'tick') return tickScale(term, name, answer, change);
  if (kind === 'note') return noteScale(term, name, answer, change);
  if (kind === 'fault') {
    const levels = [0, 1, 2, 3].map((n) => ({ id: String(n), text: String(n), about: word(`fault_${n}`) }));
    return choiceScale(term, name, answer, change, levels, 'fault');
  }
  const levels = of.levels.map((l) => ({ id: l.id, text: said(l.label ?? l.labels) || l.id }));
  return choiceScale(term, name, answer, change, levels, kind);
}
