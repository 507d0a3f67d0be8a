"use strict";
// What one sees and operates: the map, the close-ups, the player, the computer keyboard.
(() => {
  const { data } = Sound;
  const element = (name) => document.getElementById(name);
  const all = (selector) => [...document.querySelectorAll(selector)];
  const within = (value, low, high) => Math.min(Math.max(value, low), high);
  const NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
  const keyName = (key) => NAMES[key % 12] + (Math.floor(key / 12) - 1);
  const velocityNow = () => Number(element("velocity").value);
  let instrument = 0;

  // ---- What sounds -----------------------------------------------------------------------------
  const say = (text) => { element("sounding").textContent = text; };

  function tell(handle) {
    const head = `${keyName(handle.key)}, velocity ${handle.velocity}: `;
    const names = handle.zones.map((zone) => {
      const steps = handle.key - zone.root, note = data.notes[zone.note];
      const moved = steps ? `, ${steps > 0 ? "+" : "−"}${Math.abs(steps)} semitones` : "";
      return note.name + moved + (Sound.isShortened(note) ? " (shortened preview)" : "");
    });
    say(head + (names.join(" + ") || "no zone here"));
  }

  function light(key, on) {
    all(`.cell[data-key="${key}"]`).forEach((cell) => cell.classList.toggle("sounding", on));
  }

  // Everything that holds a key down has a name: the pointer, a zone, a key of the keyboard.
  const held = new Map();
  function drop(name) {
    const handle = held.get(name);
    if (!handle) return;
    held.delete(name);
    light(handle.key, false);
    Sound.letGo(handle);
  }
  function hold(name, key, velocity, turn) {
    drop(name);
    const handle = Sound.press({ instrument, key, velocity, turn });
    held.set(name, handle);
    light(key, true);
    tell(handle);
    if (handle.zones.length) choose(handle.zones[0].note);
  }
  // A zone at its root, or as near as its keys allow.
  function holdZone(name, zone) {
    instrument = zone.instrument;
    hold(name, within(zone.root, ...zone.keys), within(velocityNow(), ...zone.velocities),
      zone.turn[1] > 1 ? zone.turn[0] : 0);
  }
  const dropAll = () => [...held.keys()].forEach(drop);

  const scope = element("scope"), pen = scope.getContext("2d");
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  let drawing = false;
  function draw() {
    if (drawing || still.matches) return;
    drawing = true;
    const values = new Float32Array(512);
    requestAnimationFrame(function step() {
      pen.clearRect(0, 0, scope.width, scope.height);
      drawing = Sound.isSounding();
      if (!drawing) return;
      Sound.analyser().getFloatTimeDomainData(values);
      const peak = Math.max(0.02, ...values.map(Math.abs));
      pen.strokeStyle = getComputedStyle(scope).color;
      pen.lineWidth = 2;
      pen.beginPath();
      values.forEach((value, n) =>
        pen.lineTo(n / 511 * scope.width, scope.height / 2 * (1 - 0.9 * value / peak)));
      pen.stroke();
      requestAnimationFrame(step);
    });
  }

  // ---- One note at a time ----------------------------------------------------------------------
  const articles = all("article.note"), zones = all(".zone");
  let chosen = 0;
  function choose(index) {
    chosen = within(index, 0, articles.length - 1);
    articles.forEach((article, n) => { article.hidden = n !== chosen; });
    element("note-choice").value = String(chosen);
    zones.forEach((zone) => zone.classList.toggle("chosen", Number(zone.dataset.note) === chosen));
    element("repeat-join").disabled = !data.zones.some((one) => one.note === chosen && one.loop);
  }
  function follow() {
    const found = /^#note-(\d+)$/.exec(location.hash);
    if (!found) return;
    choose(Number(found[1]));
    element("notes").scrollIntoView();
  }

  // ---- The map ---------------------------------------------------------------------------------
  function shade(measure) {
    for (const shape of all(".zone .box, .cell")) {
      const [kind] = shape.classList, lit = shape.classList.contains("sounding");
      shape.setAttribute("class", `${kind} ${shape.dataset[measure]}${lit ? " sounding" : ""}`);
    }
    all(".colour-key").forEach((key) => { key.hidden = key.dataset.measure !== measure; });
  }

  // Key and velocity under the pointer; below the plot the velocity is the one set in the player.
  function under(chart, event) {
    const { x, y } = new DOMPoint(event.clientX, event.clientY)
      .matrixTransform(chart.getScreenCTM().inverse());
    const [left, right, top, bottom, low, high] = ["left", "right", "top", "bottom", "lowKey",
      "highKey"].map((name) => Number(chart.dataset[name]));
    const key = Math.floor(low + (x - left) / (right - left) * (high - low + 1));
    const velocity = y > bottom ? velocityNow() : Math.round(1 + 126 * (bottom - y) / (bottom - top));
    return [within(key, low, high), within(velocity, 1, 127)];
  }

  for (const chart of all(".panel .chart")) {
    chart.addEventListener("pointerdown", (event) => {
      const target = event.target.closest(".zone, .cell");
      if (!target || event.button) return;
      event.preventDefault();
      chart.setPointerCapture(event.pointerId);
      instrument = Number(chart.dataset.instrument);
      const zone = data.zones[target.dataset.zone];
      if (zone) rove(target);
      hold("pointer", ...under(chart, event), zone && zone.turn[1] > 1 ? zone.turn[0] : 0);
    });
    chart.addEventListener("pointermove", (event) => {
      const zone = event.target.closest(".zone");
      if (zone) element("map-readout").textContent = zone.getAttribute("aria-label");
      const now = held.get("pointer"), [key, velocity] = under(chart, event);
      if (now && now.key !== key) hold("pointer", key, velocity, 0);
    });
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
      chart.addEventListener(end, () => drop("pointer"));
    }
  }

  function rove(zone) {
    zones.forEach((one) => one.setAttribute("tabindex", one === zone ? "0" : "-1"));
    zone.focus({ preventScroll: true });
  }
  const middle = (pair) => (pair[0] + pair[1]) / 2;
  const height = (zone) => middle(zone.velocities) + 127 * zone.turn[0] / zone.turn[1];
  // The nearest zone in the direction of an arrow key.
  function neighbour(from, arrow) {
    const here = data.zones[from.dataset.zone];
    const across = { ArrowLeft: -1, ArrowRight: 1 }[arrow] || 0;
    const up = { ArrowUp: 1, ArrowDown: -1 }[arrow] || 0;
    let best = null, least = Infinity;
    for (const one of zones) {
      const zone = data.zones[one.dataset.zone];
      if (zone.instrument !== here.instrument) continue;
      const keys = middle(zone.keys) - middle(here.keys), heights = height(zone) - height(here);
      const along = across * keys + up * heights;
      const away = along + 3 * Math.abs(across ? heights : keys);
      if (along > 0 && away < least) [best, least] = [one, away];
    }
    return best;
  }
  const isPress = (event) => event.key === "Enter" || event.key === " ";
  for (const zone of zones) {
    zone.addEventListener("keydown", (event) => {
      if (!isPress(event) && !event.key.startsWith("Arrow")) return;
      event.preventDefault();
      if (!isPress(event)) rove(neighbour(zone, event.key) || zone);
      else if (!event.repeat) holdZone("zone", data.zones[zone.dataset.zone]);
    });
    zone.addEventListener("keyup", (event) => isPress(event) && drop("zone"));
    zone.addEventListener("blur", () => drop("zone"));
    zone.addEventListener("focus", () => {
      element("map-readout").textContent = zone.getAttribute("aria-label");
      choose(Number(zone.dataset.note));
    });
  }

  // ---- The computer keyboard -------------------------------------------------------------------
  const ROWS = ["KeyZ KeyS KeyX KeyD KeyC KeyV KeyG KeyB KeyH KeyN KeyJ KeyM Comma KeyL Period",
    "KeyQ Digit2 KeyW Digit3 KeyE KeyR Digit5 KeyT Digit6 KeyY Digit7 KeyU KeyI Digit9 KeyO"];
  const steps = new Map(ROWS.flatMap((row, octave) =>
    row.split(" ").map((code, step) => [code, 12 * octave + step])));
  const roots = data.zones.map((zone) => zone.root).sort((a, b) => a - b);
  let base = 12 * Math.floor((roots[roots.length >> 1] ?? 60) / 12);
  function moveOctave(by) {
    base = within(base + 12 * by, 0, 108);
    element("octave").textContent = `keys from ${keyName(base)}`;
  }
  addEventListener("keydown", (event) => {
    const key = base + steps.get(event.code);
    if (!(key <= 127) || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    const writes = event.target.closest("select, input:not([type=range], [type=radio])");
    if (!writes && element("typing").checked) hold(event.code, key, velocityNow(), 0);
  });
  addEventListener("keyup", (event) => drop(event.code));
  addEventListener("blur", dropAll);

  // ---- Buttons ---------------------------------------------------------------------------------
  for (const button of all("button.hear")) {
    const zone = data.zones.find((one) => one.note === Number(button.dataset.note));
    const start = () => zone && holdZone("hear", zone);
    button.addEventListener("pointerdown", start);
    button.addEventListener("keydown", (event) => isPress(event) && !event.repeat && start());
    for (const end of ["pointerup", "pointerleave", "pointercancel", "blur", "keyup"]) {
      button.addEventListener(end, () => drop("hear"));
    }
  }
  const on = (name, event, act) => element(name).addEventListener(event, act);
  const signed = (value) => `${value < 0 ? "−" : ""}${Math.abs(value)}`;
  function setVolume() {
    const value = Number(element("volume").value);
    element("volume-text").textContent = `${signed(value)} dB`;
    Sound.setVolume(value);
    all("audio").forEach((player) => { player.volume = 10 ** (value / 20); });
  }
  all("button.join").forEach((button) =>
    button.addEventListener("click", () => Sound.repeatJoin(Number(button.dataset.note))));
  all("[name=measure]").forEach((button) =>
    button.addEventListener("change", () => shade(button.value)));
  on("folder", "change", (event) => {
    const there = Sound.chooseFiles(event.target.files);
    say(`${there} of ${data.notes.length} samples are played in full.`);
  });
  on("repeat-join", "click", () => Sound.repeatJoin(chosen));
  on("silence", "click", () => { dropAll(); Sound.silence(); });
  on("octave-down", "click", () => moveOctave(-1));
  on("octave-up", "click", () => moveOctave(1));
  on("volume", "input", setVolume);
  on("velocity", "input", () => { element("velocity-text").textContent = velocityNow(); });
  on("note-choice", "change", (event) => choose(Number(event.target.value)));
  on("note-previous", "click", () => choose(chosen - 1));
  on("note-next", "click", () => choose(chosen + 1));
  addEventListener("hashchange", follow);

  Object.assign(Sound.events, { say, sounding: draw });
  element("player").hidden = false;
  element("chooser").hidden = false;
  element("source").textContent = Sound.served
    ? "The samples beside this page are played in full."
    : "A browser keeps the samples from a page opened from disk: it plays embedded previews.";
  shade(document.querySelector("[name=measure]:checked").value);
  setVolume();
  moveOctave(0);
  zones.forEach((zone, n) => zone.setAttribute("tabindex", n ? "-1" : "0"));
  choose(0);
  follow();
})();
