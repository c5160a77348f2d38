// What each screen of the ballot shows. A screen is a start, a cup, a set of cups, or an end of a flight.
'use strict';

/** The screens of a ballot in the order in which they are gone through. */
function screensOf(now) {
  const list = [];
  now.flights.forEach((flight, i) => {
    const f = flight.number;
    const add = (t, more = {}) => list.push({ t, f, key: [t, f, ...Object.values(more)].join('/'), ...more });
    if (now.kind === 'profile' || i === 0 || flight.warm_up) add('start');
    if (now.kind === 'profile') {
      for (let steep = 1; steep <= Math.max(1, now.n_steeps); steep += 1) {
        flight.cups.forEach((cup) => {
          add('cup', { cup, steep });
          if (now.settings.go_back === 'cup' && steep === Math.max(1, now.n_steeps)) add('check', { cup });
        });
      }
    } else if (now.kind === 'ranking') {
      now.terms.forEach((term) => add('rank', { term: term.id }));
    } else {
      add('choose');
    }
    add('end');
  });
  list.push({ t: 'done', f: 0, key: 'done' });
  return list;
}

const isChoice = (now) => ['triangle', 'duo-trio', 'paired'].includes(now.kind);

/** The term under which the choice of a set is kept. */
function choiceTerm(now) {
  if (now.kind === 'triangle') return 'odd';
  if (now.kind === 'duo-trio') return 'match';
  return now.terms[0] ? now.terms[0].id : '';
}

/** The cups of a set among which is chosen. */
const choosable = (flight) => flight.cups.filter((c) => c !== flight.reference);

/** What names a question: one term of one steep of one cup, or one of a set. */
function questionOf(now, flight, cup, steep, term) {
  if (isChoice(now)) return `set/${flight.number}/${term}`;
  if (now.kind === 'ranking' || term === 'guess' || term === 'guess-sure') return `${cup}//${term}`;
  return `${cup}/${steep ?? 1}/${term}`;
}

/** Whether handing in without an answer leaves a gap: ticks and faults count as absent then, notes are free. */
const leavesGap = (term) => ['line', 'bipolar', 'ordered', 'nominal'].includes(term.scale.kind);

/** Whether a term asks for mustiness or mould. */
function asksForMould(term) {
  if (term.scale.kind !== 'fault') return false;
  const text = [term.id, term.label.en ?? '', term.label.zh ?? ''].join(' ').toLowerCase();
  return ['musty', 'mould', 'mold', '霉'].some((w) => text.includes(w));
}

function recipeLines(now) {
  const r = now.recipe;
  const lines = [said(r.label)];
  lines.push([`${r.leaf_g} g ${word('leaf')}`, `${r.water_ml} ml ${word('water')}`, `${r.water_c} °C`].join(' · '));
  const times = r.steeps_s.map((s) => lasting(s)).join(' · ');
  lines.push(`${r.rinse_s ? `${word('rinse')} ${lasting(r.rinse_s)} · ` : ''}${word('steep')} ${times}`);
  if (r.vessel) lines.push(said(r.vessel));
  if (r.water) lines.push(`${word('water')}${word('colon')}${said(r.water)}`);
  return lines;
}

/** The recipe, and the timer of a steep that the taster may start. */
function recipeFold(page, flight, steep) {
  const length = page.now.recipe.steeps_s[(steep ?? 1) - 1];
  const fold = el('details', { class: 'recipe' },
    el('summary', null, word('recipe'), length ? ` · ${word('steep_n', steep ?? 1)}${word('comma')}${lasting(length)}` : null),
    recipeLines(page.now).map((line) => el('p', null, line)));
  const running = page.timer && page.timer.by === 'taster';
  if (length && !running && page.open) {
    fold.append(el('button', { type: 'button', class: 'quiet', onclick: () => page.startTimer(flight.number, steep ?? 1, length) },
      word('timer_start', clock(length))));
  }
  return fold;
}

function startScreen(page, screen) {
  const flight = page.flight(screen.f);
  const first = page.now.flights[0] === flight;
  return [
    el('h1', { tabindex: '-1' }, word('flight_n', flight.number)),
    el('p', { class: 'pale' }, [page.now.name, page.now.session, page.now.session.startsWith(flight.day) ? '' : flight.day].filter(Boolean).join(' · ')),
    flight.warm_up ? el('section', { class: 'warm' }, el('h2', null, word('warm_up')),
      el('p', { class: 'code' }, String(flight.warm_up)), el('p', null, word('warm_up_why'))) : null,
    page.now.kind === 'profile' ? [el('h2', null, word('order')),
      el('ol', { class: 'order' }, flight.cups.map((c) => el('li', null, String(c))))] : null,
    first ? page.mind() : null,
    recipeFold(page, flight, 1),
  ];
}

function place(page, flight, screen) {
  const at = flight.cups.indexOf(screen.cup) + 1;
  const parts = [word('flight_n', flight.number), word('cup_of', at, flight.cups.length)];
  if (page.now.n_steeps > 1) parts.push(word('steep_of', screen.steep, page.now.n_steeps));
  return parts.join(' · ');
}

/** One term of one cup: its name, its scale, and more on it one tap away. */
function termCard(page, flight, cup, steep, term) {
  const name = said(term.label);
  const question = questionOf(page.now, flight, cup, steep, term.id);
  const answer = page.answer(question);
  const card = el('div', { class: 'term', 'data-q': question });
  const tag = el('span', { class: 'tag' });
  const tell = (value, state = 'scored') => {
    if (value === null && state === 'scored') page.takeBack(flight, cup, steep, term.id, question);
    else page.put(flight, cup, steep, term.id, state, value);
    settle();
    if (asksForMould(term) && state === 'scored' && Number(value) >= 1) page.stopFor(question);
  };
  const control = scaleOf(term, name, answer, tell);
  const fold = el('div', { class: 'more', id: `more-${page.count()}`, hidden: true });
  const open = el('button', { type: 'button', class: 'quiet small', 'aria-expanded': 'false', 'aria-controls': fold.id,
    'aria-label': word('more_on', name), onclick: () => {
      fold.hidden = !fold.hidden;
      open.setAttribute('aria-expanded', String(!fold.hidden));
      if (!fold.hidden) fill();
    } }, word('more'));
  function fill() {
    const is = page.answer(question);
    const act = (text, doing) => el('button', { type: 'button', class: 'quiet', onclick: () => { doing(); page.redraw(question); } }, text);
    const meaning = said(term.definition), known = said(term.reference);
    fold.replaceChildren(...[
      el('p', null, meaning ? `${word('meaning')}${word('colon')}${meaning}` : word('no_meaning')),
      known ? el('p', null, `${word('reference')}${word('colon')}${known}`) : null,
      page.open ? el('p', { class: 'acts' },
        act(word('decline'), () => tell(null, 'declined')),
        act(word('mark_lost'), () => tell(null, 'lost')),
        is && is.state === 'scored' ? act(page.keeper.unsent(question) ? word('clear') : word('take_back'), () => tell(null)) : null) : null,
    ].filter(Boolean));
  }
  function settle() {
    const is = page.answer(question);
    tag.textContent = is && is.state !== 'scored' ? word(is.state) : '';
    card.classList.toggle('given', Boolean(is));
  }
  settle();
  if (term.scale.kind === 'tick') card.append(el('div', { class: 'head' }, control, tag, open), fold);
  else card.append(el('div', { class: 'head' }, el('h3', null, name), tag, open), control, fold);
  const wrong = page.keeper.refused.find((i) => i.question === question);
  if (wrong) card.append(refusal(page, wrong));
  return card;
}

/** Why an answer was not taken, in the desk's words. */
function refusal(page, item) {
  const of = (lang === 'zh' && item.wrong?.zh) || item.wrong || {};
  const { cup, flight, term } = item.body;
  const ofWhat = term ? word('answer_of', page.termName(term), cup) : cup ? `${word('hand_in_cup')}${word('colon')}${cup}` : word('hand_in_flight', flight);
  return el('div', { class: 'wrong', role: 'alert' },
    el('p', null, el('b', null, word('refused_title')), ` · ${ofWhat}`),
    of.found ? el('p', null, `${word('refused_found')}${word('colon')}${of.found}`) : null,
    of.expected ? el('p', null, `${word('refused_expected')}${word('colon')}${of.expected}`) : null,
    of.mend ? el('p', null, `${word('refused_mend')}${word('colon')}${of.mend}`) : null,
    el('button', { type: 'button', class: 'quiet', onclick: () => page.keeper.discard(item.entry).then(() => page.redraw()) }, word('discard')));
}

function cupScreen(page, screen) {
  const flight = page.flight(screen.f);
  const { cup, steep } = screen;
  const out = [
    el('p', { class: 'pale place' }, place(page, flight, screen)),
    el('h1', { tabindex: '-1', class: 'code', 'aria-label': `${word('cup')} ${cup}` }, String(cup)),
    recipeFold(page, flight, steep),
  ];
  const musty = page.now.terms.some((t) => asksForMould(t) && Number((page.answer(questionOf(page.now, flight, cup, steep, t.id)) ?? {}).value) >= 1);
  if (musty) out.push(el('p', { class: 'wrong big' }, word('stop_text')));
  let family = null, section = null;
  for (const term of page.now.terms) {
    if (term.family !== family || !section) {
      family = term.family;
      const of = page.now.families.find((x) => x.id === family);
      section = el('section', { class: 'family' }, el('h2', null, of ? said(of.label) : family));
      out.push(section);
    }
    section.append(termCard(page, flight, cup, steep, term));
  }
  if (page.now.settings.guess && steep === Math.max(1, page.now.n_steeps)) out.push(guessPart(page, flight, cup));
  if (page.open) {
    const rest = (state) => {
      const lines = page.now.terms.filter((t) => t.scale.kind !== 'note' && !page.given(questionOf(page.now, flight, cup, steep, t.id)));
      page.putAll(lines.map((t) => ({ flight, cup, steep, term: t.id, state, value: null })));
      page.redraw();
    };
    out.push(el('section', { class: 'whole' }, el('h2', null, word('whole_cup')),
      el('p', { class: 'acts' },
        el('button', { type: 'button', class: 'quiet', onclick: () => rest('declined') }, word('decline_cup')),
        el('button', { type: 'button', class: 'quiet', onclick: () => rest('lost') }, word('lose_cup'))),
      el('p', { class: 'hint' }, word('cup_only'))));
  }
  return out;
}

/** How sure somebody is of a guess or a choice. */
function surePart(page, flight, cup, level) {
  const question = questionOf(page.now, flight, cup, null, 'guess-sure');
  return el('div', { class: 'term' }, el(level, null, word('sure_q')),
    choiceScale(null, word('sure_q'), page.answer(question), (v) => page.put(flight, cup, null, 'guess-sure', 'scored', v),
      [{ id: '1', text: word('sure') }, { id: '0', text: word('unsure') }], 'ordered'));
}

function guessPart(page, flight, cup) {
  const question = questionOf(page.now, flight, cup, null, 'guess');
  const answer = page.answer(question);
  const id = `guess-${page.count()}`;
  const input = el('input', { id, autocomplete: 'off', autocapitalize: 'off', spellcheck: 'false', 'aria-describedby': `${id}-hint`,
    onchange: () => {
      const text = input.value.trim();
      if (text) page.put(flight, cup, null, 'guess', 'scored', text);
      else page.takeBack(flight, cup, null, 'guess', question);
    } });
  input.value = answer && answer.state === 'scored' ? answer.value : '';
  const wrong = page.keeper.refused.find((i) => i.question === question);
  return el('section', { class: 'family' }, el('h2', null, el('label', { for: id }, word('guess'))),
    input, el('span', { class: 'hint', id: `${id}-hint` }, word('guess_hint')), wrong ? refusal(page, wrong) : null, surePart(page, flight, cup, 'h3'));
}

/** Triangle, duo-trio and paired comparison: one cup is chosen. */
function chooseScreen(page, screen) {
  const flight = page.flight(screen.f);
  const term = choiceTerm(page.now);
  const cups = choosable(flight);
  const question = questionOf(page.now, flight, null, null, term);
  const answer = page.answer(question);
  const asked = page.termName(term);
  const task = { triangle: word('ask_triangle'), 'duo-trio': word('ask_match'), paired: word('ask_paired', asked) }[page.now.kind];
  const group = `set-${page.count()}`;
  const chosen = answer && answer.state === 'scored' ? Number(answer.cup) : null;
  const all = flight.reference && !flight.cups.includes(flight.reference) ? [flight.reference, ...flight.cups] : flight.cups;
  const row = all.map((cup) => (cup === flight.reference
    ? el('div', { class: 'set-cup fixed' }, el('span', { class: 'code' }, String(cup)), el('span', null, word('reference_cup')))
    : el('label', { class: 'set-cup' },
      el('input', { type: 'radio', name: group, value: String(cup), checked: chosen === cup,
        onchange: () => { page.put(flight, cup, null, term, 'scored', '1'); page.redraw(); } }),
      el('span', { class: 'code' }, String(cup)))));
  const say = (state) => { page.put(flight, cups[0], null, term, state, null); page.redraw(); };
  const wrong = page.keeper.refused.find((i) => i.question === question);
  return [
    el('p', { class: 'pale place' }, word('flight_n', flight.number)),
    el('h1', { tabindex: '-1', class: 'task' }, task),
    el('div', { class: 'set', role: 'radiogroup', 'aria-label': task }, row),
    wrong ? refusal(page, wrong) : null,
    el('p', null, word('cannot_tell')),
    surePart(page, flight, cups[0], 'h2'),
    answer && answer.state !== 'scored' ? el('p', { class: 'tag' }, word(answer.state)) : null,
    page.open ? el('p', { class: 'acts' },
      el('button', { type: 'button', class: 'quiet', onclick: () => say('declined') }, word('decline_set')),
      el('button', { type: 'button', class: 'quiet', onclick: () => say('lost') }, word('lose_set'))) : null,
    recipeFold(page, flight, 1),
  ];
}

/** The cups of a flight put in order by a term. */
function rankScreen(page, screen) {
  const flight = page.flight(screen.f);
  const term = page.now.terms.find((t) => t.id === screen.term);
  const name = said(term.label);
  const ask = (cup) => questionOf(page.now, flight, cup, null, term.id);
  const out = [
    el('p', { class: 'pale place' }, word('flight_n', flight.number)),
    el('h1', { tabindex: '-1', class: 'task' }, word(page.now.ties ? 'ask_rank_ties' : 'ask_rank', name)),
  ];
  out.push(page.now.ties ? rankWithTies(page, flight, term, ask) : rankByTaps(page, flight, term, ask));
  const meaning = said(term.definition);
  if (meaning) out.push(el('p', { class: 'hint' }, `${word('meaning')}${word('colon')}${meaning}`));
  page.keeper.refused.filter((i) => flight.cups.some((c) => ask(c) === i.question)).forEach((i) => out.push(refusal(page, i)));
  out.push(recipeFold(page, flight, 1));
  return out;
}

function rankWithTies(page, flight, term, ask) {
  const rows = flight.cups.map((cup) => {
    const answer = page.answer(ask(cup));
    const levels = flight.cups.map((_, i) => ({ id: String(i + 1), text: String(i + 1) }));
    return el('div', { class: 'term' },
      el('div', { class: 'head' }, el('h2', { class: 'code' }, String(cup)),
        el('span', { class: 'tag' }, answer && answer.state !== 'scored' ? word(answer.state) : ''),
        el('button', { type: 'button', class: 'quiet small', onclick: () => { page.put(flight, cup, null, term.id, 'declined', null); page.redraw(); } }, word('decline'))),
      choiceScale(term, `${word('rank')}${word('colon')}${cup}`, answer, (v) => { page.put(flight, cup, null, term.id, 'scored', v); }, levels, 'ordered'));
  });
  return el('div', null, rows);
}

/** An order as it was left: unfinished on this phone, or as it is saved. */
function orderOf(page, flight, term, ask) {
  const kept = page.keeper.drafts.get(`rank/${flight.number}/${term.id}`);
  if (kept) return { order: [...kept.order], declined: [...kept.declined] };
  const of = (cup) => page.answer(ask(cup));
  const order = flight.cups.filter((c) => of(c) && of(c).state === 'scored').sort((a, b) => Number(of(a).value) - Number(of(b).value));
  return { order, declined: flight.cups.filter((c) => of(c) && of(c).state !== 'scored') };
}

function rankByTaps(page, flight, term, ask) {
  const key = `rank/${flight.number}/${term.id}`;
  const now = orderOf(page, flight, term, ask);
  const keep = (order, declined) => {
    if (order.length + declined.length < flight.cups.length) {
      page.keeper.draft(key, { order, declined }).then(() => page.redraw());
      return;
    }
    const lines = flight.cups.map((cup) => {
      const rank = order.indexOf(cup);
      return { flight, cup, steep: null, term: term.id, state: rank < 0 ? 'declined' : 'scored', value: rank < 0 ? null : String(rank + 1) };
    }).filter((line) => {
      const is = page.answer(ask(line.cup));
      return !is || is.refused || is.state !== line.state || (line.value !== null && String(is.value) !== line.value);
    });
    page.keeper.draft(key, null);
    page.putAll(lines);
    page.redraw();
  };
  const without = (list, cup) => list.filter((c) => c !== cup);
  const rows = flight.cups.map((cup) => {
    const rank = now.order.indexOf(cup) + 1;
    const said_ = now.declined.includes(cup) ? word('declined') : rank ? word('rank_n', rank) : word('no_rank');
    const tap = () => keep(rank ? without(now.order, cup) : [...now.order, cup], without(now.declined, cup));
    const decline = () => keep(without(now.order, cup), [...without(now.declined, cup), cup]);
    return el('li', null,
      el('button', { type: 'button', class: rank ? 'rank-cup ranked' : 'rank-cup', 'aria-pressed': String(rank > 0), 'aria-label': `${word('cup')} ${cup}: ${said_}`, 'data-q': `tap-${cup}`, onclick: tap },
        el('span', { class: 'code' }, String(cup)), el('span', { class: 'rank' }, rank ? String(rank) : '–')),
      now.declined.includes(cup) ? el('span', { class: 'tag' }, word('declined'))
        : el('button', { type: 'button', class: 'quiet small', 'aria-label': `${word('decline')}${word('colon')}${cup}`, onclick: decline }, word('decline')));
  });
  const open = now.order.length + now.declined.length < flight.cups.length;
  return el('div', null, el('ul', { class: 'ranks' }, rows),
    el('p', { class: 'acts' }, el('button', { type: 'button', class: 'quiet', onclick: () => keep([], []) }, word('start_over'))),
    open && now.order.length ? el('p', { class: 'hint', role: 'status' }, word('rank_open')) : null);
}

/** What a screen's flight, or one of its cups, still lacks: [{key of the screen, name, terms}]. */
function missingOf(page, flight, onlyCup) {
  const gaps = [];
  for (const screen of page.screens.filter((s) => s.f === flight.number)) {
    let lacks = [];
    if (screen.t === 'cup' && (!onlyCup || screen.cup === onlyCup)) {
      lacks = page.now.terms.filter((t) => leavesGap(t) && !page.given(questionOf(page.now, flight, screen.cup, screen.steep, t.id))).map((t) => said(t.label));
    } else if (screen.t === 'rank') {
      lacks = flight.cups.filter((c) => !page.given(questionOf(page.now, flight, c, null, screen.term))
        || page.keeper.drafts.has(`rank/${flight.number}/${screen.term}`)).map(String);
    } else if (screen.t === 'choose' && !page.given(questionOf(page.now, flight, null, null, choiceTerm(page.now)))) {
      lacks = choosable(flight).map(String);
    }
    if (!lacks.length || page.locked(screen)) continue;
    const steep = page.now.n_steeps > 1 && screen.steep ? ` · ${word('steep_n', screen.steep)}` : '';
    gaps.push({ key: screen.key, name: screen.cup ? `${screen.cup}${steep}` : screen.term ? page.termName(screen.term) : word('flight_n', flight.number), lacks });
  }
  return gaps;
}

/** Whether anything at all is answered of a flight or of one of its cups: otherwise it is not handed in. */
function anything(page, flight, onlyCup) {
  const cups = onlyCup ? [onlyCup] : flight.cups;
  return [...page.answers.values()].some((a) => cups.includes(a.cup) && !a.late && (!a.refused || a.under) && a.term !== 'guess' && a.term !== 'guess-sure');
}

/** The end of a flight, or of a cup where cups are handed in singly. */
function endScreen(page, screen) {
  const flight = page.flight(screen.f);
  const cup = screen.t === 'check' ? screen.cup : null;
  const title = cup ? `${word('hand_in_cup')}${word('colon')}${cup}` : word('end_of', flight.number);
  const gaps = missingOf(page, flight, cup);
  const sets = page.now.kind !== 'profile';
  const wrong = page.keeper.refused.filter((i) => i.what === 'hand-in');
  return [
    el('h1', { tabindex: '-1' }, title),
    wrong.map((i) => refusal(page, i)),
    gaps.length ? [el('h2', null, word('missing')), el('ul', { class: 'gaps' }, gaps.map((g) => el('li', null,
      el('button', { type: 'button', class: 'quiet', onclick: () => page.go(g.key) }, word('go_to', ` ${g.name}`).replace(/ {2,}/g, ' ')),
      el('span', null, g.lacks.join(lang === 'zh' ? '、' : ', '))))),
    el('p', null, word(sets ? 'missing_set' : anything(page, flight, cup) ? 'missing_why' : 'nothing_yet'))]
      : el('p', { class: 'told' }, word('nothing_missing')),
    sets ? null : el('p', null, word(page.now.terms.some(leavesGap) ? 'zeros' : 'zeros_all')),
    el('p', null, word(cup ? 'no_way_back_cup' : 'no_way_back')),
  ];
}

function doneScreen(page) {
  const waits = page.keeper.waiting.length > 0;
  return [el('h1', { tabindex: '-1' }, word('done')), el('p', null, word('done_why')), waits ? el('p', { class: 'wrong' }, word('done_waiting')) : null,
    page.now.key_digest ? el('p', { class: 'hint' }, `${word('sealed')}${word('colon')}${page.now.key_digest}`) : null];
}
