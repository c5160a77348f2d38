// Timers of steeps and rests: a visible count, a sound after the first tap, and a buzz where the phone can.
'use strict';

class Bell {
  constructor() {
    this.sound = null;
    // A browser lets a page sound only after a tap or a key.
    for (const kind of ['pointerup', 'keydown']) addEventListener(kind, () => this.wake());
  }

  wake() {
    try {
      this.sound ??= new AudioContext();
      if (this.sound.state === 'suspended') this.sound.resume();
    } catch { /* no sound here */ }
  }

  get mute() { return !this.sound || this.sound.state !== 'running'; }

  ring() {
    if (navigator.vibrate && navigator.userActivation?.hasBeenActive) navigator.vibrate([250, 120, 250, 120, 250]);
    if (this.mute) return;
    const start = this.sound.currentTime;
    [0, 0.4, 0.8].forEach((at) => {
      const tone = this.sound.createOscillator(), level = this.sound.createGain();
      tone.frequency.value = 880;
      level.gain.setValueAtTime(0.0001, start + at);
      level.gain.exponentialRampToValueAtTime(0.4, start + at + 0.02);
      level.gain.exponentialRampToValueAtTime(0.0001, start + at + 0.3);
      tone.connect(level).connect(this.sound.destination);
      tone.start(start + at);
      tone.stop(start + at + 0.32);
    });
  }
}

/** A timer that runs down: by the host or the taster for a steep, or a rest between cups. */
class Countdown {
  constructor({ flight, steep, seconds, left, by }) {
    Object.assign(this, { flight, steep, seconds, by });
    this.end = performance.now() + left * 1000;
    this.rung = left <= 0;
  }

  get left() { return (this.end - performance.now()) / 1000; }

  /** Whether it is the same as one that the desk tells of. */
  is(told) {
    return Boolean(told) && told.flight === this.flight && told.steep === this.steep && told.by === this.by
      && told.seconds === this.seconds && Math.abs(told.left - this.left) < 3;
  }
}
