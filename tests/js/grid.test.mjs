// The browser's musical time agrees with the server's, and moves as musicians count.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";

import * as grid from "../../crewprep/static/crewprep/js/grid.js";
import { flatten, layLoop, layMarkers, otherRow, placeOf, rowEnds, timeAt } from "../../crewprep/static/crewprep/js/places.js";

const cases = JSON.parse(readFileSync(new URL("./addresses.json", import.meta.url), "utf8"));

// 120 BPM in 4/4, four phrases of eight bars, from zero.
const beats = Array.from({ length: 129 }, (_, index) => index * 500000);
const steady = grid.makeGrid({
  duration_us: 64000000,
  timed: false,
  beats_per_bar: 4,
  beats_us: beats,
  downbeats: beats.map((_, index) => index).filter((index) => index % 4 === 0),
  phrases: [0, 32, 64, 96],
});
const rows = [0, 32, 64, 96].map((first) => [
  { left: first, beats: 16, start: first, end: first + 16, column: 1 },
  { left: first + 16, beats: 16, start: first + 16, end: first + 32, column: 2 },
]);
const strips = flatten(rows);

for (const { name, data, times, placed } of cases) {
  const made = grid.makeGrid(data);
  test(`${name}: every time has the address that the server gives it`, () => {
    for (const { us, position, address, clock, found, loop_end: loopEnd } of times) {
      assert.ok(Math.abs(grid.positionOf(made, us) - position) < 1e-9);
      assert.equal(grid.addressOf(made, us), address);
      assert.equal(grid.clock(us), clock);
      assert.equal(grid.findTime(made, address), found);
      assert.equal(grid.loopEnd(made, us, 4), loopEnd);
    }
  });
  test(`${name}: every marker stands where the server draws it`, () => {
    const markers = times.map(({ us }, slot) => ({ slot, start_us: us, end_us: null }));
    const laid = layMarkers(flatten(data.rows), made, markers);
    const here = laid
      .map(({ marker, strip, across, level, flip }) => [marker.slot, strip.index, Math.round(across * 192), level, flip])
      .sort((a, b) => a[0] - b[0]);
    assert.deepEqual(here, [...placed].sort((a, b) => a[0] - b[0]));
  });
}

test("a time is pulled to the nearest fraction of a beat", () => {
  assert.equal(grid.snap(steady, 1_060_000, 0.25), 1_000_000);
  assert.equal(grid.snap(steady, 1_070_000, 0.25), 1_125_000);
  assert.equal(grid.snap(steady, 1_240_000, 1), 1_000_000);
  assert.equal(grid.snap(steady, 1_260_000, 1), 1_500_000);
  assert.equal(grid.snap(steady, 3_100_000, 4), 4_000_000);
});

test("snapping never leaves the audio", () => {
  for (const fraction of [0.25, 0.5, 1, 4]) {
    for (const us of [0, 1, 63_999_999]) {
      const at = grid.snap(steady, us, fraction);
      assert.ok(at >= 0 && at < steady.durationUs, `${us} by ${fraction} gave ${at}`);
    }
  }
  const late = grid.makeGrid({ duration_us: 900000, timed: false, beats_per_bar: 4, beats_us: [-200000, 300000, 800000, 1300000], downbeats: [1], phrases: [1] });
  assert.equal(grid.snap(late, 10, 1), 300000);
});

test("without a grid nothing is pulled", () => {
  const free = { ...steady, timed: true };
  assert.equal(grid.snap(free, 1_234_567, 1), 1_234_567);
});

test("a step by beat or bar goes to the next line, from wherever one stands", () => {
  assert.equal(grid.nextBeat(steady, 1_000_000, 1), 1_500_000);
  assert.equal(grid.nextBeat(steady, 1_200_000, 1), 1_500_000);
  assert.equal(grid.nextBeat(steady, 1_200_000, -1), 1_000_000);
  assert.equal(grid.nextBeat(steady, 1_000_000, -1), 500_000);
  assert.equal(grid.nextBeat(steady, 0, -1), 0);
  assert.equal(grid.nextBar(steady, 500_000, 1), 2_000_000);
  assert.equal(grid.nextBar(steady, 2_500_000, -1), 2_000_000);
  assert.equal(grid.nextBar(steady, 0, -1), 0);
  assert.equal(grid.nextBar(steady, 63_900_000, 1), 63_999_999);
});

test("up and down keep the column, and stop at the first and last row", () => {
  assert.equal(otherRow(strips, steady, 10_250_000, 1), 26_250_000);
  assert.equal(otherRow(strips, steady, 26_250_000, -1), 10_250_000);
  assert.equal(otherRow(strips, steady, 1_000_000, -1), 1_000_000);
  assert.equal(otherRow(strips, steady, 60_000_000, 1), 60_000_000);
});

test("down into a shorter row lands on its last beat", () => {
  const ragged = flatten([rows[0], [{ left: 32, beats: 16, start: 32, end: 40, column: 1 }]]);
  assert.equal(otherRow(ragged, steady, 14 * 500_000, 1), 39 * 500_000);
});

test("down from a row that starts in the second column keeps to that column", () => {
  const split = flatten([[{ left: 16, beats: 16, start: 16, end: 32, column: 2 }], rows[1]]);
  assert.equal(otherRow(split, steady, 18 * 500_000, 1), 50 * 500_000);
});

test("home and end are the first and last beat of the row", () => {
  assert.deepEqual(rowEnds(strips, steady, 20_000_000), [16_000_000, 31_500_000]);
});

test("a place and its time lead to each other", () => {
  for (const us of [0, 250_000, 7_990_000, 8_000_000, 31_990_000]) {
    const { strip, across } = placeOf(strips, steady, us);
    assert.equal(timeAt(strip, steady, across), us);
  }
});

test("a loop over two rows is open where it goes on", () => {
  const parts = layLoop(strips, steady, { start_us: 14_000_000, end_us: 18_000_000 });
  assert.deepEqual(
    parts.map(({ strip, from, to, begins, ends }) => [strip.index, from, to, begins, ends]),
    [
      [1, 0.75, 1, true, false],
      [2, 0, 0.25, false, true],
    ],
  );
});

test("lengths are said in bars and beats", () => {
  assert.equal(grid.lengthText(steady, 0, 8_000_000), "4 bars");
  assert.equal(grid.lengthText(steady, 0, 2_000_000), "1 bar");
  assert.equal(grid.lengthText(steady, 0, 3_500_000), "1 bar and 3 beats");
  assert.equal(grid.lengthText(steady, 0, 125_000), "0.25 beats");
  assert.equal(grid.lengthText(steady, 0, null), "");
});

test("clock times are read as people write them", () => {
  assert.equal(grid.parseClock("3:00.5"), 180_500_000);
  assert.equal(grid.parseClock("1:02:03"), 3_723_000_000);
  assert.equal(grid.parseClock(" 12,25 "), 12_250_000);
  for (const text of ["", "three", "-1", "1e5", "1:2:3:4"]) assert.equal(grid.parseClock(text), null, text);
});
