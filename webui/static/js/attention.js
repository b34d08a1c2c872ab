// SPDX-License-Identifier: MIT
// What the browser does to be noticed, and to stay awake: a screen kept on during a run, and sound
// and vibration at its end, at a trip and at an alarm. Chosen in each browser and kept there.

const KEPT = "rig-attention";
const SAW = "rig-saw-run"; // in this tab: the run whose end may be announced
const CALLED = "rig-called"; // in this tab: what was announced; a reload does not repeat it
const AWAKE = ["looking", "waiting", "running"];
/** Notes as [frequency in Hz, s]; 0 is a rest. Vibration in ms, on and off in turn. */
const CALLS = {
  end: { notes: [[660, 0.18], [880, 0.35]], shake: [250] },
  trip: { notes: [[880, 0.2], [440, 0.3], [880, 0.2], [440, 0.3]], shake: [400, 150, 400, 150, 400] },
  alarm: { notes: Array.from({ length: 6 }, () => [[988, 0.15], [0, 0.1]]).flat(), shake: [1000, 200, 1000, 200, 1000] },
};
const NEEDS_HTTPS = "that needs HTTPS, or the page opened on the rig's own computer (localhost)";

function stored(store, key, otherwise) {
  try {
    return JSON.parse(store.getItem(key)) ?? otherwise;
  } catch {
    return otherwise;
  }
}

function keep(store, key, value) {
  try {
    store.setItem(key, JSON.stringify(value));
  } catch { /* a browser that keeps nothing: chosen for this page alone */ }
}

/** Sets up the choices; `heard(snapshot)` alerts for anything new in it and holds the screen awake. */
export function attend(facts) {
  const box = document.getElementById("attention");
  const said = document.getElementById("attention-said");
  const usual = facts.operator; // a viewer gets no alert unless it was chosen
  const choice = { screen: usual, sound: usual, vibration: usual, ...stored(localStorage, KEPT, {}) };
  const lines = {};
  let lock = null;
  let asking = false;
  let wanted = AWAKE.includes(facts.phase);
  let audio = null;

  function say(about, words) {
    lines[about] = words;
    said.replaceChildren(...Object.values(lines).filter(Boolean).map((text) => {
      const line = document.createElement("li");
      line.textContent = text;
      return line;
    }));
  }

  async function hold() {
    if (choice.screen && !navigator.wakeLock) { // announced before the run as well
      const why = window.isSecureContext ? "it has no way to" : NEEDS_HTTPS;
      say("screen", `This browser cannot keep the screen on (${why}). Set the screen to stay on for longer than the run: a phone that goes to sleep ends it after 5 s.`);
      return;
    }
    if (!wanted || !choice.screen) {
      say("screen", "");
      await lock?.release();
      return;
    }
    if (lock || asking || document.visibilityState !== "visible") return;
    asking = true;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
      say("screen", "The screen stays on until the run is over.");
      if (!wanted || !choice.screen) await lock.release();
    } catch (error) {
      say("screen", `The screen may go off (${error.name}: low battery, or a saving mode). A phone that goes to sleep ends the run after 5 s.`);
    } finally {
      asking = false;
    }
  }

  async function sound(notes) {
    audio ??= new AudioContext();
    if (audio.state !== "running") {
      await Promise.race([audio.resume(), new Promise((done) => setTimeout(done, 300))]);
    }
    if (audio.state !== "running") {
      say("sound", "This browser held the sound back: it lets a page sound only after a tap on it.");
      return;
    }
    say("sound", "");
    let at = audio.currentTime + 0.02;
    for (const [hertz, seconds] of notes) {
      if (hertz) {
        const [tone, loud] = [audio.createOscillator(), audio.createGain()];
        tone.type = "triangle";
        tone.frequency.value = hertz;
        loud.gain.setValueAtTime(0.6, at);
        loud.gain.setTargetAtTime(0, at + seconds - 0.03, 0.01); // fades out, so that the end does not click
        tone.connect(loud).connect(audio.destination);
        tone.start(at);
        tone.stop(at + seconds);
      }
      at += seconds;
    }
  }

  function call(kind) {
    if (choice.sound) sound(CALLS[kind].notes).catch(() => say("sound", "This browser cannot sound."));
    if (choice.vibration) navigator.vibrate?.(CALLS[kind].shake);
  }

  /** Once per event, whatever is reloaded in between. */
  function once(key, kind) {
    const called = stored(sessionStorage, CALLED, []);
    if (called.includes(key)) return;
    keep(sessionStorage, CALLED, [...called.slice(-20), key]);
    call(kind);
  }

  function heard(snapshot) {
    const look = snapshot.look ?? "other";
    if (snapshot.phase === "running") keep(sessionStorage, SAW, look);
    const trip = snapshot.live?.trip ?? snapshot.ended?.trip;
    const seen = stored(sessionStorage, SAW, null) === look;
    if (snapshot.alarm) once(`alarm ${snapshot.alarm}`, "alarm");
    else if (seen && trip) once(`trip ${look} ${trip.t_ns}`, "trip");
    else if (seen && snapshot.ended?.run) once(`end ${look}`, "end");
    const awake = AWAKE.includes(snapshot.phase) && !snapshot.ended;
    if (awake !== wanted) {
      wanted = awake;
      hold();
    }
  }

  for (const name of ["screen", "sound", "vibration"]) {
    const tick = document.getElementById(`attend-${name}`);
    tick.checked = choice[name];
    tick.addEventListener("change", () => {
      choice[name] = tick.checked;
      keep(localStorage, KEPT, choice);
      hold();
    });
  }
  if (!navigator.vibrate) {
    const tick = document.getElementById("attend-vibration");
    tick.checked = false;
    tick.disabled = true;
    tick.closest("label").append(" (not in this browser)");
  }
  document.getElementById("attend-try").addEventListener("click", () => call("end"));
  document.addEventListener("visibilitychange", hold); // a hidden page loses its wake lock
  box.hidden = false;
  hold();
  return { heard };
}
