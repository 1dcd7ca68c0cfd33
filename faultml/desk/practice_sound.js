// The sounds of practice, made in the browser. Two timbres at one pitch and one effective level say which way the wrist left the
// window; inside it is silent. `document.body.dataset.sound` says what sounds now, for whoever cannot hear it, such as a test.
window.practiceSound ??= (() => {
  // One pitch; a triangle and a sawtooth of one height have the same effective level.
  const PITCH_HZ = 440, LEVEL = 0.25, RAMP_S = 0.008, LONGEST_S = 6, TIMBRES = { above: 'sawtooth', below: 'triangle' };
  let context = null, sounding = null, mute = false;
  const say = what => { document.body.dataset.sound = what; };
  const tone = (type, hertz, from, length) => {
    const source = context.createOscillator(), gain = context.createGain();
    source.type = type;
    source.frequency.value = hertz;
    gain.gain.setValueAtTime(0, from);
    gain.gain.linearRampToValueAtTime(LEVEL, from + RAMP_S);
    gain.gain.setValueAtTime(LEVEL, from + length - RAMP_S);
    gain.gain.linearRampToValueAtTime(0, from + length);
    source.connect(gain).connect(context.destination);
    source.start(from);
    source.stop(from + length);
    return { source, gain };
  };
  const end = () => {
    if (!sounding) return;
    const { source, gain } = sounding, now = context.currentTime;
    gain.gain.cancelScheduledValues(now);
    gain.gain.setTargetAtTime(0, now, RAMP_S / 2);
    source.stop(now + 4 * RAMP_S);
    sounding = null;
  };
  return {
    // A browser makes no sound before somebody has pressed something in the page.
    wake() { context ??= new AudioContext({ latencyHint: 'interactive' }); context.resume(); },
    setMute(on) { mute = on; if (on) this.off(); },
    cue(direction) {
      document.body.dataset.soundAt = String(performance.timeOrigin + performance.now());
      say(direction);
      if (!context || mute) return;
      end();
      // It ends by itself where the connection is lost.
      sounding = tone(TIMBRES[direction], PITCH_HZ, context.currentTime, LONGEST_S);
    },
    off() { say(''); if (context) end(); },
    stop() {
      this.off();
      say('stop');
      if (!context || mute) return;
      for (const at of [0, 0.22, 0.44]) tone('square', 2 * PITCH_HZ, context.currentTime + at, 0.14);
    },
  };
})();
