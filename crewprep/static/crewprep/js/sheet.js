// A sheet being worked on: a list of {slot, start_us, end_us, label}, one marker a slot, in slot order.
// Every function gives a new list; the old one stays as it was, for undo.

import { addressOf, clamp, clock, lengthText, loopEnd, positionOf, shiftBeats, snap, timeOf } from "./grid.js";

const MOST_LETTERS = 60;

export function markerOf(sheet, number) {
  return sheet.find((marker) => marker.slot === number) ?? null;
}

export function without(sheet, number) {
  return sheet.filter((marker) => marker.slot !== number);
}

export function withMarker(sheet, marker) {
  return [...without(sheet, marker.slot), marker].sort((a, b) => a.slot - b.slot);
}

// Put a slot at a time, pulled to its snap; a loop gets the length that the slot asks for.
export function put(sheet, slot, grid, us) {
  return setStart(sheet, slot, grid, snap(grid, us, slot.snap_beats), true);
}

// Put a slot at exactly this time. A loop keeps its length in beats where it had one, unless `fresh`.
export function setStart(sheet, slot, grid, us, fresh = false) {
  const old = markerOf(sheet, slot.number);
  const start = clamp(grid, us);
  let end = null;
  if (slot.kind === "loop") {
    end =
      old && old.end_us !== null && !fresh
        ? endOf(grid, start, positionOf(grid, old.end_us) - positionOf(grid, old.start_us))
        : loopEnd(grid, start, slot.loop_bars);
  }
  return withMarker(sheet, { slot: slot.number, start_us: start, end_us: end, label: old?.label ?? "" });
}

// Set a loop's end; nothing changes where it would not come after the start.
export function setEnd(sheet, number, grid, us) {
  const old = markerOf(sheet, number);
  const end = Math.min(us, grid.durationUs);
  return old && end > old.start_us ? withMarker(sheet, { ...old, end_us: end }) : sheet;
}

// Move a marker by {beats} or {us}; a loop moves as a whole, and stays where it would not fit any more.
export function shift(sheet, slot, grid, by) {
  const old = markerOf(sheet, slot.number);
  if (!old) return sheet;
  const start = by.us === undefined ? shiftBeats(grid, old.start_us, by.beats) : clamp(grid, old.start_us + by.us);
  if (old.end_us === null) return withMarker(sheet, { ...old, start_us: start });
  const end =
    by.us === undefined
      ? timeOf(grid, positionOf(grid, start) + positionOf(grid, old.end_us) - positionOf(grid, old.start_us))
      : old.end_us + (start - old.start_us);
  if (end > grid.durationUs || start === old.start_us) return sheet;
  return withMarker(sheet, { ...old, start_us: start, end_us: end });
}

export function snapped(sheet, slot, grid) {
  const old = markerOf(sheet, slot.number);
  return old ? setStart(sheet, slot, grid, snap(grid, old.start_us, slot.snap_beats)) : sheet;
}

// A loop so many times as long, in whole beats; nothing changes where it would be shorter than a beat or not fit.
export function resize(sheet, number, grid, times) {
  const old = markerOf(sheet, number);
  if (!old || old.end_us === null) return sheet;
  const start = positionOf(grid, old.start_us);
  const beats = Math.round((positionOf(grid, old.end_us) - start) * times);
  const end = beats < 1 ? old.end_us : timeOf(grid, start + beats);
  return end > grid.durationUs || end === old.end_us ? sheet : withMarker(sheet, { ...old, end_us: end });
}

// What a marker is called beside its slot's name; the service keeps 60 letters.
export function relabelled(sheet, number, label) {
  const old = markerOf(sheet, number);
  const text = label.trim().slice(0, MOST_LETTERS);
  return old && text !== (old.label ?? "") ? withMarker(sheet, { ...old, label: text }) : sheet;
}

const OFF_BEAT_US = 5000;

// The markers that are on no beat of the grid (by 5 milliseconds or more), as after the grid was corrected.
export function offBeat(sheet, grid) {
  return sheet.filter((marker) => Math.abs(snap(grid, marker.start_us, 1) - marker.start_us) >= OFF_BEAT_US);
}

// Each of those on its nearest beat; loops keep their length in beats.
export function onBeats(sheet, slots, grid) {
  return offBeat(sheet, grid).reduce((next, marker) => {
    const slot = slots.get(marker.slot);
    return slot ? setStart(next, slot, grid, snap(grid, marker.start_us, Math.max(1, slot.snap_beats))) : next;
  }, sheet);
}

export function same(a, b) {
  return (
    a.length === b.length &&
    a.every((marker) => {
      const other = markerOf(b, marker.slot);
      return (
        other !== null &&
        other.start_us === marker.start_us &&
        other.end_us === marker.end_us &&
        (other.label ?? "") === (marker.label ?? "")
      );
    })
  );
}

// "Slot 4, First drop: 13.1.1, 3:00.000, loop of 4 bars, …", as the server says it.
export function nameOf(marker, slot, grid, reason = "") {
  const said = [addressOf(grid, marker.start_us)];
  if (!grid.timed) said.push(clock(marker.start_us));
  if (marker.end_us !== null) said.push(`loop of ${lengthText(grid, marker.start_us, marker.end_us)}`);
  if (reason) said.push(reason);
  const label = marker.label ? ` “${marker.label}”` : "";
  return `Slot ${marker.slot}, ${slot ? slot.name : "not in the convention"}${label}: ${said.join(", ")}`;
}

export function plain(sheet) {
  return sheet.map(({ slot, start_us, end_us, label }) => ({ slot, start_us, end_us, label: label ?? "" }));
}

function endOf(grid, start, beats) {
  return Math.max(start + 1, Math.min(timeOf(grid, positionOf(grid, start) + beats), grid.durationUs));
}
