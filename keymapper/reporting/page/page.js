"use strict";
(() => {
  const data = JSON.parse(document.getElementById("sound").textContent);
  const element = (name) => document.getElementById(name);
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const decibels = (value) => 10 ** (value / 20);
  const KEY_NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
  const keyName = (key) => KEY_NAMES[key % 12] + (Math.floor(key / 12) - 1);
  const FADE_SECONDS = 0.008, JOIN_SECONDS = 0.6, PAUSE_SECONDS = 0.35, MOST_VOICES = 24;

  // ---- Where sound comes from: chosen files, else a server, else the page itself --------------
  let context, master, analyser;
  const buffers = new Map(), chosenFiles = new Map();
  const served = location.protocol.startsWith("http");

  function audio() {
    if (!context) {
      context = new AudioContext();
      master = context.createGain();
      analyser = context.createAnalyser();
      analyser.fftSize = 2048;
      master.connect(analyser).connect(context.destination);
      setVolume();
    }
    if (context.state === "suspended") context.resume();
    return context;
  }

  const address = (path) => path.split("/").map(encodeURIComponent).join("/");

  async function encoded(note) {
    const file = chosenFiles.get(note.sample.split("/").pop());
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
  function sound(index) {
    if (!buffers.has(index)) {
      const note = data.notes[index];
      buffers.set(index, encoded(note).then(async (found) => {
        if (!found) return null;
        const decoder = new OfflineAudioContext(1, 1, note.rate);
        const buffer = await decoder.decodeAudioData(found.bytes);
        return { buffer, whole: found.whole };
      }).catch(() => null));
    }
    return buffers.get(index);
  }

  function loopSeconds(zone, note, whole) {
    const frames = whole || !note.preview ? zone.loop : note.preview.loop;
    return frames && frames[1] > frames[0] ? frames.map((frame) => frame / note.rate) : null;
  }

  // ---- Voices ----------------------------------------------------------------------------------
  const voices = new Set(), turns = new Map();
  let fallback = null;

  function curveGain(points, velocity) {
    let before = points[0];
    for (const point of points) {
      if (point[0] >= velocity) {
        if (point[0] === before[0]) return decibels(point[1]);
        const way = (velocity - before[0]) / (point[0] - before[0]);
        return decibels(before[1]) * (1 - way) + decibels(point[1]) * way;
      }
      before = point;
    }
    return decibels(before[1]);
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
    let gain = decibels(zone.gainDb) * fadeGain(zone.fade, velocity);
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

  const rateOf = (zone, key) => 2 ** ((key - zone.root) / 12 + zone.cents / 1200);

  function startVoice(zone, found, key, velocity) {
    const note = data.notes[zone.note], start = context.currentTime;
    const source = new AudioBufferSourceNode(context, { buffer: found.buffer });
    source.playbackRate.value = rateOf(zone, key);
    const loop = zone.mode === "loop_continuous" && loopSeconds(zone, note, found.whole);
    if (loop) {
      source.loop = true;
      [source.loopStart, source.loopEnd] = loop;
    }
    const level = new GainNode(context, { gain: zoneGain(zone, velocity) });
    const end = new GainNode(context, { gain: 1 });
    if (zone.decay > 0) {
      const fall = 80 / zone.decay;
      level.gain.setValueAtTime(level.gain.value, start + zone.hold);
      level.gain.exponentialRampToValueAtTime(level.gain.value * 1e-4, start + zone.hold + fall);
    }
    source.connect(level).connect(end);
    placed(end, zone.pan).connect(master);
    const voice = { zone, key, source, end, over: false };
    source.onended = () => { voices.delete(voice); end.disconnect(); quiet(); };
    source.start(start);
    voices.add(voice);
    if (voices.size > MOST_VOICES) release(voices.values().next().value, 0.02);
    draw();
    return voice;
  }

  function release(voice, seconds) {
    if (voice.over) return;
    voice.over = true;
    const now = context.currentTime, time = Math.max(seconds, 0.005);
    voice.end.gain.setTargetAtTime(0, now, time / 7.9);
    voice.source.stop(now + time);
  }

  let instrument = 0;
  const sounding = (trigger, key, velocity) => data.zones.filter((zone) =>
    zone.instrument === instrument && zone.trigger === trigger && zone.keys[0] <= key && key <= zone.keys[1] &&
    zone.velocities[0] <= velocity && velocity <= zone.velocities[1]);

  // Starts what a key plays and returns a handle for letting it go.
  function press(key, velocity, wanted) {
    audio();
    const handle = { key, velocity, voices: [], over: false };
    const turn = turns.get(key) || 0;
    turns.set(key, turn + 1);
    const zones = sounding("attack", key, velocity).filter((zone) =>
      zone.turn[0] === (wanted || turn % zone.turn[1] + 1));
    tell(key, velocity, zones);
    for (const zone of zones) {
      for (const voice of voices) {
        if (zone.choke && voice.zone.choke === zone.choke) release(voice, voice.zone.release);
      }
      sound(zone.note).then((found) => {
        if (!found) return playBeside(zone, key, handle);
        if (handle.over && zone.mode !== "one_shot") return;
        handle.voices.push(startVoice(zone, found, key, velocity));
      });
    }
    if (zones.length) choose(zones[0].note, false);
    mark(key, true);
    return handle;
  }

  function letGo(handle) {
    if (!handle || handle.over) return;
    handle.over = true;
    mark(handle.key, false);
    if (fallback && fallback.handle === handle && !fallback.plays) fallback.player.pause();
    for (const voice of handle.voices) {
      if (voice.zone.mode !== "one_shot") release(voice, voice.zone.release);
    }
    for (const zone of sounding("release", handle.key, handle.velocity)) {
      sound(zone.note).then((found) =>
        found && startVoice(zone, found, handle.key, handle.velocity));
    }
  }

  // Without an embedded preview a page on disk can only play the file beside it, unlooped.
  function playBeside(zone, key, handle) {
    if (fallback) fallback.player.pause();
    const player = new Audio(address(data.notes[zone.note].sample));
    player.preservesPitch = false;
    player.playbackRate = Math.min(Math.max(rateOf(zone, key), 0.0625), 16);
    player.volume = Math.min(decibels(volumeDb()), 1);
    fallback = { player, handle, plays: zone.mode === "one_shot" };
    if (!handle.over) player.play().catch(() => say("The sample beside this page is missing."));
  }

  let rounds = [];
  async function repeatJoin(index) {
    silence();
    audio();
    const zone = data.zones.find((one) => one.note === index && one.loop);
    const found = zone && await sound(index);
    if (!found) return say("The join needs an embedded preview, or the samples' folder.");
    const loop = loopSeconds(zone, data.notes[index], found.whole);
    const rate = 2 ** (zone.cents / 1200), before = Math.min(JOIN_SECONDS, loop[1]) / rate;
    const length = before + JOIN_SECONDS;
    for (let round = 0; round < 3; round++) {
      const start = context.currentTime + 0.05 + round * (length + PAUSE_SECONDS);
      const source = new AudioBufferSourceNode(context, {
        buffer: found.buffer, loop: true, loopStart: loop[0], loopEnd: loop[1],
      });
      source.playbackRate.value = rate;
      const gain = new GainNode(context, { gain: 0 });
      gain.gain.setValueAtTime(0, start);
      gain.gain.linearRampToValueAtTime(decibels(zone.gainDb), start + FADE_SECONDS);
      gain.gain.setValueAtTime(decibels(zone.gainDb), start + length - 0.03);
      gain.gain.linearRampToValueAtTime(0, start + length);
      source.connect(gain).connect(master);
      source.start(start, loop[1] - before * rate);
      source.stop(start + length);
      const voice = { zone, key: zone.root, source, end: gain, over: false };
      voices.add(voice);
      source.onended = () => { voices.delete(voice); quiet(); };
      const words = `Join of ${data.notes[index].name}, round ${round + 1} of 3`;
      rounds.push(setTimeout(() => say(words), (start - context.currentTime) * 1000));
    }
    draw();
  }

  function silence() {
    rounds.forEach(clearTimeout);
    rounds = [];
    for (const voice of [...voices]) {
      voice.over = true;
      voice.end.gain.cancelScheduledValues(0);
      voice.end.gain.setTargetAtTime(0, context.currentTime, 0.01);
      voice.source.stop(context.currentTime + 0.06);
    }
    if (fallback) fallback.player.pause();
    for (const handle of held.values()) letGo(handle);
    held.clear();
  }

  // ---- What is said and drawn ------------------------------------------------------------------
  const say = (text) => { element("sounding").textContent = text; };

  function tell(key, velocity, zones) {
    if (!zones.length) return say(`${keyName(key)}, velocity ${velocity}: no zone here`);
    const names = zones.map((zone) => {
      const steps = key - zone.root, note = data.notes[zone.note];
      const moved = steps ? `, ${steps > 0 ? "+" : "−"}${Math.abs(steps)} semitones` : "";
      const cut = !served && !chosenFiles.size && note.preview && note.preview.shortened;
      return note.name + moved + (cut ? " (shortened preview)" : "");
    });
    say(`${keyName(key)}, velocity ${velocity}: ${names.join(" + ")}`);
  }

  function mark(key, on) {
    all(`.cell[data-key="${key}"]`).forEach((cell) => cell.classList.toggle("sounding", on));
  }

  const scope = element("scope"), pen = scope.getContext("2d");
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  let drawing = false;
  function draw() {
    if (drawing || still.matches) return;
    drawing = true;
    const values = new Float32Array(512);
    const step = () => {
      pen.clearRect(0, 0, scope.width, scope.height);
      if (!voices.size) { drawing = false; return; }
      analyser.getFloatTimeDomainData(values);
      const peak = Math.max(0.02, ...values.map(Math.abs));
      pen.strokeStyle = getComputedStyle(scope).color;
      pen.lineWidth = 2;
      pen.beginPath();
      values.forEach((value, n) =>
        pen.lineTo(n / 511 * scope.width, scope.height / 2 * (1 - 0.9 * value / peak)));
      pen.stroke();
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }
  function quiet() { if (!voices.size && !held.size) rounds = []; }

  // ---- One note at a time ----------------------------------------------------------------------
  const articles = all("article.note");
  let chosen = 0;
  function choose(index, scroll) {
    chosen = Math.min(Math.max(index, 0), articles.length - 1);
    articles.forEach((article, n) => { article.hidden = n !== chosen; });
    element("note-choice").value = String(chosen);
    all(".zone").forEach((zone) =>
      zone.classList.toggle("chosen", Number(zone.dataset.note) === chosen));
    element("repeat-join").disabled = !data.zones.some((z) => z.note === chosen && z.loop);
    if (scroll) element("notes").scrollIntoView();
  }
  function follow() {
    const found = /^#note-(\d+)$/.exec(location.hash);
    if (found) choose(Number(found[1]), true);
  }

  // ---- The map ---------------------------------------------------------------------------------
  function shade(measure) {
    for (const shape of all(".zone .box, .cell")) {
      const kind = shape.classList[0], lit = shape.classList.contains("sounding");
      shape.setAttribute("class", `${kind} ${shape.dataset[measure]}${lit ? " sounding" : ""}`);
    }
    all(".colour-key").forEach((key) => { key.hidden = key.dataset.measure !== measure; });
  }

  const velocityNow = () => Number(element("velocity").value);
  const volumeDb = () => Number(element("volume").value);
  function setVolume() {
    const value = volumeDb();
    element("volume-text").textContent = `${value < 0 ? "−" : ""}${Math.abs(value)} dB`;
    if (master) master.gain.setTargetAtTime(decibels(value), context.currentTime, 0.02);
    all("audio").forEach((player) => { player.volume = decibels(value); });
  }

  function under(chart, event) {
    const place = new DOMPoint(event.clientX, event.clientY)
      .matrixTransform(chart.getScreenCTM().inverse());
    const { left, right, top, bottom, lowKey, highKey } = chart.dataset;
    const keys = highKey - lowKey + 1;
    const key = Math.floor(Number(lowKey) + (place.x - left) / (right - left) * keys);
    const height = (bottom - place.y) / (bottom - top);
    const velocity = height < 0 ? velocityNow() : Math.round(1 + 126 * height);
    return { key: Math.min(Math.max(key, lowKey), highKey),
      velocity: Math.min(Math.max(velocity, 1), 127) };
  }

  const held = new Map();
  function hold(name, key, velocity, wanted) {
    letGo(held.get(name));
    held.set(name, press(key, velocity, wanted));
  }
  function drop(name) {
    letGo(held.get(name));
    held.delete(name);
  }

  for (const chart of all(".panel .chart")) {
    chart.addEventListener("pointerdown", (event) => {
      const target = event.target.closest(".zone, .cell");
      if (!target || event.button) return;
      event.preventDefault();
      chart.setPointerCapture(event.pointerId);
      instrument = Number(chart.dataset.instrument);
      const { key, velocity } = under(chart, event);
      const zone = target.dataset.zone && data.zones[target.dataset.zone];
      if (zone) { rove(target); target.focus({ preventScroll: true }); }
      hold("pointer", key, velocity, zone && zone.turn[1] > 1 ? zone.turn[0] : 0);
    });
    chart.addEventListener("pointermove", (event) => {
      const zone = event.target.closest(".zone");
      if (zone) element("map-readout").textContent = zone.getAttribute("aria-label");
      const now = held.get("pointer");
      if (!now) return;
      const { key, velocity } = under(chart, event);
      if (key !== now.key) hold("pointer", key, velocity, 0);
    });
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
      chart.addEventListener(end, () => drop("pointer"));
    }
  }

  const zoneElements = all(".zone");
  function rove(zone) {
    zoneElements.forEach((one) => one.setAttribute("tabindex", one === zone ? "0" : "-1"));
  }
  function neighbour(from, event) {
    const here = data.zones[from.dataset.zone];
    const middle = (pair) => (pair[0] + pair[1]) / 2;
    const across = { ArrowLeft: -1, ArrowRight: 1 }[event.key] || 0;
    const up = { ArrowUp: 1, ArrowDown: -1 }[event.key] || 0;
    let best = null, least = Infinity;
    for (const one of zoneElements) {
      const zone = data.zones[one.dataset.zone];
      const keys = middle(zone.keys) - middle(here.keys);
      const heights = middle(zone.velocities) + 127 * zone.turn[0] / zone.turn[1]
        - middle(here.velocities) - 127 * here.turn[0] / here.turn[1];
      const along = across * keys + up * heights;
      const away = along + 3 * Math.abs(across ? heights : keys);
      if (along > 0 && away < least) { best = one; least = away; }
    }
    return best;
  }
  for (const zone of zoneElements) {
    zone.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        if (event.repeat) return;
        const one = data.zones[zone.dataset.zone];
        instrument = one.instrument;
        const key = Math.min(Math.max(one.root, one.keys[0]), one.keys[1]);
        const velocity = Math.min(Math.max(velocityNow(), one.velocities[0]), one.velocities[1]);
        hold("zone", key, velocity, one.turn[1] > 1 ? one.turn[0] : 0);
      } else if (event.key.startsWith("Arrow")) {
        const next = neighbour(zone, event);
        event.preventDefault();
        if (next) { rove(next); next.focus(); }
      }
    });
    zone.addEventListener("keyup", (event) => {
      if (event.key === "Enter" || event.key === " ") drop("zone");
    });
    zone.addEventListener("blur", () => drop("zone"));
    zone.addEventListener("focus", () => {
      element("map-readout").textContent = zone.getAttribute("aria-label");
      choose(Number(zone.dataset.note), false);
    });
  }

  // ---- The computer keyboard -------------------------------------------------------------------
  const ROWS = ["KeyZ KeyS KeyX KeyD KeyC KeyV KeyG KeyB KeyH KeyN KeyJ KeyM Comma KeyL Period",
    "KeyQ Digit2 KeyW Digit3 KeyE KeyR Digit5 KeyT Digit6 KeyY Digit7 KeyU KeyI Digit9 KeyO"];
  const steps = new Map();
  ROWS.forEach((row, octave) =>
    row.split(" ").forEach((code, step) => steps.set(code, 12 * octave + step)));
  const roots = data.zones.map((zone) => zone.root).sort((a, b) => a - b);
  let base = 12 * Math.floor((roots[roots.length >> 1] ?? 60) / 12);
  function moveOctave(by) {
    base = Math.min(Math.max(base + 12 * by, 0), 108);
    element("octave").textContent = `keys from ${keyName(base)}`;
  }
  addEventListener("keydown", (event) => {
    const step = steps.get(event.code);
    if (step === undefined || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    if (!element("typing").checked) return;
    if (event.target.closest("select, textarea, input:not([type=range]):not([type=radio])")) return;
    if (base + step <= 127) hold(event.code, base + step, velocityNow(), 0);
  });
  addEventListener("keyup", (event) => drop(event.code));
  addEventListener("blur", () => [...held.keys()].forEach(drop));

  // ---- Buttons ---------------------------------------------------------------------------------
  for (const button of all("button.hear")) {
    const index = Number(button.dataset.note);
    const start = () => {
      const zone = data.zones.find((one) => one.note === index);
      if (!zone) return;
      instrument = zone.instrument;
      const key = Math.min(Math.max(zone.root, zone.keys[0]), zone.keys[1]);
      const velocity = Math.min(Math.max(velocityNow(), zone.velocities[0]), zone.velocities[1]);
      hold("hear", key, velocity, zone.turn[1] > 1 ? zone.turn[0] : 0);
    };
    button.addEventListener("pointerdown", start);
    for (const end of ["pointerup", "pointerleave", "pointercancel", "blur"]) {
      button.addEventListener(end, () => drop("hear"));
    }
    button.addEventListener("keydown", (event) => {
      if ((event.key === "Enter" || event.key === " ") && !event.repeat) start();
    });
    button.addEventListener("keyup", () => drop("hear"));
  }
  all("button.join").forEach((button) =>
    button.addEventListener("click", () => repeatJoin(Number(button.dataset.note))));
  element("folder").addEventListener("change", (event) => {
    for (const file of event.target.files) chosenFiles.set(file.name, file);
    const there = data.notes.filter((note) => chosenFiles.has(note.sample.split("/").pop())).length;
    buffers.clear();
    say(`${there} of ${data.notes.length} samples loaded in full.`);
  });
  element("repeat-join").addEventListener("click", () => repeatJoin(chosen));
  element("silence").addEventListener("click", silence);
  element("octave-down").addEventListener("click", () => moveOctave(-1));
  element("octave-up").addEventListener("click", () => moveOctave(1));
  element("volume").addEventListener("input", setVolume);
  element("velocity").addEventListener("input", () => {
    element("velocity-text").textContent = String(velocityNow());
  });
  element("note-choice").addEventListener("change", (event) => choose(Number(event.target.value)));
  element("note-previous").addEventListener("click", () => choose(chosen - 1));
  element("note-next").addEventListener("click", () => choose(chosen + 1));
  all("[name=measure]").forEach((button) =>
    button.addEventListener("change", () => shade(button.value)));
  addEventListener("hashchange", follow);

  element("player").hidden = false;
  element("chooser").hidden = false;
  element("source").textContent = served
    ? "The samples beside this page are played in full."
    : "Opened from disk, a browser keeps the samples from this page: it plays the embedded previews.";
  shade("tuning");
  setVolume();
  moveOctave(0);
  if (zoneElements.length) rove(zoneElements[0]);
  choose(0, false);
  follow();
})();
