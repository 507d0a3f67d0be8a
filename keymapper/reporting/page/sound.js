"use strict";
// Where the sound of the page comes from, and the voices it is played with.
// Samples: files the user chose, else a server's, else what is embedded, else the file on disk.
const Sound = (() => {
  const data = JSON.parse(document.getElementById("sound").textContent);
  const served = location.protocol.startsWith("http");
  const MOST_VOICES = 24, FADE_SECONDS = 0.008, END_SECONDS = 0.03;
  const JOIN_SECONDS = 0.6, PAUSE_SECONDS = 0.35, ROUNDS = 3;
  const TIME_CONSTANTS = 7.9; // 69 dB, what players fall by over a release
  const events = { say() {}, sounding() {} };
  const buffers = new Map(), chosenFiles = new Map(), voices = new Set(), turns = new Map();
  let context, master, analyser, volumeDb = -60, fallback = null, rounds = [];

  const ratio = (decibels) => 10 ** (decibels / 20);
  const address = (path) => path.split("/").map(encodeURIComponent).join("/");
  const fileName = (path) => path.split("/").pop();

  function audio() {
    if (!context) {
      context = new AudioContext();
      master = new GainNode(context, { gain: ratio(volumeDb) });
      analyser = new AnalyserNode(context, { fftSize: 2048 });
      master.connect(analyser).connect(context.destination);
    }
    if (context.state === "suspended") context.resume();
    return context;
  }

  function setVolume(decibels) {
    volumeDb = decibels;
    if (master) master.gain.setTargetAtTime(ratio(decibels), context.currentTime, 0.02);
    if (fallback) fallback.player.volume = ratio(decibels);
  }

  // ---- Samples ---------------------------------------------------------------------------------
  async function encoded(note) {
    const file = chosenFiles.get(fileName(note.sample));
    if (file) return { bytes: await file.arrayBuffer(), whole: true };
    if (served) {
      const answer = await fetch(address(note.sample)).catch(() => null);
      if (answer && answer.ok) return { bytes: await answer.arrayBuffer(), whole: true };
    }
    if (!note.preview) return null;
    const text = atob(note.preview.flac);
    return { bytes: Uint8Array.from(text, (c) => c.charCodeAt(0)).buffer, whole: false };
  }

  // Decoded at the sample's own rate, so that loop points stay whole frames.
  function sample(index) {
    if (!buffers.has(index)) {
      const note = data.notes[index];
      buffers.set(index, encoded(note).then(async (found) => {
        if (!found) return null;
        const decoder = new OfflineAudioContext(1, 1, note.rate);
        return { buffer: await decoder.decodeAudioData(found.bytes), whole: found.whole };
      }).catch(() => null));
    }
    return buffers.get(index);
  }

  function chooseFiles(files) {
    for (const file of files) chosenFiles.set(file.name, file);
    buffers.clear();
    return data.notes.filter((note) => chosenFiles.has(fileName(note.sample))).length;
  }

  const isShortened = (note) =>
    !served && !chosenFiles.has(fileName(note.sample)) && Boolean(note.preview?.shortened);

  function loopSeconds(zone, whole) {
    const note = data.notes[zone.note];
    const frames = whole || !note.preview ? zone.loop : note.preview.loop;
    return frames && frames[1] > frames[0] ? frames.map((frame) => frame / note.rate) : null;
  }

  // ---- Gain, pitch, place ----------------------------------------------------------------------
  const rateOf = (zone, key) => 2 ** ((key - zone.root) / 12 + zone.cents / 1200);

  function curveGain(points, velocity) {
    let before = points[0];
    for (const point of points) {
      if (point[0] >= velocity) {
        if (point[0] === before[0]) return ratio(point[1]);
        const way = (velocity - before[0]) / (point[0] - before[0]);
        return ratio(before[1]) * (1 - way) + ratio(point[1]) * way;
      }
      before = point;
    }
    return ratio(before[1]);
  }

  function fadeGain(fade, velocity) {
    if (!fade) return 1;
    const [inLow, inHigh, outLow, outHigh] = fade;
    const share = (value) => Math.sqrt(Math.min(Math.max(value, 0), 1));
    let gain = 1;
    if (inHigh > inLow) gain *= share((velocity - inLow) / (inHigh - inLow));
    if (outHigh > outLow) gain *= share((outHigh - velocity) / (outHigh - outLow));
    return gain;
  }

  function zoneGain(zone, velocity) {
    const gain = ratio(zone.gainDb) * fadeGain(zone.fade, velocity);
    if (zone.tracking === "none") return gain;
    return gain * (zone.curve.length ? curveGain(zone.curve, velocity) : (velocity / 127) ** 2);
  }

  // Equal power, 1 and 1 in the middle.
  function placed(node, pan) {
    if (!pan) return node;
    const both = new GainNode(context, { channelCount: 2, channelCountMode: "explicit" });
    const split = new ChannelSplitterNode(context, { numberOfOutputs: 2 });
    const merge = new ChannelMergerNode(context, { numberOfInputs: 2 });
    const angle = Math.PI / 4 * (1 + pan / 100);
    [Math.cos(angle), Math.sin(angle)].forEach((gain, side) =>
      split.connect(new GainNode(context, { gain: Math.SQRT2 * gain }), side)
        .connect(merge, 0, side));
    node.connect(both).connect(split);
    return merge;
  }

  // ---- Voices ----------------------------------------------------------------------------------
  function keep(voice) {
    voices.add(voice);
    voice.source.onended = () => { voices.delete(voice); voice.end.disconnect(); };
    if (voices.size > MOST_VOICES) release(voices.values().next().value, 0.02);
    events.sounding();
    return voice;
  }

  function start(zone, found, key, velocity) {
    const now = context.currentTime, gain = zoneGain(zone, velocity);
    const source = new AudioBufferSourceNode(context, { buffer: found.buffer });
    source.playbackRate.value = rateOf(zone, key);
    const loop = zone.mode === "loop_continuous" && loopSeconds(zone, found.whole);
    if (loop) {
      source.loop = true;
      [source.loopStart, source.loopEnd] = loop;
    }
    const level = new GainNode(context, { gain }), end = new GainNode(context);
    if (zone.decay > 0) {
      level.gain.setValueAtTime(gain, now + zone.hold);
      level.gain.exponentialRampToValueAtTime(gain * 1e-4, now + zone.hold + 80 / zone.decay);
    }
    source.connect(level).connect(end);
    placed(end, zone.pan).connect(master);
    source.start(now);
    return keep({ zone, source, end, over: false });
  }

  function release(voice, seconds) {
    if (voice.over) return;
    voice.over = true;
    const now = context.currentTime, time = Math.max(seconds, 0.005);
    voice.end.gain.cancelScheduledValues(now);
    voice.end.gain.setTargetAtTime(0, now, time / TIME_CONSTANTS);
    voice.source.stop(now + time);
  }

  const sounding = (instrument, trigger, key, velocity) => data.zones.filter((zone) =>
    zone.instrument === instrument && zone.trigger === trigger &&
    zone.keys[0] <= key && key <= zone.keys[1] &&
    zone.velocities[0] <= velocity && velocity <= zone.velocities[1]);

  // Starts what a key plays; gives back a handle for letting it go. `turn` picks a round robin.
  function press({ instrument, key, velocity, turn }) {
    audio();
    const place = `${instrument}/${key}`, count = turns.get(place) || 0;
    turns.set(place, count + 1);
    const zones = sounding(instrument, "attack", key, velocity)
      .filter((zone) => zone.turn[0] === (turn || count % zone.turn[1] + 1));
    const handle = { instrument, key, velocity, zones, voices: [], over: false };
    for (const zone of zones) {
      for (const voice of voices) {
        if (zone.choke && voice.zone.choke === zone.choke && !handle.voices.includes(voice)) {
          release(voice, voice.zone.release);
        }
      }
      sample(zone.note).then((found) => {
        if (!found) playBeside(zone, handle);
        else if (!handle.over || zone.mode === "one_shot") {
          handle.voices.push(start(zone, found, key, velocity));
        }
      });
    }
    return handle;
  }

  function letGo(handle) {
    if (!handle || handle.over) return;
    handle.over = true;
    if (fallback && fallback.handle === handle && !fallback.playsOut) fallback.player.pause();
    for (const voice of handle.voices) {
      if (voice.zone.mode !== "one_shot") release(voice, voice.zone.release);
    }
    for (const zone of sounding(handle.instrument, "release", handle.key, handle.velocity)) {
      sample(zone.note).then((found) => found && start(zone, found, handle.key, handle.velocity));
    }
  }

  // Without an embedded preview a page on disk can only play the file beside it, unlooped.
  function playBeside(zone, handle) {
    if (fallback) fallback.player.pause();
    const player = new Audio(address(data.notes[zone.note].sample));
    player.preservesPitch = false;
    player.playbackRate = Math.min(Math.max(rateOf(zone, handle.key), 0.0625), 16);
    player.volume = Math.min(ratio(volumeDb), 1);
    fallback = { player, handle, playsOut: zone.mode === "one_shot" };
    if (handle.over) return;
    player.play().catch((error) => error.name === "NotSupportedError" &&
      events.say("The sample beside this page is missing."));
  }

  // Only the join of a loop, with what comes before and after it, three times.
  async function repeatJoin(index) {
    silence();
    audio();
    const zone = data.zones.find((one) => one.note === index && one.loop);
    const found = zone && await sample(index);
    const loop = found && loopSeconds(zone, found.whole);
    if (!loop) return events.say("The join needs an embedded preview, or the samples' folder.");
    const rate = 2 ** (zone.cents / 1200), before = Math.min(JOIN_SECONDS, loop[1]) / rate;
    const length = before + JOIN_SECONDS, gain = ratio(zone.gainDb);
    for (let round = 0; round < ROUNDS; round++) {
      const from = context.currentTime + 0.05 + round * (length + PAUSE_SECONDS);
      const source = new AudioBufferSourceNode(context, {
        buffer: found.buffer, loop: true, loopStart: loop[0], loopEnd: loop[1], playbackRate: rate,
      });
      const level = new GainNode(context, { gain: 0 }), end = new GainNode(context);
      level.gain.setValueAtTime(0, from);
      level.gain.linearRampToValueAtTime(gain, from + FADE_SECONDS);
      level.gain.setValueAtTime(gain, from + length - END_SECONDS);
      level.gain.linearRampToValueAtTime(0, from + length);
      source.connect(level).connect(end).connect(master);
      source.start(from, loop[1] - before * rate);
      source.stop(from + length);
      keep({ zone, source, end, over: false });
      const words = `Join of ${data.notes[index].name}, round ${round + 1} of ${ROUNDS}`;
      rounds.push(setTimeout(() => events.say(words), 1000 * (from - context.currentTime)));
    }
  }

  function silence() {
    rounds.forEach(clearTimeout);
    rounds = [];
    for (const voice of [...voices]) {
      voice.over = false;
      release(voice, 0.06);
    }
    if (fallback) fallback.player.pause();
  }

  return { data, served, events, press, letGo, repeatJoin, silence, setVolume, chooseFiles,
    isShortened, isSounding: () => voices.size > 0, analyser: () => analyser };
})();
