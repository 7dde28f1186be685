// Reading the peaks of a track: the head by its documented form, the right pairs, nothing lost between columns.

import assert from "node:assert/strict";
import test from "node:test";

import { bytesOf, columnsOf, HEAD_BYTES, pairsOf, readHead } from "../../crewprep/static/crewprep/js/peaks.js";

const bytes = new ArrayBuffer(HEAD_BYTES);
const view = new DataView(bytes);
[..."CPPK"].forEach((letter, at) => view.setUint8(at, letter.charCodeAt(0)));
view.setUint8(4, 1);
view.setUint8(5, 4);
view.setUint32(8, 44_100, true);
view.setBigUint64(12, 441_000n, true);
let offset = 116;
[64, 256, 1024, 4096].forEach((samples, index) => {
  view.setUint32(20 + 12 * index, samples, true);
  view.setBigUint64(24 + 12 * index, BigInt(offset), true);
  offset += 2 * Math.ceil(441_000 / samples);
});
const head = readHead(bytes);

test("the head is read by its documented form, and another file is refused", () => {
  assert.equal(head.rate, 44_100);
  assert.equal(head.frames, 441_000);
  assert.deepEqual(head.levels.map((level) => level.samples), [64, 256, 1024, 4096]);
  assert.throws(() => readHead(new ArrayBuffer(HEAD_BYTES)));
});

test("the level is the coarsest that has a pair for each column", () => {
  // 2 s on 700 columns: 126 samples each.
  assert.equal(pairsOf(head, 0, 2_000_000, 700).level.samples, 64);
  assert.equal(pairsOf(head, 0, 10_000_000, 700).level.samples, 256);
  assert.equal(pairsOf(head, 0, 100_000, 700).level.samples, 64);
  const pairs = pairsOf(head, 1_000_000, 2_000_000, 300);
  assert.deepEqual([pairs.first, pairs.last], [689, 1379]);
  assert.deepEqual(bytesOf(pairs), [116 + 2 * 689, 116 + 2 * 1379 - 1]);
  assert.equal(pairsOf(head, 9_900_000, 12_000_000, 300).last, Math.ceil(441_000 / 256));
});

test("a single high sample is seen in whatever column it falls", () => {
  for (const peak of [689, 700, 1000, 1377]) {
    const pairs = pairsOf(head, 1_000_000, 2_000_000, 300);
    const values = new Int8Array(2 * (pairs.last - pairs.first));
    values[2 * (peak - pairs.first) + 1] = 100;
    const columns = columnsOf(head, pairs, values, 1_000_000, 2_000_000, 300);
    assert.equal(columns.length, 300);
    assert.equal(columns.filter((pair) => pair && pair[1] === 100).length, 1, String(peak));
  }
});
