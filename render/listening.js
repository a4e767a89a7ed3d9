"use strict";
// Listening on a page: variants that switch while they play, and a blind test of two of them.
// A plain script without modules, so that it runs from a file without a server.

const FADE_S = 0.01; // time constant of every fade; a hard cut is a step in the signal, heard as a click
const HUSH_S = 0.05; // time to fall silent: five time constants, 43 dB
const STEP_S = 2; // how far J and L move

/** Return the amplitude of a level in dB. */
function amplitude(level) {
  return 10 ** (level / 20);
}

/** Return the probability of at least `right` hits in `trials` by tossing a coin: the exact binomial test, one-sided. */
function chanceOfGuessing(right, trials) {
  let term = 2 ** -trials; // all of them right: one of 2^trials ways
  let sum = 0;
  for (let hits = trials; hits >= right; hits -= 1) {
    sum += term;
    term *= hits / (trials - hits + 1); // ways to choose hits - 1 of trials, from ways to choose hits
  }
  return Math.min(sum, 1);
}

/** Return seconds as minutes, seconds and tenths. */
function clock(seconds) {
  const tenths = Math.floor(seconds * 10);
  return `${Math.floor(tenths / 600)}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
}

/** Return what a text in base64 holds. */
function bytesOf(text) {
  return Uint8Array.from(atob(text.trim()), (letter) => letter.charCodeAt(0));
}

/** Return sounds of one length: shorter ones end in silence, so that all of them repeat together. */
function alike(context, buffers) {
  const length = Math.max(...buffers.map((buffer) => buffer.length));
  return buffers.map((buffer) => {
    if (buffer.length === length) return buffer;
    const longer = context.createBuffer(buffer.numberOfChannels, length, buffer.sampleRate);
    for (let channel = 0; channel < buffer.numberOfChannels; channel += 1) {
      longer.copyToChannel(buffer.getChannelData(channel), channel);
    }
    return longer;
  });
}

/** Let a gain go to a target from wherever it stands; what was planned from `at` on is forgotten. */
function fade(gain, target, at) {
  gain.cancelScheduledValues(at);
  gain.setTargetAtTime(target, at, FADE_S);
}

/** Sounds that run together from one start on the audio clock and repeat; gains decide which of them is heard. */
class Playback {
  constructor(context, buffers, level) {
    this.context = context;
    this.buffers = buffers;
    this.length = buffers[0].duration;
    this.offset = 0; // s into the sounds where they rest or began
    this.began = null; // s on the audio clock; none while they rest
    this.sources = [];
    this.volume = new GainNode(context, { gain: amplitude(level) });
    this.transport = new GainNode(context, { gain: 0 });
    this.transport.connect(this.volume).connect(context.destination);
    this.gains = buffers.map((_, index) => new GainNode(context, { gain: index === 0 ? 1 : 0 }));
    this.gains.forEach((gain) => gain.connect(this.transport));
  }

  get playing() {
    return this.began !== null;
  }

  get position() {
    const run = this.playing ? Math.max(this.context.currentTime - this.began, 0) : 0;
    return (this.offset + run) % this.length;
  }

  play() {
    this.began = this.context.currentTime + HUSH_S; // by then what ran before is silent
    this.sources = this.buffers.map((buffer, index) => {
      const source = new AudioBufferSourceNode(this.context, { buffer, loop: true });
      source.connect(this.gains[index]);
      source.start(this.began, this.offset);
      return source;
    });
    this.transport.gain.setTargetAtTime(1, this.began, FADE_S);
  }

  pause() {
    this.offset = this.position;
    this.began = null;
    const now = this.context.currentTime;
    fade(this.transport.gain, 0, now);
    this.sources.forEach((source) => source.stop(now + HUSH_S));
  }

  seek(seconds) {
    const playing = this.playing;
    if (playing) this.pause();
    this.offset = ((seconds % this.length) + this.length) % this.length;
    if (playing) this.play();
  }

  /** Hear another sound: what is heard turns into it, or falls silent first for `hush` seconds. */
  hear(chosen, hush = 0, at = this.context.currentTime) {
    this.gains.forEach((gain) => fade(gain.gain, 0, at));
    this.gains[chosen].gain.setTargetAtTime(1, at + hush, FADE_S);
  }

  setLevel(level) {
    fade(this.volume.gain, amplitude(level), this.context.currentTime);
  }
}

/** A blind test: which of two sounds is X, trial by trial? */
class BlindTest {
  constructor(pair, trials) {
    this.pair = pair;
    this.trials = trials;
    this.rounds = []; // of the trials so far, whether X was the second, and whether that was the answer
    this.draw();
  }

  draw() {
    this.isSecond = (crypto.getRandomValues(new Uint8Array(1))[0] & 1) === 1;
  }

  /** Return which sound is behind a letter. */
  behind(letter) {
    return this.pair[letter === "B" || (letter === "X" && this.isSecond) ? 1 : 0];
  }

  answer(second) {
    this.rounds.push({ isSecond: this.isSecond, answeredSecond: second });
    this.draw();
  }

  get done() {
    return this.rounds.length === this.trials;
  }

  get right() {
    return this.rounds.filter((round) => round.isSecond === round.answeredSecond).length;
  }
}

/** Bring the page's controls to life. */
function listen(panel) {
  const find = (name) => panel.querySelector(`[data-is="${name}"]`);
  const all = (name) => [...panel.querySelectorAll(`[data-is="${name}"]`)];
  const names = all("variant").map((radio) => radio.dataset.name);
  const play = find("play");
  const position = find("position");
  const volume = find("volume");
  const variants = find("variants");
  const setup = find("setup");
  const trial = find("trial");
  const result = find("result");
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  let playback = null;
  let opening = null;
  let test = null;
  let dragged = false;

  const say = (text) => {
    find("state").textContent = text;
  };

  const show = () => {
    if (playback && !dragged) position.value = playback.position;
    const where = `${clock(Number(position.value))} of ${clock(Number(position.max))}`;
    find("clock").textContent = where;
    position.setAttribute("aria-valuetext", where);
  };

  const follow = () => {
    show();
    if (!playback.playing) return;
    if (calm.matches) window.setTimeout(follow, 1000);
    else window.requestAnimationFrame(follow);
  };

  /** Decode all sounds at the first wish to hear one: browsers let nothing sound before that. */
  const open = async () => {
    const context = new AudioContext({ sampleRate: Number(panel.dataset.sampleRate) });
    const sounds = [...document.querySelectorAll("script[data-sound]")];
    say(`Opening ${sounds.length} sounds …`);
    const decoded = sounds.map((sound) => context.decodeAudioData(bytesOf(sound.textContent).buffer));
    playback = new Playback(context, alike(context, await Promise.all(decoded)), Number(volume.value));
    playback.seek(Number(position.value));
    playback.hear(all("variant").findIndex((radio) => radio.checked));
  };

  /** Return whether there is something to play. */
  const ready = async () => {
    opening ??= open();
    try {
      await opening;
      await playback.context.resume();
    } catch (error) {
      opening = null;
      say(`This browser can't open the sounds: ${error.message}`);
      return false;
    }
    return true;
  };

  const toggle = async () => {
    if (!(await ready())) return;
    if (playback.playing) playback.pause();
    else playback.play();
    play.textContent = playback.playing ? "Pause" : "Play";
    say(playback.playing ? `Playing ${heard()}.` : `Paused at ${clock(playback.position)}.`);
    follow();
  };

  const heard = () => {
    if (test) return panel.querySelector("[data-is=letter]:checked").value;
    return panel.querySelector("[data-is=variant]:checked").dataset.name;
  };

  const seek = (seconds) => {
    if (playback) playback.seek(seconds);
    show();
  };

  const choose = (radio) => {
    radio.checked = true;
    radio.focus();
    radio.dispatchEvent(new Event("change"));
  };

  all("variant").forEach((radio, index) => {
    radio.addEventListener("change", () => {
      if (playback) playback.hear(index);
      say(`${radio.dataset.name}.`);
    });
  });

  all("letter").forEach((radio) => {
    radio.addEventListener("change", () => {
      // Silence between any two, also where X is what was heard before: the change itself must tell nothing.
      playback.hear(test.behind(radio.value), HUSH_S);
      say(`${radio.value}.`);
    });
  });

  const nextTrial = () => {
    find("count").textContent = `Trial ${test.rounds.length + 1} of ${test.trials}`;
    choose(all("letter")[0]);
  };

  const begin = async () => {
    const pair = [find("first").selectedIndex, find("second").selectedIndex];
    const trials = find("trials");
    if (pair[0] === pair[1]) {
      say("Choose two different variants for A and B.");
      find("second").focus();
      return;
    }
    if (!trials.reportValidity()) return;
    if (!(await ready())) return;
    test = new BlindTest(pair, trials.valueAsNumber);
    variants.hidden = setup.hidden = result.hidden = true;
    trial.hidden = false;
    nextTrial();
    if (!playback.playing) await toggle();
    say(`Trial 1 of ${test.trials}.`);
  };

  const end = () => {
    test = null;
    trial.hidden = true;
    variants.hidden = setup.hidden = false;
    choose(panel.querySelector("[data-is=variant]:checked"));
  };

  const answer = (second) => {
    test.answer(second);
    if (!test.done) {
      nextTrial();
      say(`Trial ${test.rounds.length + 1} of ${test.trials}.`);
      return;
    }
    const finished = test;
    end();
    reveal(finished);
  };

  const reveal = ({ pair, trials, right, rounds }) => {
    const chance = chanceOfGuessing(right, trials);
    const shown = chance < 0.0001 ? "less than 0.0001" : chance.toFixed(4);
    find("score").textContent =
      `${right} of ${trials} right. Who guesses does at least as well with probability p = ${shown} (exact binomial test, one-sided). ` +
      (chance <= 0.05
        ? `${names[pair[0]]} and ${names[pair[1]]} were told apart.`
        : "That doesn't show that a difference was heard, nor that there is none.");
    find("rounds").replaceChildren(
      ...rounds.map((round, index) => {
        const row = document.createElement("tr");
        const letters = [round.isSecond, round.answeredSecond].map((second) => (second ? "B" : "A"));
        const cells = [index + 1, ...letters, letters[0] === letters[1] ? "right" : "wrong"];
        cells.forEach((cell) => {
          row.insertCell().textContent = cell;
        });
        return row;
      }),
    );
    result.hidden = false;
    result.focus();
    say(find("score").textContent);
  };

  play.addEventListener("click", toggle);
  position.addEventListener("input", () => {
    dragged = true;
    show();
  });
  position.addEventListener("change", () => {
    dragged = false;
    seek(Number(position.value));
  });
  volume.addEventListener("input", () => {
    find("level").textContent = `${volume.value.replace("-", "−")} dB`;
    if (playback) playback.setLevel(Number(volume.value));
  });
  find("begin").addEventListener("click", begin);
  find("is-first").addEventListener("click", () => answer(false));
  find("is-second").addEventListener("click", () => answer(true));
  find("abandon").addEventListener("click", () => {
    end();
    say("Blind test abandoned; nothing is scored.");
  });

  // Keys work while the focus is anywhere in the panel, so that they get in nobody's way elsewhere (WCAG 2.1.4).
  panel.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.matches("select, [type=number]")) return;
    const letter = event.key.toUpperCase();
    const answers = { A: false, B: true };
    const radios = all(test ? "letter" : "variant");
    const named = test ? radios.find((radio) => radio.value === letter) : radios[Number(event.key) - 1];
    if (letter === "P" || (event.key === " " && !event.target.matches("button"))) toggle();
    else if (letter === "J" && playback) seek(playback.position - STEP_S);
    else if (letter === "L" && playback) seek(playback.position + STEP_S);
    else if (test && event.shiftKey && letter in answers) answer(answers[letter]);
    else if (named) choose(named);
    else return;
    event.preventDefault();
  });

  show();
}

document.querySelectorAll("[data-is=panel]").forEach(listen);
