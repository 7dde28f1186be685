// Pieces for exact listening: their frames, the lines that a jump waits for, and joins without a frame between.

import assert from "node:assert/strict";
import test from "node:test";

import { makeGrid } from "../../crewprep/static/crewprep/js/grid.js";
import * as pieces from "../../crewprep/static/crewprep/js/pieces.js";

// 120 BPM, four beats a bar, phrases of eight bars, 64 s.
const beats = Array.from({ length: 129 }, (_, index) => index * 500_000);
const grid = makeGrid({
  duration_us: 64_000_000,
  timed: false,
  beats_per_bar: 4,
  beats_us: beats,
  downbeats: beats.map((_, index) => index).filter((index) => index % 4 === 0),
  phrases: [0, 32, 64, 96],
});
const point = { slot: 4, start_us: 16_000_000, end_us: null, label: "" };
const loop = { slot: 8, start_us: 32_000_000, end_us: 48_000_000, label: "" };

function wav(samples, channels, rate) {
  const bytes = new ArrayBuffer(44 + 2 * samples.length);
  const view = new DataView(bytes);
  const put = (at, text) => [...text].forEach((letter, n) => view.setUint8(at + n, letter.charCodeAt(0)));
  put(0, "RIFF");
  put(8, "WAVEfmt ");
  put(36, "data");
  view.setUint16(22, channels, true);
  view.setUint32(24, rate, true);
  view.setUint16(34, 16, true);
  view.setUint32(40, 2 * samples.length, true);
  samples.forEach((value, n) => view.setInt16(44 + 2 * n, value, true));
  return bytes;
}

test("a time belongs to its nearest frame, halves upwards", () => {
  assert.deepEqual([0, 11, 12, 1_000_000, 3_600_000_000].map((us) => pieces.frameOf(us, 44_100)), [0, 0, 1, 44_100, 158_760_000]);
});

test("a jump waits for the end of the beat, bar or phrase", () => {
  assert.equal(pieces.nextLine(grid, 700_000, "beat"), 1_000_000);
  assert.equal(pieces.nextLine(grid, 700_000, "bar"), 2_000_000);
  assert.equal(pieces.nextLine(grid, 700_000, "phrase"), 16_000_000);
  assert.equal(pieces.nextLine(grid, 16_000_000, "phrase"), 32_000_000);
  assert.equal(pieces.nextLine(grid, 60_000_000, "phrase"), 64_000_000);
  assert.equal(pieces.leadOf(grid, 16_000_000), 12_000_000);
});

test("a point is heard for eight bars, a loop whole, a seam over four beats", () => {
  assert.deepEqual(pieces.pieceOf(grid, point), [16_000_000, 32_000_000]);
  assert.deepEqual(pieces.pieceOf(grid, loop), [32_000_000, 48_000_000]);
  assert.deepEqual(pieces.seamOf(grid, loop), [[47_000_000, 48_000_000], [32_000_000, 33_000_000]]);
});

test("a clip is read exactly and pieces join without a frame between", () => {
  const one = pieces.readWav(wav([100, -100, 200, -200], 2, 44_100));
  const two = pieces.readWav(wav([-32768, 32767], 2, 44_100));
  const whole = pieces.joined([one, two]);
  assert.equal(whole.rate, 44_100);
  assert.deepEqual([...whole.channels[0]].map((value) => value * 32768), [100, 200, -32768]);
  assert.deepEqual([...whole.channels[1]].map((value) => value * 32768), [-100, -200, 32767]);
  assert.throws(() => pieces.readWav(new ArrayBuffer(64)));
});

test("two places are compared over two bars each, with silence between", () => {
  assert.deepEqual(pieces.stretchOf(grid, 16_000_000), [16_000_000, 20_000_000]);
  const end = grid.durationUs;
  assert.deepEqual(pieces.stretchOf(grid, end - 500_000), [end - 500_000, end]);
  const none = pieces.silence({ rate: 8000, channels: [new Float32Array(3), new Float32Array(3)] }, 0.4);
  assert.deepEqual(none.channels.map((samples) => samples.length), [3200, 3200]);
});

test("clicks fall on the beats and nothing goes beyond full scale", () => {
  const quiet = { rate: 8000, channels: [new Float32Array(16_000)] };
  const clicked = pieces.withClicks(quiet, grid, 250_000).channels[0];
  const begun = [];
  clicked.forEach((value, n) => {
    if (value !== 0 && (n === 0 || clicked.slice(Math.max(0, n - 100), n).every((other) => other === 0))) begun.push(n);
  });
  // Beats at 0.5, 1.0, 1.5 and 2.0 s, from 0.25 s on; a sine begins with a zero.
  assert.deepEqual(begun, [2001, 6001, 10_001, 14_001]);
  const loud = { rate: 8000, channels: [new Float32Array(16_000).fill(1)] };
  assert.ok(pieces.withClicks(loud, grid, 0).channels[0].every((value) => Math.abs(value) <= 1));
});
