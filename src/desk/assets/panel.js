// Sessions at the desk: the live picture of a plan, the progress of a session, a file into a field.
'use strict';
(() => {
  const plan = document.querySelector('form[data-preview]');
  if (plan) {
    const picture = document.getElementById('picture');
    const fit = () => {
      const kind = new FormData(plan).get('kind');
      for (const part of plan.querySelectorAll('[data-kinds]')) {
        part.hidden = !part.dataset.kinds.split(' ').includes(kind);
      }
    };
    let wait = 0, asked = 0;
    const show = async () => {
      const mine = ++asked;
      picture.setAttribute('aria-busy', 'true');
      try {
        const answer = await fetch(plan.dataset.preview, { method: 'POST', body: new URLSearchParams(new FormData(plan)) });
        const text = await answer.text();
        // A later edit has its own picture.
        if (mine !== asked) return;
        if (answer.ok) picture.innerHTML = text; else picture.textContent = text;
        // The whole picture is too much to be read aloud at each edit.
        document.getElementById('picture-said').textContent = picture.querySelector('[data-said]')?.dataset.said || '';
      } catch {
        if (mine === asked) picture.textContent = picture.dataset.lost || '…';
      }
      if (mine === asked) picture.removeAttribute('aria-busy');
    };
    const soon = () => { clearTimeout(wait); wait = setTimeout(show, 250); };
    plan.addEventListener('input', () => { fit(); soon(); });
    plan.addEventListener('change', () => { fit(); soon(); });
    fit();
    if (!picture.textContent.trim()) show();
  }

  const progress = document.getElementById('progress');
  if (progress) {
    const look = async () => {
      if (document.visibilityState !== 'visible') return;
      try {
        const answer = await fetch(progress.dataset.from);
        if (!answer.ok) return;
        const now = await answer.json();
        if (now.state !== progress.dataset.state) stale(now.state === 'open');
        if (now.table !== progress.dataset.shown) {
          const within = progress.contains(document.activeElement);
          progress.innerHTML = now.table;
          progress.dataset.shown = now.table;
          if (within) progress.querySelector('[tabindex]')?.focus();
        }
        const musty = document.getElementById('musty');
        if (musty && musty.innerHTML !== now.musty) musty.innerHTML = now.musty;
        const timer = document.getElementById('timer');
        if (timer && timer.innerHTML !== now.timer) timer.innerHTML = now.timer;
      } catch { /* The desk is away for a moment: the next look tells. */ }
    };
    const stale = (begun) => {
      if (document.querySelector('.stale')) return;
      const note = document.createElement('p');
      note.className = 'stale';
      note.setAttribute('role', 'status');
      const zh = document.documentElement.lang.startsWith('zh');
      const link = document.createElement('a');
      link.href = location.pathname;
      link.textContent = zh ? '重新载入' : 'Load it again';
      const said = begun ? (zh ? '审评已开始。' : 'The tasting has begun. ') : zh ? '本场状态已在别处改变。' : 'The state of this session has changed meanwhile. ';
      note.append(said, link);
      progress.before(note);
    };
    setInterval(look, 2000);
    // Between two looks the seconds go on by themselves.
    setInterval(() => {
      const clock = document.querySelector('.clock');
      if (!clock) return;
      const left = Math.max(0, clock.dataset.left - 1);
      clock.dataset.left = left;
      clock.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, '0')}`;
    }, 1000);
  }

  for (const input of document.querySelectorAll('input[type=file][data-into]')) {
    input.addEventListener('change', async () => {
      const file = input.files[0];
      if (file) document.getElementById(input.dataset.into).value = await file.text();
    });
  }
  for (const button of document.querySelectorAll('[data-print]')) button.addEventListener('click', () => print());
})();
