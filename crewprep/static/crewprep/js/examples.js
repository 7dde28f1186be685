// Examples of slots: pieces cut by the server, played one at a time, quiet at first and at a like level; loops go round
// without a gap. Without this the browser's own controls play the same pieces.

import { levelOf } from "./level.js";
import { readWav } from "./pieces.js";
import { makeSay } from "./say.js";

const SLOW_MS = 500;

const say = makeSay(document.getElementById("said"));
const bar = document.getElementById("listening");
const slider = bar.querySelector('[data-do="level"]');
let context = null;
let gain = null;
let now = null; // what plays or is on its way: { item, source }

bar.querySelector("label").hidden = false;
bar.querySelector("[data-care]").firstChild.textContent = "Starts quiet. ";
for (const item of document.querySelectorAll(".example")) {
  item.querySelector("audio").remove();
  const button = item.querySelector("button");
  button.hidden = false;
  button.addEventListener("click", () => (now?.item === item ? stop() : play(item)));
}
slider.addEventListener("input", () => {
  if (now && gain) gain.gain.value = level(now.item);
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && now) stop();
});

function level(item) {
  return levelOf(Number(slider.value), Number(item.dataset.gainDb) || 0);
}

function word(item, text) {
  item.querySelector("[data-word]").textContent = text;
}

function stop() {
  if (!now) return;
  now.source?.stop();
  word(now.item, "Play");
  now = null;
}

async function play(item) {
  stop();
  const mine = { item, source: null };
  now = mine;
  word(item, "Stop");
  const slow = window.setTimeout(() => say("The sound is on its way …"), SLOW_MS);
  try {
    const answer = await window.fetch(item.dataset.clip);
    if (!answer.ok) throw new Error(String(answer.status));
    const piece = readWav(await answer.arrayBuffer());
    if (now === mine) start(mine, piece);
  } catch {
    if (now === mine) stop();
    say("The sound could not be loaded. Check the connection, then press play again.");
  } finally {
    window.clearTimeout(slow);
  }
}

function start(mine, { rate, channels }) {
  if (!context || context.sampleRate !== rate) {
    context?.close();
    context = new AudioContext({ sampleRate: rate });
    gain = context.createGain();
    gain.connect(context.destination);
  }
  context.resume();
  gain.gain.value = level(mine.item);
  const buffer = context.createBuffer(channels.length, channels[0].length, rate);
  channels.forEach((samples, channel) => buffer.copyToChannel(samples, channel));
  const source = context.createBufferSource();
  source.buffer = buffer;
  source.loop = "loop" in mine.item.dataset;
  source.connect(gain);
  source.addEventListener("ended", () => {
    if (now === mine) stop();
  });
  mine.source = source;
  source.start();
}
