// The ballot on a phone: one cup a screen, in the taster's own order.
'use strict';

class Ballot {
  constructor() {
    this.now = null;
    this.screens = [];
    this.at = null;           // key of the screen that is shown
    this.sheet = '';          // 'help', or what lies over the ballot
    this.stop = null;         // {caution, y}: a caution that must be answered first, and how far down the page was
    this.cautioned = new Set();
    this.rested = new Set();
    this.resting = null;      // {timer, key}
    this.timer = null;
    this.timerIsLocal = false;
    this.changed = null;
    this.ids = 0;
    this.drawn = 0;           // a drawing that waits for a finger to be lifted
    this.far = false;         // whether it is one of another screen
    this.seenHalted = '';
    this.seenRefused = '';
    this.bell = new Bell();
    this.keeper = new Keeper((what) => this.heard(what));
    const part = (id) => document.getElementById(id);
    this.parts = { saved: part('saved'), time: part('time'), notices: part('notices'), main: part('main'), bar: part('bar'), alarm: part('alarm'),
      help: part('help'), other: part('other') };
  }

  count() { this.ids += 1; return this.ids; }

  // ---- what is known -------------------------------------------------------------------------

  flight(number) { return this.now.flights.find((f) => f.number === number); }

  termName(id) {
    const term = this.now.terms.find((t) => t.id === id);
    return term ? said(term.label) : id;
  }

  /** Whether answers can still be given, if only as late ones. */
  get open() { return ['planned', 'open', 'closed'].includes(this.now.state) && !this.keeper.halted; }

  waitsToHandIn(question) { return this.keeper.items.some((i) => i.question === question && i.state === 'waiting'); }

  flightHandedIn(flight) { return flight.handed_in || this.waitsToHandIn(`hand-in/${flight.number}`); }

  cupHandedIn(flight, cup) {
    return this.flightHandedIn(flight) || (flight.cups_handed_in ?? []).includes(cup) || this.waitsToHandIn(`hand-in/${flight.number}/${cup}`);
  }

  locked(screen) {
    if (screen.t === 'done') return false;
    const flight = this.flight(screen.f);
    return this.flightHandedIn(flight) || (Boolean(screen.cup) && this.cupHandedIn(flight, screen.cup));
  }

  /** The answers that hold: those on disk, and over them what waits on this phone. */
  build() {
    const now = this.now;
    this.answers = new Map();
    const flightOf = (cup) => now.flights.find((f) => f.cups.includes(cup) || f.reference === cup);
    for (const a of now.answers) {
      const flight = flightOf(a.cup);
      if (flight) this.answers.set(questionOf(now, flight, a.cup, a.steep, a.term), { ...a, disk: true });
    }
    for (const item of this.keeper.items) {
      if (item.what !== 'line') continue;
      const refused = item.state === 'refused';
      const under = refused && this.given(item.question) !== null;
      this.answers.set(item.question, { ...item.body, disk: false, late: item.state === 'late', refused, under });
    }
  }

  /** What is shown as the answer to a question, though it may have been refused. */
  answer(question) { return this.answers.get(question) ?? null; }

  /** The answer to a question; none where only one was given that was refused. */
  given(question) {
    const is = this.answer(question);
    return is && (!is.refused || is.under) ? is : null;
  }

  // ---- answering -----------------------------------------------------------------------------

  put(flight, cup, steep, term, state, value) { this.putAll([{ flight, cup, steep, term, state, value }], 1200); }

  putAll(lines, settle = 300) {
    if (!lines.length || !this.open) return;
    const items = lines.map(({ flight, cup, steep, term, state, value }) => {
      const question = questionOf(this.now, flight, cup, steep, term);
      const body = { cup, steep: steep ?? null, term, state, value: state === 'scored' ? value : null, note: null };
      this.answers.set(question, { ...body, disk: false });
      return { what: 'line', question, body };
    });
    this.keeper.take(items, settle);
  }

  /** Takes an answer off: without a trace while it was not sent, as declined once it was. */
  takeBack(flight, cup, steep, term, question) {
    const is = this.answer(question);
    if (!is) return;
    const disk = this.now.answers.some((a) => questionOf(this.now, flight, a.cup, a.steep, a.term) === question);
    if ((this.keeper.unsent(question) || is.refused) && !disk) {
      this.answers.delete(question);
      this.keeper.take([{ question, body: null }]);
    } else {
      this.put(flight, cup, steep, term, 'declined', null);
    }
  }

  handIn(flight, cup) {
    this.finishTyping();
    const body = cup ? { cup } : { flight: flight.number };
    const question = cup ? `hand-in/${flight.number}/${cup}` : `hand-in/${flight.number}`;
    this.keeper.take([{ what: 'hand-in', question, body }]);
  }

  /** A note that is being typed is taken before the screen goes. */
  finishTyping() { if (document.activeElement instanceof HTMLElement && this.parts.main.contains(document.activeElement)) document.activeElement.blur(); }

  /** `caution`: its texts by language as the desk says them; none where the page knows by itself. */
  stopFor(question, caution = null) {
    if (this.cautioned.has(question)) return;
    this.cautioned.add(question);
    this.stop = { caution, y: scrollY };
    this.draw(true);
  }

  // ---- going about ---------------------------------------------------------------------------

  step(way) {
    const at = this.screens.findIndex((s) => s.key === this.at);
    for (let i = at + way; i >= 0 && i < this.screens.length; i += way) {
      if (!this.locked(this.screens[i])) return this.screens[i];
    }
    return null;
  }

  go(key, remember = true) {
    this.finishTyping();
    this.keeper.soon(0);
    this.at = key;
    this.sheet = '';
    if (remember) history.pushState({ at: key }, '');
    this.draw(true);
  }

  goOn() {
    const here = this.screen();
    const next = this.step(1);
    if (!next) return;
    const rest = Number(this.now.settings.rest_s) || 0;
    const fromCup = here.t === 'cup' || here.t === 'check' || here.t === 'choose';
    if (rest > 0 && fromCup && (next.t === 'cup' || next.t === 'choose' || next.t === 'start') && !this.rested.has(next.key)) {
      this.rested.add(next.key);
      this.resting = { key: next.key, timer: new Countdown({ seconds: rest, left: rest, by: 'rest' }) };
      this.finishTyping();
      this.draw(true);
      return;
    }
    this.go(next.key);
  }

  screen() { return this.screens.find((s) => s.key === this.at) ?? this.screens[0]; }

  firstOpen() {
    const done = (s) => s.t === 'start' || s.t === 'check' || s.t === 'end' || missingOf(this, this.flight(s.f)).every((g) => g.key !== s.key);
    const free = this.screens.filter((s) => !this.locked(s));
    const begun = this.now.answers.length > 0 || this.keeper.items.length > 0;
    return (begun ? free.find((s) => s.t !== 'done' && !done(s)) : null) ?? free[0];
  }

  // ---- drawing -------------------------------------------------------------------------------

  mind() {
    const lines = (this.now.cautions ?? []).map((c) => el('li', null, said(c)));
    return el('section', { class: 'mind' }, el('h2', null, word('mind')), el('ul', null, lines));
  }

  draw(moved = false) {
    // Not under a finger that is sliding: that would take the line away from it.
    if (sliding) {
      if (!this.drawn) this.drawn = setInterval(() => { if (!sliding) { const far = this.far; clearInterval(this.drawn); this.drawn = 0; this.far = false; this.draw(far); } }, 100);
      this.far = this.far || moved;
      return;
    }
    const { main, bar } = this.parts;
    this.drawStrip();
    const { body, buttons, kind } = this.whatToShow();
    main.className = `on-${kind}`;
    main.replaceChildren(...body.flat(3).filter(Boolean));
    bar.replaceChildren(...buttons);
    bar.hidden = buttons.length === 0;
    if (!this.now || this.open === false) main.querySelectorAll('input, textarea, .step').forEach((x) => { x.disabled = true; });
    if (this.now && !this.open) main.querySelectorAll('[role=slider]').forEach((x) => { x.setAttribute('aria-disabled', 'true'); x.dispatchEvent(new Event('idle')); });
    if (!moved) return;
    scrollTo(0, 0);
    const head = main.querySelector('h1');
    if (head) { head.focus({ preventScroll: true }); document.title = `${head.textContent} · blindsteep`; }
  }

  /** Draws again what is shown, and leaves the finger, the eye and the keyboard where they are. */
  redraw() {
    if (sliding) { setTimeout(() => this.redraw(), 200); return; }
    const holder = document.activeElement && document.activeElement.closest('[data-q]');
    const [q, y] = [holder && holder.dataset.q, scrollY];
    const opened = [...this.parts.main.querySelectorAll('details')].map((d) => d.open);
    this.draw(false);
    this.parts.main.querySelectorAll('details').forEach((d, i) => { d.open = Boolean(opened[i]); });
    scrollTo(0, y);
    if (!q) return;
    const again = [...this.parts.main.querySelectorAll('[data-q]')].find((x) => x.dataset.q === q);
    const focus = again && (again.matches('button') ? again : again.querySelector('[role=slider], input:checked, input, textarea, button'));
    if (focus) focus.focus({ preventScroll: true });
  }

  whatToShow() {
    const button = (text, doing, quiet) => el('button', { type: 'button', class: quiet ? 'quiet' : '', onclick: doing }, text);
    const notice = (title, ...why) => ({ kind: 'notice', body: [el('h1', { tabindex: '-1' }, title), why.filter(Boolean).map((w) => el('p', null, w))], buttons: [] });
    const waits = this.keeper.waiting.length;
    if (this.keeper.halted === 'taken-over') {
      const over = notice(word('taken_over'), word('taken_over_why'), waits ? word('taken_over_kept', waits) : null);
      over.buttons = [button(word('take_again'), () => { location.href = '/'; })];
      return over;
    }
    if (this.keeper.halted === 'revealed') return notice(word('revealed'), word('revealed_why'), waits ? word('ended_kept', waits) : null);
    if (this.keeper.halted === 'ended') return notice(word('ended'), word('ended_why'), waits ? word('ended_kept', waits) : null);
    if (!this.now) return notice(word(this.keeper.offline ? 'wait' : 'loading'));
    if (this.now.state === 'revealed') return notice(word('revealed'), word('revealed_why'), waits ? word('ended_kept', waits) : null);
    if (this.now.state === 'void') return notice(word('void'), word('void_why'), waits ? word('ended_kept', waits) : null);
    if (this.stop) {
      return { kind: 'stop', body: [el('div', { role: 'alertdialog', 'aria-labelledby': 'stop-title', 'aria-describedby': 'stop-text' },
        el('h1', { tabindex: '-1', id: 'stop-title' }, word('stop')), el('p', { id: 'stop-text' }, this.stop.caution ? said(this.stop.caution) : word('stop_text')))],
      buttons: [button(word('understood'), () => { const { y } = this.stop; this.stop = null; this.draw(true); scrollTo(0, y); })] };
    }
    if (this.sheet === 'help') {
      return { kind: 'help', body: this.helpScreen(), buttons: [button(word('close_help'), () => { this.sheet = ''; this.draw(true); })] };
    }
    if (!this.now.flights.some((f) => f.cups.length)) return notice(word('no_ballot'));
    if (this.resting) {
      const over = this.resting.timer.left <= 0;
      return { kind: 'resting', body: [el('h1', { tabindex: '-1' }, word('rest')), el('p', null, word('rest_why')),
        el('p', { class: 'big-clock', id: 'rest-clock', role: 'timer' }, clock(this.resting.timer.left)), el('p', { id: 'rest-over', role: 'status' }, over ? word('rest_over') : '')],
      buttons: [button(word('back'), () => { this.rested.delete(this.resting.key); this.resting = null; this.draw(true); }, true),
        button(word(over ? 'next' : 'go_on'), () => { const { key } = this.resting; this.resting = null; this.go(key); }, !over)] };
    }
    const screen = this.screen();
    const make = { start: startScreen, cup: cupScreen, check: endScreen, choose: chooseScreen, rank: rankScreen, end: endScreen, done: doneScreen }[screen.t];
    return { kind: screen.t, body: make(this, screen), buttons: this.buttonsOf(screen, button) };
  }

  buttonsOf(screen, button) {
    const before = this.step(-1), next = this.step(1);
    const buttons = [];
    if (before && screen.t !== 'done') buttons.push(button(word('back'), () => this.go(before.key), true));
    if (screen.t === 'done') return buttons;
    const flight = this.flight(screen.f);
    if (screen.t === 'check' || screen.t === 'end') {
      const cup = screen.t === 'check' ? screen.cup : null;
      const gaps = missingOf(this, flight, cup);
      const give = button(word(cup ? 'hand_in_cup' : 'hand_in_flight', screen.f), () => { this.handIn(flight, cup); this.goOn(); });
      give.disabled = !this.open || (this.now.kind !== 'profile' && gaps.length > 0) || !anything(this, flight, cup);
      buttons.push(give);
      return buttons;
    }
    if (screen.t === 'cup') buttons.push(el('span', { class: 'progress', id: 'progress' }, this.progress(screen)));
    const text = screen.t === 'start' ? word('begin_flight', screen.f)
      : !next || next.t === 'end' ? word('to_end') : next.t === 'check' ? word('hand_in_cup') : next.t === 'cup' ? word('next_cup') : word(next.t === 'start' ? 'next' : 'next_set');
    buttons.push(button(text, () => this.goOn()));
    return buttons;
  }

  progress(screen) {
    const flight = this.flight(screen.f);
    const asked = this.now.terms.filter(leavesGap);
    const given = asked.filter((t) => this.given(questionOf(this.now, flight, screen.cup, screen.steep, t.id)));
    return word('answered', given.length, asked.length);
  }

  helpScreen() {
    const keys = ['how_line', 'how_keys', 'how_more', 'how_saved', 'how_link', 'how_talk'];
    return [el('h1', { tabindex: '-1' }, word('how')), keys.map((k) => el('p', null, word(k))), el('p', null, word('offline_why')), this.mind(),
      this.now.key_digest ? el('p', { class: 'hint' }, `${word('sealed')}${word('colon')}${this.now.key_digest}`) : null];
  }

  /** The strip on top: what is saved, what waits, what goes wrong. */
  drawStrip() {
    const { saved, notices, help, other } = this.parts;
    document.documentElement.lang = lang === 'zh' ? 'zh-Hans' : 'en';
    help.textContent = word('help');
    help.hidden = !this.now || this.keeper.halted !== '';
    other.textContent = word('other');
    other.lang = lang === 'zh' ? 'en' : 'zh-Hans';
    const keeper = this.keeper;
    const waiting = keeper.waiting.length;
    const answers = this.answers ? [...this.answers.values()].filter((a) => !a.late) : [];
    const [given, onDisk] = [answers.length, answers.filter((a) => a.disk).length];
    let text = given + waiting === 0 ? word('saved_none') : waiting ? word('saved_some', onDisk, given, waiting) : word('saved_all', onDisk, given);
    if (keeper.refused.length) text += ` · ${word('refused_n', keeper.refused.length)}`;
    saved.textContent = text;
    saved.className = keeper.full || keeper.refused.length ? 'saved bad' : waiting ? 'saved waits' : 'saved';
    const tell = [];
    if (keeper.full) tell.push([word('disk_full'), word('disk_full_why')]);
    else if (keeper.offline && !keeper.halted) tell.push([word('offline'), word('offline_why')]);
    if (!keeper.shelf.lasting && this.now) tell.push(['', word('memory_only')]);
    if (keeper.others) tell.push(['', word('other_queue', keeper.others)]);
    if (this.now && this.now.state === 'closed' && !keeper.halted) tell.push([word('closed'), word('closed_why')]);
    if (keeper.late) tell.push(['', word('late_n', keeper.late)]);
    // Refusals stand beside their answers; those of other screens are told here.
    const here = this.now && !keeper.halted ? this.screen() : null;
    const away = keeper.refused.filter((i) => !here || !this.shownOn(i, here));
    const boxes = tell.map(([title, why]) => el('p', { class: 'wrong' }, title ? el('b', null, `${title}${word('stop_sign')}`) : null, why))
      .concat(this.now ? away.map((i) => refusal(this, i)) : []);
    const print = boxes.map((b) => b.textContent).join('\n');
    if (print !== this.told) { this.told = print; notices.replaceChildren(...boxes); }
    const progress = document.getElementById('progress');
    if (progress && here && here.t === 'cup') progress.textContent = this.progress(here);
    this.drawTime();
  }

  shownOn(item, screen) {
    if (item.what === 'hand-in') return screen.t === 'end' || screen.t === 'check';
    if (screen.t === 'cup') return item.body.cup === screen.cup && (item.body.steep === null || item.body.steep === screen.steep);
    if (screen.t === 'rank') return item.body.term === screen.term && this.flight(screen.f).cups.includes(item.body.cup);
    return screen.t === 'choose' && item.question.startsWith(`set/${screen.f}/`);
  }

  drawTime() {
    const { time, alarm } = this.parts;
    if (this.resting) {
      const at = document.getElementById('rest-clock');
      if (at) at.textContent = clock(this.resting.timer.left);
      if (this.resting.timer.left <= 0 && !this.resting.timer.rung) { this.resting.timer.rung = true; this.bell.ring(); this.draw(false); }
    }
    const timer = this.timer;
    const shows = timer && timer.left > -60 && !this.keeper.halted;
    time.hidden = !shows;
    if (!shows) return;
    const up = timer.left <= 0;
    if (up && !timer.rung) {
      timer.rung = true;
      this.bell.ring();
      alarm.textContent = `${word('steep_n', timer.steep)}: ${word('timer_up')}`;
    }
    const text = `${word('steep_n', timer.steep)} · ${word(timer.by === 'host' ? 'timer_host' : 'timer_own')}`;
    const state = `${text}${up}${this.bell.mute}${lang}`;
    if (time.dataset.state !== state) {
      time.dataset.state = state;
      time.className = up ? 'time up' : 'time';
      time.replaceChildren(...[el('span', { class: 'clock', role: 'timer' }), el('span', { class: 'of' }, text),
        this.bell.mute ? el('button', { type: 'button', class: 'quiet small', onclick: () => { this.bell.wake(); setTimeout(() => this.drawTime(), 100); } }, word('sound')) : null,
        timer.by === 'taster' ? el('button', { type: 'button', class: 'quiet small', onclick: () => this.stopTimer() }, word('timer_stop')) : null].filter(Boolean));
    }
    time.firstChild.textContent = up ? word('timer_up') : clock(timer.left);
  }

  // ---- timers --------------------------------------------------------------------------------

  async startTimer(flight, steep, seconds) {
    this.timer = new Countdown({ flight, steep, seconds, left: seconds, by: 'taster' });
    this.timerIsLocal = true;
    this.redraw();
    const answer = await this.keeper.ask('/ballot/timer', { flight, steep, run: true });
    if (answer && answer.status === 200) { this.timerIsLocal = false; this.hearTimer(answer.json.timer); }
  }

  async stopTimer() {
    const { flight, steep } = this.timer;
    this.timer = null;
    this.timerIsLocal = false;
    this.redraw();
    await this.keeper.ask('/ballot/timer', { flight, steep, run: false });
  }

  hearTimer(told) {
    if (!told) { if (this.timer && !this.timerIsLocal) { this.timer = null; this.drawTime(); } return; }
    if (this.timer && this.timer.is(told)) return;
    const rung = this.timer && this.timer.rung && this.timer.steep === told.steep && this.timer.flight === told.flight && told.left <= 0;
    this.timer = new Countdown(told);
    this.timer.rung = rung || told.left <= -10;
    this.timerIsLocal = false;
    this.drawTime();
  }

  // ---- talking with the desk -----------------------------------------------------------------

  /** What the keeper says: lines saved, refused, or that the ballot must be fetched anew. */
  heard(what) {
    if (what && what.stale) { this.fetch(); return; }
    if (what && what.saved && this.now) {
      for (const item of what.saved) {
        if (item.what !== 'line' || item.state === 'late') continue;
        const flight = this.now.flights.find((f) => f.cups.includes(item.body.cup) || f.reference === item.body.cup);
        this.now.answers = this.now.answers.filter((a) => !flight || questionOf(this.now, flight, a.cup, a.steep, a.term) !== item.question);
        this.now.answers.push(item.body);
      }
      const caution = what.results.find((r) => r.caution);
      if (caution) {
        const of = what.saved.find((i) => i.entry === caution.entry);
        if (of) this.stopFor(of.question, caution.caution);
      }
    }
    if (this.now) this.build();
    const refused = this.keeper.refused.map((i) => i.entry).join();
    const halted = this.keeper.halted;
    if (halted !== this.seenHalted) { this.seenHalted = halted; this.draw(true); }
    else if (refused !== this.seenRefused) { this.seenRefused = refused; this.redraw(); }
    else this.drawStrip();
    if (what && what.saved && what.saved.some((i) => i.what === 'hand-in')) this.fetch();
  }

  async fetch() {
    const answer = await this.keeper.ask('/ballot/now');
    if (!answer || answer.status !== 200 || !answer.json) return false;
    const first = this.now === null;
    const before = first ? '' : this.print();
    this.now = answer.json;
    await this.keeper.belongTo(`${this.now.session}/${this.now.taster}`, this.now.token);
    this.screens = screensOf(this.now);
    this.build();
    this.hearTimer(this.now.timer);
    if (first) {
      if (!this.languageChosen()) lang = String(this.now.language).startsWith('zh') ? 'zh' : 'en';
      const kept = history.state && this.screens.find((s) => s.key === history.state.at && !this.locked(s));
      this.at = (kept ?? this.firstOpen()).key;
      history.replaceState({ at: this.at }, '');
      this.draw(true);
    } else if (this.print() !== before) {
      if (this.locked(this.screen())) this.at = (this.step(1) ?? this.screens[this.screens.length - 1]).key;
      this.redraw();
    } else {
      this.drawStrip();
    }
    return true;
  }

  /** What of the ballot shows on the screen. */
  print() {
    return JSON.stringify([this.now.state, this.now.flights, this.now.settings, [...this.answers.entries()].map(([q, a]) => [q, a.state, a.value, a.cup]).sort()]);
  }

  async pulse() {
    if (document.hidden || this.keeper.halted) return;
    if (!this.now) { await this.fetch(); return; }
    const answer = await this.keeper.ask('/ballot/pulse');
    if (!answer || answer.status !== 200 || !answer.json) return;
    const { state, timer, changed } = answer.json;
    this.hearTimer(timer);
    const own = this.keeper.ownSince;
    this.keeper.ownSince = false;
    const news = this.changed !== null && changed !== this.changed && !own;
    this.changed = changed;
    const moved = state !== this.now.state && !(this.now.state === 'planned' && state === 'open');
    if (state !== this.now.state) { this.now.state = state; this.drawStrip(); }
    if (news || moved) { await this.fetch(); if (moved) this.draw(false); }
  }

  languageChosen() { return /(?:^|; )language=/.test(document.cookie); }

  switchLanguage() {
    lang = lang === 'zh' ? 'en' : 'zh';
    document.cookie = `language=${lang}; Path=/; Max-Age=31536000; SameSite=Lax`;
    this.finishTyping();
    this.told = null;
    this.redraw();
  }

  async begin() {
    this.parts.help.addEventListener('click', () => { this.finishTyping(); this.sheet = this.sheet ? '' : 'help'; this.draw(true); });
    this.parts.other.addEventListener('click', () => this.switchLanguage());
    addEventListener('popstate', (event) => {
      const key = event.state && event.state.at;
      const screen = this.screens.find((s) => s.key === key);
      this.resting = null;
      this.stop = null;
      if (screen && !this.locked(screen)) this.go(key, false);
      else if (this.now) this.go(this.firstOpen().key, false);
    });
    const back = () => {
      if (document.hidden) return;
      // In the same browser the link may have been followed again meanwhile.
      if (this.keeper.halted) { this.keeper.halted = ''; this.now = null; this.seenHalted = ''; this.fetch(); } else { this.pulse(); this.keeper.soon(0); }
      this.keepAwake();
    };
    addEventListener('visibilitychange', back);
    addEventListener('online', back);
    addEventListener('pagehide', () => this.finishTyping());
    addEventListener('pointerup', () => this.keepAwake(), { once: true });
    this.draw();
    await this.keeper.open();
    await this.fetch();
    setInterval(() => this.pulse(), 3000);
    setInterval(() => this.drawTime(), 250);
  }

  /** Keeps the screen on where the browser lets us: only over an encrypted connection. */
  async keepAwake() {
    if (!navigator.wakeLock || document.hidden || !this.now) return;
    try { await navigator.wakeLock.request('screen'); } catch { /* the phone saves its battery */ }
  }
}

new Ballot().begin();
