// What the editor does to a list of markers, the undo stack, the keys, and the level.

import assert from "node:assert/strict";
import test from "node:test";

import { makeGrid } from "../../crewprep/static/crewprep/js/grid.js";
import { makeHistory } from "../../crewprep/static/crewprep/js/history.js";
import { commandOf } from "../../crewprep/static/crewprep/js/keys.js";
import { levelOf } from "../../crewprep/static/crewprep/js/level.js";
import * as sheet from "../../crewprep/static/crewprep/js/sheet.js";

// 120 BPM for eight bars, then 150 BPM for eight: 500 ms and 400 ms a beat.
const beats = [];
for (let index = 0; index < 32; index += 1) beats.push(index * 500000);
for (let index = 0; index <= 32; index += 1) beats.push(16000000 + index * 400000);
const grid = makeGrid({
  duration_us: 28800000,
  timed: false,
  beats_per_bar: 4,
  beats_us: beats,
  downbeats: beats.map((_, index) => index).filter((index) => index % 4 === 0),
  phrases: [0, 32],
});
const drop = { number: 4, name: "First drop", kind: "point", loop_bars: null, snap_beats: 0.25 };
const exit = { number: 8, name: "Exit loop", kind: "loop", loop_bars: 4, snap_beats: 1 };

test("a slot is put where the cursor is, pulled to its snap", () => {
  const made = sheet.put([], drop, grid, 1_040_000);
  assert.deepEqual(made, [{ slot: 4, start_us: 1_000_000, end_us: null, label: "" }]);
});

test("a loop gets its length on the real grid, also across a change of tempo", () => {
  const [loop] = sheet.put([], exit, grid, 12_000_000);
  assert.equal(loop.end_us, 16_000_000 + 8 * 400_000);
});

test("a moved loop keeps its beats, not its seconds", () => {
  const made = sheet.put([], exit, grid, 0);
  const [moved] = sheet.shift(made, exit, grid, { beats: 32 });
  assert.deepEqual([moved.start_us, moved.end_us], [16_000_000, 16_000_000 + 16 * 400_000]);
});

test("a nudge in milliseconds moves both ends of a loop alike", () => {
  const made = sheet.put([], exit, grid, 2_000_000);
  const [moved] = sheet.shift(made, exit, grid, { us: -1000 });
  assert.deepEqual([moved.start_us, moved.end_us], [1_999_000, 9_999_000]);
});

test("a loop that would not fit any more stays where it is", () => {
  const made = sheet.put([], exit, grid, 22_400_000);
  assert.equal(sheet.shift(made, exit, grid, { beats: 4 }), made);
  assert.equal(made[0].end_us, 28_800_000);
});

test("a marker never leaves the audio", () => {
  let made = sheet.put([], drop, grid, 500_000);
  made = sheet.shift(made, drop, grid, { beats: -32 });
  assert.equal(made[0].start_us, 0);
  made = sheet.shift(made, drop, grid, { beats: 500 });
  assert.equal(made[0].start_us, 28_799_999);
});

test("each slot holds one marker, in slot order, and the old list stays as it was", () => {
  const first = sheet.put([], exit, grid, 0);
  const second = sheet.put(first, drop, grid, 4_000_000);
  const third = sheet.put(second, drop, grid, 8_000_000);
  assert.deepEqual(third.map((marker) => marker.slot), [4, 8]);
  assert.equal(sheet.markerOf(second, 4).start_us, 4_000_000);
  assert.deepEqual(first.map((marker) => marker.slot), [8]);
  assert.equal(sheet.markerOf(sheet.without(third, 4), 4), null);
});

test("an end before its start changes nothing", () => {
  const made = sheet.put([], exit, grid, 4_000_000);
  assert.equal(sheet.setEnd(made, 8, grid, 4_000_000), made);
  assert.equal(sheet.setEnd(made, 8, grid, 6_000_000)[0].end_us, 6_000_000);
});

test("two sheets are the same when slots and times are", () => {
  const made = sheet.put(sheet.put([], exit, grid, 0), drop, grid, 0);
  assert.ok(sheet.same(made, sheet.plain(made)));
  assert.ok(!sheet.same(made, sheet.shift(made, drop, grid, { us: 1000 })));
  assert.ok(!sheet.same(made, sheet.without(made, 8)));
});

test("a marker is named as the server names it", () => {
  const [marker] = sheet.put([], exit, grid, 16_000_000);
  assert.equal(
    sheet.nameOf(marker, exit, grid, "made up"),
    "Slot 8, Exit loop: 2.1.1, 0:16.000, loop of 4 bars, made up",
  );
});

test("undo and redo walk the same way back and on, and a new change forgets what was undone", () => {
  const history = makeHistory(1);
  history.push(2);
  history.push(3);
  assert.ok(history.undo() && history.undo());
  assert.equal(history.undo(), false);
  assert.equal(history.now, 1);
  assert.ok(history.redo());
  assert.equal(history.now, 2);
  history.push(9);
  assert.equal(history.redo(), false);
  history.undo();
  assert.equal(history.now, 2);
});

const key = (name, modifiers = {}) => commandOf({ key: name, ...modifiers });

test("keys ask for what the help says", () => {
  assert.deepEqual(key("ArrowLeft"), { do: "move", by: "beat", way: -1 });
  assert.deepEqual(key("ArrowRight", { shiftKey: true }), { do: "move", by: "bar", way: 1 });
  assert.deepEqual(key("ArrowRight", { altKey: true }), { do: "move", by: "ms", way: 1 });
  assert.deepEqual(key("ArrowDown"), { do: "move", by: "row", way: 1 });
  assert.deepEqual(key("Home"), { do: "row-end", way: -1 });
  assert.deepEqual(key("4"), { do: "put", slot: 4 });
  assert.deepEqual(key("0"), { do: "put", slot: 10 });
  assert.deepEqual(key("Delete"), { do: "remove" });
  assert.deepEqual(key("z", { ctrlKey: true }), { do: "undo" });
  assert.deepEqual(key("Z", { ctrlKey: true, shiftKey: true }), { do: "redo" });
  assert.deepEqual(key("u"), { do: "undo" });
  assert.deepEqual(key("?", { shiftKey: true }), { do: "help" });
});

test("keys of the browser and of readers are left alone", () => {
  for (const event of [["Tab"], ["x"], ["r", { ctrlKey: true }], ["4", { ctrlKey: true }], ["4", { altKey: true }], ["F5"]]) {
    assert.equal(key(...event), null, event[0]);
  }
});

test("single characters can be switched off, the other keys stay", () => {
  for (const name of ["1", "0", "u", "U", "?"]) assert.equal(commandOf({ key: name }, { letters: false }), null);
  assert.deepEqual(commandOf({ key: " " }, { letters: false }), { do: "toggle" });
  assert.deepEqual(commandOf({ key: "z", ctrlKey: true }, { letters: false }), { do: "undo" });
});

test("tracks are brought to one level, never above full scale", () => {
  assert.ok(Math.abs(levelOf(30, -8.5) - 0.3 * 10 ** (-8.5 / 20)) < 1e-12);
  assert.equal(levelOf(100, 12), 1);
  assert.equal(levelOf(0, 12), 0);
  assert.equal(levelOf(30, 0), 0.3);
});

test("markers that a corrected grid left between beats go to the nearest ones, loops with their beats", () => {
  const slots = new Map([drop, exit].map((slot) => [slot.number, slot]));
  const made = [
    { slot: 4, start_us: 1_250_000, end_us: null, label: "" },
    { slot: 8, start_us: 2_740_000, end_us: 10_740_000, label: "" },
  ];
  assert.equal(sheet.offBeat(made, grid).length, 2);
  const put = sheet.onBeats(made, slots, grid);
  assert.deepEqual(put.map((marker) => [marker.start_us, marker.end_us]), [[1_500_000, null], [2_500_000, 10_500_000]]);
  assert.deepEqual(sheet.offBeat(put, grid), []);
  assert.equal(sheet.onBeats(put, slots, grid), put);
});

test("a loop is made half or twice as long in whole beats, across a change of tempo too", () => {
  const made = [{ slot: 8, start_us: 12_000_000, end_us: 16_000_000, label: "" }];
  assert.equal(sheet.resize(made, 8, grid, 2)[0].end_us, 16_000_000 + 8 * 400_000);
  assert.equal(sheet.resize(made, 8, grid, 0.5)[0].end_us, 14_000_000);
  const beat = [{ slot: 8, start_us: 0, end_us: 500_000, label: "" }];
  assert.equal(sheet.resize(beat, 8, grid, 0.25), beat);
  assert.equal(sheet.resize(made, 8, grid, 16), made);
  assert.equal(sheet.resize([], 8, grid, 2).length, 0);
});

test("a history goes into storage and comes back with its undo; other values change nothing", () => {
  const history = makeHistory(["a"]);
  history.push(["b"]);
  history.push(["c"]);
  history.undo();
  const kept = JSON.parse(JSON.stringify(history.dump()));
  const other = makeHistory(["x"]);
  assert.equal(other.load(null), false);
  assert.equal(other.load({ past: [], now: "no list" }), false);
  assert.deepEqual(other.now, ["x"]);
  assert.equal(other.load(kept), true);
  assert.deepEqual(other.now, ["b"]);
  other.redo();
  assert.deepEqual(other.now, ["c"]);
  other.undo();
  other.undo();
  assert.deepEqual(other.now, ["a"]);
});

test("a label is cut to what is kept, and the same label changes nothing", () => {
  const made = sheet.put([], drop, grid, 1_000_000);
  const named = sheet.relabelled(made, 4, "  bells ");
  assert.equal(named[0].label, "bells");
  assert.equal(sheet.relabelled(named, 4, "bells"), named);
  assert.equal(sheet.relabelled(named, 5, "none there"), named);
  assert.equal(sheet.relabelled(named, 4, "x".repeat(80))[0].label.length, 60);
  assert.equal(sheet.put(named, drop, grid, 2_000_000)[0].label, "bells", "it moves with its marker");
});
