// Exact listening: pieces cut by the server, joined to the sample here and played as one buffer, so that loops and jumps
// cannot slip. As quiet as the player, and never beside it.

import { AFTER_BARS, joined, leadOf, nextLine, pieceOf, readWav, seamOf, silence, stretchOf, withClicks } from "./pieces.js";

const KEPT = 6;
const BETWEEN_S = 0.4; // of silence between two places that are compared
const SLOW_MS = 500;
const HAND_OVER_US = 400_000; // from the pressed key to the moment when the exact piece takes over

export function makeClips(root, { grid, cursor, player, say }) {
  const base = root?.dataset.clipUrl;
  const cache = new Map();
  let context = null;
  let gain = null;
  let now = null;
  let asked = 0;

  root?.addEventListener("input", () => {
    if (gain) gain.gain.value = player.volume;
  });
  root?.querySelector("audio")?.addEventListener("play", () => stop());

  function fetched(startUs, endUs) {
    const name = `${Math.round(startUs)}-${Math.round(endUs)}.wav`;
    if (!cache.has(name)) {
      const piece = window
        .fetch(base + name)
        .then((answer) => (answer.ok ? answer.arrayBuffer() : Promise.reject(new Error(String(answer.status)))))
        .then(readWav);
      piece.catch(() => cache.delete(name));
      cache.set(name, piece);
      if (cache.size > KEPT) cache.delete(cache.keys().next().value);
    }
    return cache.get(name);
  }

  // `loopFrom`: frame from which the sound goes round; null plays once. `heard`: time in the track of a frame.
  function start(piece, { loopFrom = null, heard, after = 0 }) {
    stop();
    if (!context || context.sampleRate !== piece.rate) {
      context = new AudioContext({ sampleRate: piece.rate });
      gain = context.createGain();
      gain.connect(context.destination);
    }
    context.resume();
    gain.gain.value = player.volume;
    const frames = piece.channels[0].length;
    const buffer = context.createBuffer(piece.channels.length, frames, piece.rate);
    piece.channels.forEach((samples, channel) => buffer.copyToChannel(samples, channel));
    const source = context.createBufferSource();
    source.buffer = buffer;
    if (loopFrom !== null) {
      source.loop = true;
      source.loopStart = loopFrom / piece.rate;
      source.loopEnd = frames / piece.rate;
    }
    source.connect(gain);
    const begins = context.currentTime + after;
    source.start(begins);
    const mine = { source, begins };
    now = mine;
    source.addEventListener("ended", () => {
      if (now === mine) now = null;
    });
    const draw = () => {
      if (now !== mine) return;
      let frame = (context.currentTime - begins - (context.outputLatency || 0)) * piece.rate;
      if (loopFrom !== null && frame >= frames) frame = loopFrom + ((frame - loopFrom) % (frames - loopFrom));
      if (frame >= 0) cursor.set(heard(Math.min(frame, frames)), { quiet: true });
      window.requestAnimationFrame(draw);
    };
    window.requestAnimationFrame(draw);
  }

  function stop() {
    if (!now) return false;
    now.source.stop();
    now = null;
    return true;
  }

  async function listen(make) {
    if (!base) {
      say("There is no listening copy of this track yet.");
      return;
    }
    asked += 1;
    const mine = asked;
    const slow = window.setTimeout(() => say("The sound is on its way …"), SLOW_MS);
    try {
      const ready = await make();
      if (mine === asked) ready();
    } catch {
      say("The sound could not be loaded. Check the connection, then press the key again.");
    } finally {
      window.clearTimeout(slow);
    }
  }

  // Loop a marker, hear its seam, or jump to it; a point is looped over eight bars.
  function hear(marker, what, by) {
    if (!marker) say("Go to a marker first: Tab leads from one to the next.");
    else if (what === "seam" && marker.end_us === null) say(`Slot ${marker.slot} is a point and has no seam.`);
    else ways[what](what === "loop" ? { ...marker, end_us: pieceOf(grid, marker)[1] } : marker, by);
  }

  const from = (us, rate) => (frame) => us + (frame / rate) * 1e6;

  const ways = {
    loop: (marker) =>
      listen(async () => {
        const piece = await fetched(marker.start_us, marker.end_us);
        return () => {
          player.pause();
          start(piece, { loopFrom: 0, heard: from(marker.start_us, piece.rate) });
        };
      }),
    seam: (marker) =>
      listen(async () => {
        const [last, first] = seamOf(grid, marker);
        const [end, begin] = await Promise.all([fetched(...last), fetched(...first)]);
        const turn = end.channels[0].length;
        return () => {
          player.pause();
          start(joined([end, begin]), {
            loopFrom: 0,
            heard: (frame) => (frame < turn ? from(last[0], end.rate)(frame) : from(first[0], end.rate)(frame - turn)),
          });
        };
      }),
    // Jump to a marker at the end of the beat, bar or phrase that plays, or after two bars where nothing does.
    jump: (marker, by) =>
      listen(async () => {
        const playing = player.playing;
        const startUs = playing ? player.us + HAND_OVER_US : leadOf(grid, nextLine(grid, cursor.us, by));
        const line = nextLine(grid, playing ? startUs : cursor.us, by);
        const target = pieceOf(grid, marker);
        const [before, after] = await Promise.all([fetched(startUs, line), fetched(...target)]);
        const turn = before.channels[0].length;
        return () => {
          const late = playing ? (startUs - player.us) / 1e6 : 0;
          if (late < 0) {
            say("The connection was too slow for this line. Press the key again: the pieces are nearer now.");
            return;
          }
          start(joined([before, after]), {
            after: late,
            loopFrom: marker.end_us === null ? null : turn,
            heard: (frame) =>
              frame < turn ? from(startUs, before.rate)(frame) : from(target[0], after.rate)(frame - turn),
          });
          if (playing) window.setTimeout(() => player.pause(), late * 1000);
          say(`Jumps at the end of the ${by}`);
        };
      }),
  };

  return {
    stop,
    hear,
    get playing() {
      return now !== null;
    },
    // Two bars from where a marker was, then two from where it is now: the same level, since it is the same track.
    compare(old, marker, words = "Two bars from where it was, then two from where it is") {
      if (!old || old.start_us === marker?.start_us) say("This marker stands where it stood, so there is nothing to compare.");
      else if (!marker) say("Go to a marker first: Tab leads from one to the next.");
      else {
        listen(async () => {
          const [was, is] = [stretchOf(grid, old.start_us), stretchOf(grid, marker.start_us)];
          const [before, after] = await Promise.all([fetched(...was), fetched(...is)]);
          const pause = silence(before, BETWEEN_S);
          const turn = before.channels[0].length + pause.channels[0].length;
          return () => {
            player.pause();
            start(joined([before, pause, after]), {
              heard: (frame) => (frame < turn ? from(was[0], before.rate)(frame) : from(is[0], after.rate)(frame - turn)),
            });
            say(words);
          };
        });
      }
    },
    // Fetch what a marker needs before it is asked for.
    prepare(marker) {
      if (base) fetched(...pieceOf(grid, marker)).catch(() => {});
    },
    clicks: (us) =>
      listen(async () => {
        const [startUs, endUs] = pieceOf(grid, { start_us: us, end_us: null });
        const piece = await fetched(startUs, endUs);
        return () => {
          player.pause();
          start(withClicks(piece, grid, startUs), { heard: from(startUs, piece.rate) });
          say(`Clicks on the beats, ${AFTER_BARS} bars from here`);
        };
      }),
  };
}
