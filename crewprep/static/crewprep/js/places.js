// Where a time lies on the page, and which time lies at a place: the geometry of rows and strips, without the DOM.
// A strip is {left, beats, start, end, column}, in positions; see crewprep/web/rows.py, whose rules these are.

import { clamp, positionOf, timeOf } from "./grid.js";

const NEAR = 0.01;
const ROOM = 0.45; // of a bar: how much of the lane a marker takes before another needs a level of its own

// All strips in order, each with the number of its row and of itself.
export function flatten(rows) {
  return rows.flatMap((strips, row) => strips.map((strip) => ({ ...strip, row }))).map((strip, index) => ({
    ...strip,
    index,
  }));
}

export function stripAt(strips, position) {
  let found = strips[0];
  for (const strip of strips) if (strip.start <= position + NEAR) found = strip;
  return found;
}

// The strip and how far across it, 0 to 1.
export function placeOf(strips, grid, us) {
  const at = positionOf(grid, us);
  const strip = stripAt(strips, at);
  return { strip, across: Math.min(Math.max((at - strip.left) / strip.beats, 0), 1) };
}

export function timeAt(strip, grid, across) {
  const at = Math.min(Math.max(strip.left + across * strip.beats, strip.start), strip.end);
  return clamp(grid, timeOf(grid, at));
}

// The same column one row up or down; the row's nearest end where it is shorter.
export function otherRow(strips, grid, us, way) {
  const at = positionOf(grid, us);
  const here = stripAt(strips, at);
  const target = strips.filter((strip) => strip.row === here.row + way);
  if (!target.length) return us;
  const columnOf = (strip) => (strip.column === 2 ? strip.beats : 0);
  const first = strips.find((strip) => strip.row === here.row);
  const column = columnOf(first) + at - first.left;
  const wanted = target[0].left + column - columnOf(target[0]);
  const last = target[target.length - 1].end;
  const end = Math.max(target[0].start, Math.ceil(last - NEAR) - 1);
  return clamp(grid, timeOf(grid, Math.min(Math.max(wanted, target[0].start), Math.min(end, last))));
}

// Start and last beat of the row that a time lies in.
export function rowEnds(strips, grid, us) {
  const here = stripAt(strips, positionOf(grid, us));
  const mine = strips.filter((strip) => strip.row === here.row);
  const start = mine[0].start;
  const end = Math.max(start, Math.ceil(mine[mine.length - 1].end - NEAR) - 1);
  return [clamp(grid, timeOf(grid, start)), clamp(grid, timeOf(grid, end))];
}

// Each marker with its strip, its place across, the level of the lane it stands on, and whether it turns to the left.
export function layMarkers(strips, grid, markers) {
  const free = new Map();
  return [...markers]
    .sort((a, b) => a.start_us - b.start_us || a.slot - b.slot)
    .map((marker) => {
      const { strip, across } = placeOf(strips, grid, marker.start_us);
      const at = positionOf(grid, marker.start_us);
      const lanes = free.get(strip.row) ?? [];
      let level = lanes.findIndex((until) => at >= until);
      if (level < 0) level = lanes.length;
      const noted = marker.end_us !== null || Boolean(marker.label);
      lanes[level] = at + grid.perBar * (noted ? 1 : ROOM);
      free.set(strip.row, lanes);
      return { marker, strip, across, level, flip: across > (noted ? 0.75 : 0.9) };
    });
}

// For each strip that a loop crosses: from where to where across it, and whether the loop begins and ends there.
export function layLoop(strips, grid, marker) {
  const begin = positionOf(grid, marker.start_us);
  const stop = positionOf(grid, marker.end_us);
  return strips
    .filter((strip) => Math.min(stop, strip.end) - Math.max(begin, strip.start) >= NEAR)
    .map((strip) => ({
      strip,
      from: (Math.max(begin, strip.start) - strip.left) / strip.beats,
      to: (Math.min(stop, strip.end) - strip.left) / strip.beats,
      begins: begin >= strip.start - NEAR,
      ends: stop <= strip.end + NEAR,
    }));
}
