import assert from "node:assert/strict";
import { test } from "node:test";
import { tempoOf, withTap } from "../../crewprep/static/crewprep/js/taps.js";

test("even taps give their tempo and the first of them", () => {
  const taps = [0, 1, 2, 3, 4].map((n) => 1_000_000 + n * 468_750);
  assert.deepEqual(tempoOf(taps), { bpm: 128, us: 1_000_000 });
});

test("uneven taps are averaged", () => {
  const late = [9, -7, 4, -12, 6, 0, 3, -3].map((ms, n) => 500_000 + n * 500_000 + ms * 1000);
  const found = tempoOf(late);
  assert.ok(Math.abs(found.bpm - 120) < 0.6);
  assert.ok(Math.abs(found.us - 500_000) < 10_000);
});

test("three taps are too few, a pause or a step back begins anew", () => {
  assert.equal(tempoOf([0, 500_000, 1_000_000]), null);
  assert.deepEqual(withTap([0, 500_000], 1_000_000), [0, 500_000, 1_000_000]);
  assert.deepEqual(withTap([0, 500_000], 9_000_000), [9_000_000]);
  assert.deepEqual(withTap([600_000], 500_000), [500_000]);
});
