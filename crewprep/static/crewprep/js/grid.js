// Musical time in the browser: the same arithmetic as crewprep/analysis/musical_time.py, from the same lists.
// No DOM here; node --test runs it. Times are whole microseconds, positions are beats counted from beats[0].

const QUARTERS = ["", "¼", "½", "¾"];
const OFF_GRID_US = 5000;
const NEAR = 0.001; // of a beat (half a millisecond at 120 BPM): closer than this counts as standing on it

export function makeGrid(data) {
  return Object.freeze({
    durationUs: data.duration_us,
    timed: data.timed,
    perBar: data.beats_per_bar,
    beats: data.beats_us,
    downbeats: data.downbeats,
    phrases: data.phrases,
  });
}

// Number of values that are at most x, in a rising list.
export function countUpTo(list, x) {
  let low = 0;
  let high = list.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle] <= x) low = middle + 1;
    else high = middle;
  }
  return low;
}

export function positionOf(grid, us) {
  const after = Math.min(Math.max(countUpTo(grid.beats, us), 1), grid.beats.length - 1);
  const left = grid.beats[after - 1];
  return after - 1 + (us - left) / (grid.beats[after] - left);
}

export function timeOf(grid, position) {
  const index = Math.min(Math.max(Math.floor(position), 0), grid.beats.length - 2);
  const left = grid.beats[index];
  return Math.floor(left + (position - index) * (grid.beats[index + 1] - left) + 0.5);
}

// Inside the audio: the last moment that a marker may stand on is one microsecond before the end.
export function clamp(grid, us) {
  return Math.min(Math.max(us, 0), Math.max(0, grid.durationUs - 1));
}

export function partsOf(grid, beat) {
  const phrase = countUpTo(grid.phrases, beat);
  const start = phrase ? grid.phrases[phrase - 1] : 0;
  const bar = countUpTo(grid.downbeats, beat) - 1;
  const firstBar = countUpTo(grid.downbeats, start) - 1;
  if (bar < 0) return [phrase, 1, Math.max(1, grid.perBar - (grid.downbeats[0] - beat) + 1)];
  return [phrase, bar - firstBar + 1, beat - grid.downbeats[bar] + 1];
}

export function addressOf(grid, us) {
  if (grid.timed) return clock(us);
  const quarter = Math.floor(positionOf(grid, us) * 4 + 0.5);
  const beat = Math.min(Math.max(Math.floor(quarter / 4), 0), grid.beats.length - 1);
  const fraction = ((quarter % 4) + 4) % 4;
  const offUs = offGrid(grid, us);
  const off = offUs ? ` ${offUs > 0 ? "+" : "−"}${Math.floor(Math.abs(offUs) / 1000 + 0.5)} ms` : "";
  return partsOf(grid, beat).join(".") + QUARTERS[fraction] + off;
}

// Microseconds after the nearest quarter of a beat; 0 where it is nearer than 5 ms, and without a grid.
export function offGrid(grid, us) {
  if (grid.timed) return 0;
  const off = us - timeOf(grid, Math.floor(positionOf(grid, us) * 4 + 0.5) / 4);
  return Math.abs(off) >= OFF_GRID_US ? off : 0;
}

// The time of "13.1.1", "3:00.5" or "180.5"; null for anything else.
export function findTime(grid, text) {
  const address = /^(\d{1,4})\.(\d{1,4})\.(\d{1,2})([¼½¾]?)$/.exec(text.trim());
  if (!address) return parseClock(text);
  if (grid.timed) return null;
  const wanted = address.slice(1, 4).map(Number).join(".");
  const phrase = Number(address[1]);
  const count = grid.phrases.length;
  const first = phrase > count ? grid.beats.length : phrase ? grid.phrases[phrase - 1] : 0;
  const last = phrase < count ? grid.phrases[phrase] : grid.beats.length;
  for (let beat = first; beat < last; beat += 1) {
    if (partsOf(grid, beat).join(".") === wanted) {
      const us = timeOf(grid, beat + QUARTERS.indexOf(address[4]) / 4);
      return us >= 0 && us < grid.durationUs ? us : null;
    }
  }
  return null;
}

// Pull a time to the slot's fraction of a beat; whole bars where the fraction is four beats. Free without a grid.
export function snap(grid, us, fraction) {
  if (grid.timed) return clamp(grid, us);
  const last = Math.max(0, grid.durationUs - 1);
  if (fraction >= 4) {
    const inside = grid.downbeats.filter((beat) => timeOf(grid, beat) >= 0 && timeOf(grid, beat) <= last);
    if (!inside.length) return clamp(grid, us);
    const at = positionOf(grid, us);
    return timeOf(grid, inside.reduce((best, beat) => (Math.abs(beat - at) < Math.abs(best - at) ? beat : best)));
  }
  let step = Math.floor(positionOf(grid, us) / fraction + 0.5);
  while (timeOf(grid, step * fraction) < 0) step += 1;
  while (timeOf(grid, step * fraction) > last && step > 0) step -= 1;
  return clamp(grid, timeOf(grid, step * fraction));
}

// The next beat in a direction (+1 or -1), from wherever one stands.
export function nextBeat(grid, us, way) {
  const at = positionOf(grid, us);
  return clamp(grid, timeOf(grid, way > 0 ? Math.floor(at + NEAR) + 1 : Math.ceil(at - NEAR) - 1));
}

// The next bar line in a direction; the ends of the audio where there is none.
export function nextBar(grid, us, way) {
  const at = positionOf(grid, us);
  const index = way > 0 ? countUpTo(grid.downbeats, at + NEAR) : countUpTo(grid.downbeats, at - NEAR) - 1;
  if (index < 0) return 0;
  if (index >= grid.downbeats.length) return clamp(grid, grid.durationUs);
  return clamp(grid, timeOf(grid, grid.downbeats[index]));
}

// So many beats away, keeping the place inside the beat.
export function shiftBeats(grid, us, beats) {
  return clamp(grid, timeOf(grid, positionOf(grid, us) + beats));
}

export function loopEnd(grid, startUs, bars) {
  const end = timeOf(grid, positionOf(grid, startUs) + bars * grid.perBar);
  return Math.max(startUs + 1, Math.min(end, grid.durationUs));
}

// "4 bars", "1 bar and 2 beats", "1.500 s".
export function lengthText(grid, startUs, endUs) {
  if (endUs === null) return "";
  if (grid.timed) return `${((endUs - startUs) / 1e6).toFixed(3)} s`;
  const beats = positionOf(grid, endUs) - positionOf(grid, startUs);
  const whole = Math.floor(beats + 0.5);
  if (!whole || Math.abs(beats - whole) > 0.02) return `${beats.toFixed(2)} beats`;
  const bars = Math.floor(whole / grid.perBar);
  const rest = whole % grid.perBar;
  return [bars ? count(bars, "bar") : "", rest ? count(rest, "beat") : ""].filter(Boolean).join(" and ");
}

export function clock(us, digits = 3) {
  const step = 10 ** (6 - digits);
  const units = Math.floor((Math.max(0, us) + Math.floor(step / 2)) / step);
  const per = 10 ** digits;
  const total = Math.floor(units / per);
  const hours = Math.floor(total / 3600);
  const minutes = Math.floor(total / 60) % 60;
  const seconds = String(total % 60).padStart(2, "0");
  const head = hours ? `${hours}:${String(minutes).padStart(2, "0")}:${seconds}` : `${minutes}:${seconds}`;
  return digits ? `${head}.${String(units % per).padStart(digits, "0")}` : head;
}

export function parseClock(text) {
  const found = /^(?:(?:(\d{1,2}):)?(\d{1,3}):)?(\d{1,5})(?:[.,](\d{1,6}))?$/.exec(text.trim());
  if (!found) return null;
  const seconds = Number(found[3]) + 60 * Number(found[2] ?? 0) + 3600 * Number(found[1] ?? 0);
  return seconds * 1e6 + Number((found[4] ?? "").padEnd(6, "0"));
}

function count(number, noun) {
  return `${number} ${noun}${number === 1 ? "" : "s"}`;
}
