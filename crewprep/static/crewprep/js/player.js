// Listening. Starts quiet: the level is 30 % of a loudness that is the same for every track, and never above full scale.

import { addressOf, clock, countUpTo, positionOf, timeOf } from "./grid.js";
import { showRow } from "./cursor.js";
import { levelOf } from "./level.js";

const SILENT = {
  playing: false,
  us: 0,
  volume: 0,
  play() {},
  pause() {},
  toggle() {},
  stop() {},
  seek() {},
};

export function makePlayer(root, grid, cursor) {
  const audio = root?.querySelector("audio");
  if (!audio) return SILENT;
  const find = (name) => root.querySelector(`[data-do="${name}"]`);
  const address = root.querySelector('[data-show="address"]');
  const time = root.querySelector('[data-show="clock"]');
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const follow = find("follow");
  const gainDb = Number(root.dataset.gainDb) || 0;
  let cameFrom = 0;
  let row = -1;

  audio.controls = false;
  root.querySelector(".player__bar").hidden = false;
  if (still.matches) follow.checked = false;
  setLevel();

  function setLevel() {
    audio.volume = levelOf(Number(find("level").value), gainDb);
  }

  function show(us) {
    address.textContent = grid.timed ? clock(us, 1) : addressOf(grid, us).split(" ")[0];
    time.textContent = grid.timed ? "" : clock(us, 1);
  }

  // With reduced motion the cursor steps from bar to bar instead of gliding.
  function drawn(us) {
    if (!still.matches) return us;
    const bar = grid.downbeats[Math.max(0, countUpTo(grid.downbeats, positionOf(grid, us)) - 1)] ?? 0;
    return Math.max(0, timeOf(grid, bar));
  }

  function tick() {
    if (audio.paused) return;
    cursor.set(drawn(audio.currentTime * 1e6), { quiet: true });
    window.requestAnimationFrame(tick);
  }

  cursor.onMove((us, strip, quiet) => {
    show(us);
    if (quiet && strip.row !== row && follow.checked) showRow(strip, still.matches ? "auto" : "smooth");
    row = strip.row;
  });

  const player = {
    get playing() {
      return !audio.paused;
    },
    get us() {
      return audio.currentTime * 1e6;
    },
    get volume() {
      return audio.volume;
    },
    play(us = cursor.us) {
      cameFrom = us;
      audio.currentTime = us / 1e6;
      return audio.play().catch((error) => error.name === "AbortError" || failed()); // paused before it began
    },
    pause() {
      audio.pause();
    },
    toggle() {
      if (audio.paused) player.play();
      else audio.pause();
    },
    // Stop, and go back to where the playing began.
    stop() {
      if (audio.paused) return;
      // The pause is told later, and puts the cursor where the sound is by then.
      audio.currentTime = cameFrom / 1e6;
      audio.pause();
      cursor.set(cameFrom);
    },
    seek(us) {
      cameFrom = us;
      audio.currentTime = us / 1e6;
      cursor.set(us);
    },
  };

  function failed() {
    root.querySelector(".player__care").textContent =
      "The sound could not be loaded. Check the connection, then press play again.";
  }

  find("toggle").addEventListener("click", player.toggle);
  find("level").addEventListener("input", setLevel);
  audio.addEventListener("play", () => {
    find("toggle").textContent = "Pause";
    window.requestAnimationFrame(tick);
  });
  audio.addEventListener("pause", () => {
    find("toggle").textContent = "Play";
    cursor.set(drawn(audio.currentTime * 1e6), { reveal: false });
  });
  audio.addEventListener("error", failed);
  show(0);
  return player;
}
