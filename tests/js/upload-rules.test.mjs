import assert from "node:assert/strict";
import test from "node:test";

import { endingFits, objection, queueOf } from "../../crewprep/static/crewprep/js/upload-rules.js";

const limits = { endings: [".wav", ".mp3"], mostBytes: 1000 };

test("endings in any case", () => {
  assert.ok(endingFits("Tune.WAV", limits.endings));
  assert.ok(!endingFits("tune.wav.txt", limits.endings));
  assert.ok(!endingFits("wav", limits.endings));
});

test("what speaks against a file before it is sent", () => {
  assert.equal(objection({ name: "a.wav", size: 1000 }, limits), "");
  assert.equal(objection({ name: "a.wav", size: 1001 }, limits), "tooLarge");
  assert.equal(objection({ name: "a.wav", size: 0 }, limits), "empty");
  assert.equal(objection({ name: "a.txt", size: 1001 }, limits), "notAudio");
});

test("one after another, in order, and again after a rest", async () => {
  const told = [];
  let running = 0;
  const queue = queueOf(async (thing) => {
    running += 1;
    assert.equal(running, 1);
    await new Promise((done) => setTimeout(done, 1));
    told.push(thing);
    running -= 1;
  });
  for (const thing of [1, 2, 3]) queue.add(thing);
  assert.ok(queue.busy());
  while (queue.busy()) await new Promise((done) => setTimeout(done, 1));
  queue.add(4);
  while (queue.busy()) await new Promise((done) => setTimeout(done, 1));
  assert.deepEqual(told, [1, 2, 3, 4]);
});
