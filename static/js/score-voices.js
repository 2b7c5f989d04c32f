// Sound for planned notes and clicks in any audio context: recorded notes of a piano where they are there, a plain tone otherwise.
// Everything is given its moment on the context's own clock, so that nothing here waits and nothing drifts.
"use strict";

(() => {
  // Loudness of one note. A dozen recorded notes at once stay below what a loudspeaker can take: the loudest recording has a peak of 0.55.
  const NOTE_GAIN = 0.32;
  const TONE_GAIN = 0.22;
  const CLICK_GAIN = 0.3;
  // Seconds in which a damped string dies away; shorter clicks, longer blurs quick notes.
  const DAMPING_S = 0.09;
  // Above this key a piano has no dampers (the sixth F sharp and higher, in round figures).
  const UNDAMPED_FROM = 90;
  // The longest that is kept of a recording, in seconds: a string has all but died away then, and a phone has little memory.
  const MOST_KEPT_S = 12;
  // What stands in front of the strike in a recording: where the sound first passes this part of its peak, less this many seconds.
  const STRIKE_SHARE = 0.1;
  const BEFORE_STRIKE_S = 0.001;
  // Clicks: two short tones, the first beat higher.
  const CLICK_HZ = { first: 1760, other: 1175 };
  const CLICK_S = 0.04;
  // The plain tone: strengths of its partials, rise, and seconds until it has fallen to a third (a low string sounds longer).
  const PARTIALS = [0, 1, 0.45, 0.22, 0.12, 0.06];
  const RISE_S = 0.002;

  function hertzOf(pitch) {
    return 440 * 2 ** ((pitch - 69) / 12);
  }

  // The frame from which a recording is played, so that its strike comes at once.
  function strikeOf(buffer) {
    const channels = Array.from({ length: buffer.numberOfChannels }, (_, number) => buffer.getChannelData(number));
    const frames = Math.min(buffer.length, Math.round(0.5 * buffer.sampleRate));
    let peak = 0;
    for (const samples of channels) for (let at = 0; at < frames; at += 1) peak = Math.max(peak, Math.abs(samples[at]));
    let strike = 0;
    while (strike < frames && !channels.some((samples) => Math.abs(samples[strike]) >= STRIKE_SHARE * peak)) strike += 1;
    return Math.max(0, strike - Math.round(BEFORE_STRIKE_S * buffer.sampleRate));
  }

  // A recording without what stands in front of its strike and without its long end.
  function cut(context, buffer, longest) {
    const start = strikeOf(buffer);
    const length = Math.max(1, Math.min(buffer.length - start, Math.round(Math.min(longest, MOST_KEPT_S) * buffer.sampleRate)));
    const kept = context.createBuffer(buffer.numberOfChannels, length, buffer.sampleRate);
    for (let number = 0; number < buffer.numberOfChannels; number += 1) {
      kept.copyToChannel(buffer.getChannelData(number).subarray(start, start + length), number);
    }
    return kept;
  }

  // Fetch the recordings that are nearest to these keys, and keep `longest` seconds of each. `recorded` is {key: address}. Answers a
  // Map of key to sound, empty where there are none; throws where one does not come.
  async function fetchRecordings(context, recorded, { pitches, longest }) {
    const keys = Object.keys(recorded).map(Number);
    const wanted = new Set(keys.length ? pitches.map((pitch) => nearest(keys, pitch)) : []);
    const found = await Promise.all([...wanted].map(async (key) => {
      const answer = await fetch(recorded[key], { credentials: "same-origin" });
      if (!answer.ok) throw new Error(`${recorded[key]} answered ${answer.status}`);
      return [key, cut(context, await context.decodeAudioData(await answer.arrayBuffer()), longest)];
    }));
    return new Map(found);
  }

  function nearest(keys, pitch) {
    return keys.reduce((best, key) => (Math.abs(key - pitch) < Math.abs(best - pitch) ? key : best));
  }

  // Voices in a context: hands and clicks have a loudness of their own, which may change while they sound.
  function voicesIn(context, recordings = new Map()) {
    const everything = context.createGain();
    everything.connect(context.destination);
    const buses = {};
    for (const name of ["right", "left", "either", "click", "count"]) {
      buses[name] = context.createGain();
      buses[name].connect(everything);
    }
    const wave = context.createPeriodicWave(new Float32Array(PARTIALS.length), new Float32Array(PARTIALS));
    const keys = [...recordings.keys()];
    const sounding = new Set();

    function keep(source, last) {
      sounding.add(source);
      source.addEventListener("ended", () => {
        sounding.delete(source);
        source.disconnect();
        last.disconnect();
      });
    }

    function note({ pitch, hand, at, end }) {
      const loudness = context.createGain();
      loudness.connect(buses[hand || "either"]);
      const isDamped = pitch < UNDAMPED_FROM;
      let source;
      if (keys.length) {
        const key = nearest(keys, pitch);
        source = context.createBufferSource();
        source.buffer = recordings.get(key);
        source.playbackRate.value = 2 ** ((pitch - key) / 12);
        loudness.gain.setValueAtTime(NOTE_GAIN, at);
      } else {
        source = context.createOscillator();
        source.setPeriodicWave(wave);
        source.frequency.value = hertzOf(pitch);
        loudness.gain.setValueAtTime(0, at);
        loudness.gain.linearRampToValueAtTime(TONE_GAIN, at + RISE_S);
        loudness.gain.setTargetAtTime(0, at + RISE_S, 2.4 * 2 ** ((48 - pitch) / 24));
      }
      source.connect(loudness);
      source.start(at);
      if (isDamped || !keys.length) {
        loudness.gain.setTargetAtTime(0, end, DAMPING_S / 3);
        source.stop(end + 3 * DAMPING_S);
      }
      keep(source, loudness);
    }

    function click({ at, isFirst, isCount }) {
      const loudness = context.createGain();
      loudness.connect(isCount ? buses.count : buses.click);
      const source = context.createOscillator();
      source.frequency.value = isFirst ? CLICK_HZ.first : CLICK_HZ.other;
      loudness.gain.setValueAtTime(0, at);
      loudness.gain.linearRampToValueAtTime(CLICK_GAIN * (isFirst ? 1 : 0.7), at + RISE_S / 2);
      loudness.gain.setTargetAtTime(0, at + RISE_S / 2, CLICK_S / 4);
      source.connect(loudness);
      source.start(at);
      source.stop(at + 2 * CLICK_S);
      keep(source, loudness);
    }

    // Stop whatever sounds or was going to, without a snap.
    function hush() {
      everything.gain.setTargetAtTime(0, context.currentTime, 0.01);
      for (const source of sounding) source.stop(context.currentTime + 0.06);
    }

    return { note, click, buses, hush, isRecorded: keys.length > 0 };
  }

  window.KeyslipVoices = { fetchRecordings, voicesIn };
})();
