// What is cut and joined so that nothing slips: which pieces a loop, a seam or a jump is made of, and their samples.
// No DOM here. A time belongs to its nearest frame, halves upwards, as crewprep/tracks/clips.py cuts.

import { nextBar, nextBeat, positionOf, shiftBeats, timeOf } from "./grid.js";

const SEAM_BEATS = 2;
const LEAD_BARS = 2;
export const AFTER_BARS = 8;
const LONGEST_US = 30_000_000;
const CLICK_S = 0.02;

export function frameOf(us, rate) {
  return Math.floor((2 * us * rate + 1_000_000) / 2_000_000);
}

// The next beat, bar or phrase that begins after a time; the end of the track where none does.
export function nextLine(grid, us, by) {
  if (by === "beat") return nextBeat(grid, us, 1);
  if (by === "bar") return nextBar(grid, us, 1);
  const at = positionOf(grid, us);
  const phrase = grid.phrases.find((beat) => beat > at + 0.001);
  return phrase === undefined ? grid.durationUs : Math.min(timeOf(grid, phrase), grid.durationUs);
}

// From where a jump is heard when nothing plays yet: two bars before the line.
export function leadOf(grid, us) {
  return Math.max(0, shiftBeats(grid, us, -LEAD_BARS * grid.perBar));
}

// What is heard of a marker: a loop whole, a point for eight bars.
export function pieceOf(grid, marker) {
  if (marker.end_us !== null) return [marker.start_us, Math.min(marker.end_us, marker.start_us + LONGEST_US)];
  const end = shiftBeats(grid, marker.start_us, AFTER_BARS * grid.perBar);
  return [marker.start_us, Math.min(Math.max(end, marker.start_us + 1_000_000), marker.start_us + LONGEST_US, grid.durationUs)];
}

// A loop's seam: its last two beats, then its first two.
export function seamOf(grid, marker) {
  return [
    [Math.max(marker.start_us, shiftBeats(grid, marker.end_us, -SEAM_BEATS)), marker.end_us],
    [marker.start_us, Math.min(marker.end_us, shiftBeats(grid, marker.start_us, SEAM_BEATS))],
  ];
}

// Two bars from a place, as far as the track goes: enough to judge where it is.
export function stretchOf(grid, us) {
  const end = shiftBeats(grid, us, LEAD_BARS * grid.perBar);
  return [us, Math.min(Math.max(end, us + 1_000_000), us + LONGEST_US, grid.durationUs)];
}

// As many channels of nothing as a piece has, for so many seconds.
export function silence({ rate, channels }, seconds) {
  return { rate, channels: channels.map(() => new Float32Array(Math.round(seconds * rate))) };
}

// Samples of a WAV file with 16 bits: {rate, channels: one Float32Array each}. Throws where it is none.
export function readWav(bytes) {
  const view = new DataView(bytes);
  const word = (at) => String.fromCharCode(...new Uint8Array(bytes, at, 4));
  if (word(0) !== "RIFF" || word(36) !== "data" || view.getUint16(34, true) !== 16) throw new Error("not a clip");
  const count = view.getUint16(22, true);
  const samples = new Int16Array(bytes, 44, view.getUint32(40, true) / 2);
  const channels = Array.from({ length: count }, () => new Float32Array(samples.length / count));
  samples.forEach((value, index) => {
    channels[index % count][Math.floor(index / count)] = value / 32768;
  });
  return { rate: view.getUint32(24, true), channels };
}

// Pieces one after the other, without a frame between.
export function joined(pieces) {
  const total = pieces.reduce((sum, piece) => sum + piece.channels[0].length, 0);
  const channels = pieces[0].channels.map(() => new Float32Array(total));
  let at = 0;
  for (const piece of pieces) {
    piece.channels.forEach((samples, channel) => channels[channel].set(samples, at));
    at += piece.channels[0].length;
  }
  return { rate: pieces[0].rate, channels };
}

// The same piece with a short click on every beat in it, a higher one on the first of a bar; the music steps back a little.
export function withClicks(piece, grid, startUs) {
  const length = piece.channels[0].length;
  const channels = piece.channels.map((samples) => samples.map((value) => value * 0.6));
  const first = Math.ceil(positionOf(grid, startUs) - 0.001);
  for (let beat = first; beat < grid.beats.length; beat += 1) {
    const at = frameOf(grid.beats[beat], piece.rate) - frameOf(startUs, piece.rate);
    if (at >= length) break;
    if (at < 0) continue;
    const hertz = grid.downbeats.includes(beat) ? 1760 : 1175;
    for (let n = 0; n < CLICK_S * piece.rate && at + n < length; n += 1) {
      const s = n / piece.rate;
      const click = 0.35 * Math.sin(2 * Math.PI * hertz * s) * (1 - s / CLICK_S) ** 2;
      for (const samples of channels) samples[at + n] = Math.max(-1, Math.min(1, samples[at + n] + click));
    }
  }
  return { rate: piece.rate, channels };
}
