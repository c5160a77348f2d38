// The step clock: a tap is kept on the phone until the desk has it on the disk.
'use strict';
{
  const root = document.getElementById('clock');
  const KEPT = 'step-clock';
  const LETTERS = '0123456789abcdefghjkmnpqrstvwxyz';
  let queue = [];
  try { queue = JSON.parse(localStorage.getItem(KEPT) || '[]'); } catch { queue = []; }
  const keep = () => { try { localStorage.setItem(KEPT, JSON.stringify(queue)); } catch { /* a full or closed store: the page itself still has it */ } };

  if (root) {
    const { lot, token } = root.dataset;
    const texts = JSON.parse(root.dataset.texts);
    let state = JSON.parse(root.dataset.state);
    // The desk's clock counts, whatever the phone's says.
    const skew = Number(root.dataset.now) - Date.now();
    let trouble = '';
    let sending = false;
    let timer = 0;

    const entry = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => LETTERS[b % 32]).join('');
    const moment = () => new Date(Date.now() + skew).toISOString().slice(0, 19) + 'Z';
    const element = (name, text) => { const e = document.createElement(name); e.textContent = text; return e; };

    const show = () => {
      const mine = queue.filter((l) => l.lot === lot && !l.asked);
      for (const e of document.querySelectorAll('[data-parameter]')) {
        const waits = mine.some((l) => l.parameter === e.dataset.parameter);
        const held = state.held[e.dataset.parameter];
        e.classList.toggle('waiting', waits);
        e.classList.toggle('held', held !== undefined);
        e.querySelector('.when').textContent = held === undefined ? '' : held.replace(/^\d{4}-/, '');
        const { start } = e.dataset;
        const begun = !start || state.held[start] !== undefined || mine.some((l) => l.parameter === start && !l.replaces);
        if (e.tagName === 'BUTTON' && !e.dataset.again) e.disabled = held !== undefined || waits || !begun;
      }
      const last = document.getElementById('last');
      last.replaceChildren();
      for (const line of state.last) {
        const item = element('li', '');
        item.append(element('span', line.text));
        const undo = element('button', texts.undo);
        undo.type = 'button';
        undo.className = 'quiet';
        undo.setAttribute('aria-label', texts.undo + ': ' + line.text);
        undo.disabled = mine.some((l) => l.replaces === line.entry);
        undo.addEventListener('click', () => add({ parameter: line.parameter, value: null, replaces: line.entry }));
        item.append(undo);
        last.append(item);
      }
      if (!state.last.length) last.append(element('li', texts.nothing));
      showAsked();
      const status = document.getElementById('status');
      const waiting = queue.filter((l) => !l.asked).length;
      const open = queue.length - waiting + document.getElementById('refused').childElementCount;
      status.classList.toggle('waiting', waiting + open > 0);
      const text = [waiting ? texts.waiting + waiting + '. ' + trouble : '', open ? texts.open + open + '.' : ''].join(' ').trim() || texts.saved;
      if (status.textContent !== text) status.textContent = text;
    };

    const refuse = (line, text) => {
      const box = document.createElement('div');
      box.className = 'wrong';
      const pre = element('pre', text);
      const fine = element('button', texts.fine);
      fine.type = 'button';
      fine.className = 'quiet';
      fine.addEventListener('click', () => { box.remove(); show(); });
      box.append(element('h2', texts.refused + ': ' + line.lot + ', ' + line.parameter), pre, fine);
      document.getElementById('refused').append(box);
    };

    // What is asked back waits on the phone until somebody says which it is.
    const showAsked = () => {
      const box = document.getElementById('asked');
      const lines = queue.filter((l) => l.asked);
      const shown = lines.map((l) => l.entry).join();
      if (box.dataset.shown === shown) return;
      box.dataset.shown = shown;
      box.replaceChildren(...lines.map((line) => {
        const one = element('div', '');
        one.className = 'wrong';
        const choose = (text, quiet, doing) => {
          const button = element('button', text);
          button.type = 'button';
          if (quiet) button.className = 'quiet';
          button.addEventListener('click', () => { doing(); keep(); show(); send(); });
          return button;
        };
        const buttons = element('p', '');
        buttons.append(
          choose(texts.leave, true, () => { queue = queue.filter((l) => l !== line); }), ' ',
          choose(texts.sure, false, () => { delete line.asked; line.sure = true; }),
        );
        one.append(element('h2', texts.asked), element('p', line.asked), buttons);
        return one;
      }));
    };

    const settle = (results) => {
      for (const r of results || []) {
        const line = queue.find((l) => l.entry === r.entry);
        if (line && r.outcome === 'asked') { line.asked = r.text; continue; }
        if (line && r.outcome === 'refused') refuse(line, r.text);
        queue = queue.filter((l) => l.entry !== r.entry);
      }
      keep();
    };

    const send = async () => {
      const lines = queue.filter((l) => !l.asked);
      if (sending || !lines.length) return;
      sending = true;
      clearTimeout(timer);
      let again = 0;
      try {
        const stop = new AbortController();
        const limit = setTimeout(() => stop.abort(), 10000);
        const answer = await fetch('/clock?lot=' + encodeURIComponent(lot), {
          method: 'POST',
          signal: stop.signal,
          headers: { 'Content-Type': 'application/json', 'X-Form': token },
          body: JSON.stringify({ lines: lines.slice(0, 100) }),
        });
        clearTimeout(limit);
        if (answer.ok) {
          const told = await answer.json();
          settle(told.results);
          if (told.state) state = told.state;
          trouble = '';
          again = queue.some((l) => !l.asked) ? 200 : 0;
        } else if (answer.status === 403 || answer.status === 401) {
          trouble = texts.ended;
        } else {
          const told = await answer.json().catch(() => ({}));
          settle(told.results);
          trouble = told.text || texts.again;
          again = 5000;
        }
      } catch {
        trouble = texts.again;
        again = 3000;
      }
      sending = false;
      if (again) timer = setTimeout(send, again);
      show();
    };

    const add = (line) => {
      queue.push({ lot, entry: entry(), at: moment(), ...line });
      keep();
      if (navigator.vibrate) navigator.vibrate(40);
      show();
      send();
    };

    for (const button of root.querySelectorAll('button.moment')) {
      button.addEventListener('click', () => add(button.dataset.start
        ? { parameter: button.dataset.parameter, value: null, end: true }
        : { parameter: button.dataset.parameter, value: 'now' }));
    }
    for (const form of root.querySelectorAll('form.value')) {
      form.addEventListener('submit', (event) => {
        event.preventDefault();
        const input = form.querySelector('input, select');
        if (!input.value.trim()) return;
        add({ parameter: form.dataset.parameter, value: input.value.trim().replace(/^(\d+),(\d+)$/, '$1.$2') });
        input.value = '';
      });
    }
    window.addEventListener('online', send);
    document.addEventListener('visibilitychange', () => { if (!document.hidden) send(); });
    show();
    send();
  }
}
