// Two places of one track, one after the other, from pieces that the server cuts. Quiet, and never two at once.

import { levelOf } from "./level.js";
import { makeSay } from "./say.js";

const LEVEL = 30; // as quiet as the player starts
const BETWEEN_MS = 400;
const say = makeSay(document.getElementById("said"));
let audio = null;
let playing = null;
let timer = 0;

for (const button of document.querySelectorAll("button[data-clips]")) {
  button.hidden = false;
  const [words] = button.childNodes;
  const idle = words.textContent;
  button.addEventListener("click", () => {
    const mine = playing === button;
    stop();
    if (mine) return;
    playing = button;
    words.textContent = "Stop";
    play(levelOf(LEVEL, Number(button.dataset.gainDb)), ...button.dataset.clips.split(" "));
  });
  button.reset = () => {
    words.textContent = idle;
  };
}

function play(volume, clip, ...others) {
  audio = new Audio(clip);
  audio.volume = volume;
  audio.addEventListener("ended", () => {
    if (others.length) timer = setTimeout(play, BETWEEN_MS, volume, ...others);
    else stop();
  });
  audio.play().catch(() => {
    stop();
    say("This piece cannot be played. Follow the two links instead.");
  });
}

function stop() {
  clearTimeout(timer);
  audio?.pause();
  playing?.reset();
  audio = playing = null;
}
