// What the taster answered until it is on the disk of the desk: kept on the phone, sent, sent again.
'use strict';

const LETTERS = '0123456789abcdefghjkmnpqrstvwxyz';

/** The most lines in one letter. */
const MOST = 40;
/** Answers of the desk that say that it cannot read a letter. */
const SPOILT = [413, 415, 422];

/** A new entry of 80 random bits. */
function newEntry() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => LETTERS[b % 32]).join('');
}

/** A shelf on this phone: IndexedDB, or memory where the browser refuses it. */
class Shelf {
  constructor() { this.db = null; this.memory = new Map(); }

  open() {
    return new Promise((done) => {
      let asked;
      try { asked = indexedDB.open('blindsteep', 1); } catch { done(); return; }
      asked.onupgradeneeded = () => asked.result.createObjectStore('items', { keyPath: 'entry' });
      asked.onsuccess = () => { this.db = asked.result; done(); };
      asked.onerror = () => done();
      asked.onblocked = () => done();
    });
  }

  get lasting() { return this.db !== null; }

  act(mode, doing) {
    return new Promise((done, fail) => {
      try {
        const act = this.db.transaction('items', mode);
        const asked = doing(act.objectStore('items'));
        act.oncomplete = () => done(asked && asked.result);
        act.onerror = () => fail(act.error);
        act.onabort = () => fail(act.error);
      } catch (e) { fail(e); }
    });
  }

  /** Everything on the shelf, of whichever ballot. */
  async all() {
    if (!this.db) return [];
    return this.act('readonly', (items) => items.getAll()).catch(() => []);
  }

  /** Puts items on and takes entries off in one go. A phone without room goes on from memory. */
  async change(put, drop) {
    if (!this.db) return;
    await this.act('readwrite', (items) => {
      drop.forEach((entry) => items.delete(entry));
      put.forEach((item) => items.put(item));
    }).catch(() => { this.db = null; });
  }
}

/** The queue of one ballot, and the talk with the desk. */
class Keeper {
  /** @param told called whenever something changed that the page shows */
  constructor(told) {
    this.told = told;
    this.shelf = new Shelf();
    this.items = [];          // of this ballot, in the order of making; {entry, n, owner, what, body, group, state, wrong}
    this.drafts = new Map();  // orders that are not finished, by question
    this.others = 0;          // lines of other ballots that wait on this phone
    this.owner = '';
    this.token = '';
    this.offline = false;
    this.full = false;        // the desk's disk refused
    this.halted = '';         // 'taken-over', 'revealed' or 'ended': nothing more is sent
    this.unreadable = '';
    this.sending = new Set();
    this.wait = 0;            // how long until the next try, ms
    this.timer = 0;
    this.n = 0;
    this.most = MOST;
    this.ownSince = false;    // whether something of ours was saved since the last pulse
  }

  async open() { await this.shelf.open(); }

  async belongTo(owner, token) {
    this.token = token;
    if (this.owner === owner) return;
    this.owner = owner;
    const all = await this.shelf.all();
    const own = all.filter((i) => i.owner === owner);
    this.items = own.filter((i) => i.state !== 'draft').sort((a, b) => a.n - b.n);
    this.drafts = new Map(own.filter((i) => i.state === 'draft').map((i) => [i.question, i.body]));
    this.others = all.filter((i) => i.owner !== owner && i.state === 'waiting').length;
    this.n = this.items.reduce((most, i) => Math.max(most, i.n), 0);
    this.send();
  }

  get waiting() { return this.items.filter((i) => i.state === 'waiting'); }
  get refused() { return this.items.filter((i) => i.state === 'refused'); }
  get late() { return this.items.filter((i) => i.state === 'late').length; }

  /**
   * Takes lines in. One that answers a question of which an answer still waits stands in its place;
   * lines of one group travel together. `settle`: how long they may still change before they are sent, ms.
   */
  async take(lines, settle = 0) {
    const drop = [], put = [];
    const group = lines.length > 1 ? newEntry() : '';
    for (const line of lines) {
      for (const old of this.items) {
        const free = old.state === 'refused' || (old.state === 'waiting' && !this.sending.has(old.entry) && !old.sent);
        if (old.question === line.question && free) drop.push(old.entry);
      }
      if (line.body === null) continue;      // an answer that was taken back before it was sent
      const entry = newEntry();
      put.push({ entry, n: ++this.n, owner: this.owner, what: line.what, question: line.question,
        body: { entry, ...line.body }, group, state: 'waiting', sent: false, wrong: null });
    }
    this.items = this.items.filter((i) => !drop.includes(i.entry)).concat(put);
    this.told();
    await this.shelf.change(put, drop);
    this.soon(settle);
  }

  /** Whether an answer to the question is still free to be taken back without a trace. */
  unsent(question) {
    const of = this.items.filter((i) => i.question === question && i.state === 'waiting');
    return of.length > 0 && of.every((i) => !i.sent && !this.sending.has(i.entry));
  }

  /** Keeps an unfinished answer on this phone alone; null forgets it. */
  async draft(question, body) {
    const entry = `draft/${this.owner}/${question}`;
    if (body) this.drafts.set(question, body); else this.drafts.delete(question);
    const item = { entry, n: 0, owner: this.owner, what: 'draft', question, body, state: 'draft' };
    await this.shelf.change(body ? [item] : [], body ? [] : [entry]);
  }

  async discard(entry) {
    this.items = this.items.filter((i) => i.entry !== entry);
    this.told();
    await this.shelf.change([], [entry]);
  }

  soon(ms) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.send(), ms);
  }

  /** Asks the desk; null if it could not be reached. */
  async ask(path, body) {
    const stop = new AbortController();
    const patience = setTimeout(() => stop.abort(), 12000);
    try {
      const wish = { signal: stop.signal, cache: 'no-store', credentials: 'same-origin' };
      if (body !== undefined) {
        wish.method = 'POST';
        wish.headers = { 'Content-Type': 'application/json', 'X-Form': this.token };
        wish.body = JSON.stringify(body);
      }
      const answer = await fetch(path, wish);
      let json = null;
      try { json = await answer.json(); } catch { /* not ours, or cut off */ }
      this.reached(true);
      if (answer.status === 409) this.halt('taken-over');
      if (answer.status === 401) this.halt(json && json.why === 'revealed' ? 'revealed' : 'ended');
      return { status: answer.status, json };
    } catch {
      this.reached(false);
      return null;
    } finally {
      clearTimeout(patience);
    }
  }

  reached(yes) {
    if (this.offline === !yes) return;
    this.offline = !yes;
    if (yes && this.waiting.length) { this.wait = 0; this.soon(50); }
    this.told();
  }

  halt(why) {
    if (this.halted === why) return;
    this.halted = why;
    this.told();
  }

  again() {
    this.wait = Math.min(6000, Math.max(1000, this.wait * 2));
    this.soon(this.wait);
  }

  /** Sends what waits, oldest first, until all of it is answered for. */
  async send() {
    if (this.sending.size || this.halted || !this.token) return;
    const first = this.waiting[0];
    if (!first) return;
    const batch = first.what === 'hand-in' ? [first] : this.batch();
    batch.forEach((i) => { this.sending.add(i.entry); i.sent = true; });
    // That it was sent is kept before it is: after a reload it must not be changed under the same entry.
    await this.shelf.change(batch, []);
    const answer = first.what === 'hand-in'
      ? await this.ask('/ballot/hand-in', first.body)
      : await this.ask('/ballot/lines', { lines: batch.map((i) => i.body) });
    this.sending.clear();
    await this.learn(batch, answer);
  }

  /** As many waiting lines as go in one letter, up to a handing in, groups whole. */
  batch() {
    const batch = [];
    for (const item of this.waiting) {
      if (item.what === 'hand-in') break;
      if (batch.length >= this.most && (!item.group || item.group !== batch[batch.length - 1].group)) break;
      batch.push(item);
    }
    return batch;
  }

  async learn(batch, answer) {
    if (!answer || this.halted) { this.told(); if (!this.halted) this.again(); return; }
    const { status, json } = answer;
    this.full = status === 507;
    if (status === 200 && json && Array.isArray(json.results)) {
      this.wait = 0;
      this.unreadable = '';
      const put = [], drop = [];
      for (const result of json.results) {
        const item = batch.find((i) => i.entry === result.entry);
        if (!item) continue;
        if (result.outcome === 'refused') { item.state = 'refused'; item.wrong = result; put.push(item); }
        else if (result.outcome === 'late') { item.state = 'late'; put.push(item); }
        else drop.push(item.entry);
      }
      const done = batch.filter((i) => drop.includes(i.entry) || i.state === 'late');
      this.items = this.items.filter((i) => !drop.includes(i.entry));
      this.ownSince = true;
      await this.shelf.change(put, drop);
      this.told({ saved: done, results: json.results, handedIn: json.handed_in });
      if (put.length + drop.length === 0) this.again(); else if (this.waiting.length) this.soon(0);
    } else if (status === 403) {
      this.told({ stale: true });
      this.again();
    } else if (SPOILT.includes(status) && batch.length > 1 && !batch[0].group) {
      // One line spoils the letter: singly it is found.
      this.most = 1;
      this.soon(0);
    } else if (SPOILT.includes(status)) {
      this.most = MOST;
      const text = (json && json.text) || word('unreadable');
      batch.forEach((i) => { i.state = 'refused'; i.wrong = { found: text, zh: json?.zh && { found: json.zh } }; });
      await this.shelf.change(batch, []);
      this.told();
      this.soon(0);
    } else {
      this.told();
      this.again();
    }
  }
}
