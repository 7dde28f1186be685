// The lowest and highest samples of a track, as analysis_worker/core/peaks.py writes them. No DOM here.

export const HEAD_BYTES = 116;

// What the head of the file says; throws where it is another file.
export function readHead(bytes) {
  const view = new DataView(bytes);
  if (view.getUint32(0, false) !== 0x4350504b || view.getUint8(4) !== 1) throw new Error("not the peaks of a track");
  const levels = [];
  for (let index = 0; index < view.getUint8(5); index += 1) {
    const at = 20 + 12 * index;
    levels.push({ samples: view.getUint32(at, true), offset: Number(view.getBigUint64(at + 4, true)) });
  }
  return { rate: view.getUint32(8, true), frames: Number(view.getBigUint64(12, true)), levels };
}

// The coarsest level that still has a pair for each of `columns`, and which of its pairs lie between two times.
export function pairsOf(head, startUs, endUs, columns) {
  const perColumn = ((endUs - startUs) * head.rate) / 1e6 / columns;
  const fitting = head.levels.filter((level) => level.samples <= perColumn);
  const level = fitting.at(-1) ?? head.levels[0];
  const count = Math.ceil(head.frames / level.samples);
  const pair = (us) => Math.min(Math.max(Math.floor((us * head.rate) / 1e6 / level.samples), 0), count);
  return { level, first: pair(startUs), last: Math.min(pair(endUs) + 1, count) };
}

// First and last byte of some pairs.
export function bytesOf({ level, first, last }) {
  return [level.offset + 2 * first, level.offset + 2 * last - 1];
}

// For each column the lowest and highest value (-128 to 127) of what it covers; null where there is no sound.
export function columnsOf(head, pairs, values, startUs, endUs, columns) {
  const step = ((endUs - startUs) * head.rate) / 1e6 / columns / pairs.level.samples;
  const begin = (startUs * head.rate) / 1e6 / pairs.level.samples;
  return Array.from({ length: columns }, (_, column) => {
    const from = Math.floor(begin + column * step) - pairs.first;
    const to = Math.max(from + 1, Math.floor(begin + (column + 1) * step) - pairs.first);
    let low = 128;
    let high = -129;
    for (let pair = Math.max(from, 0); pair < Math.min(to, values.length / 2); pair += 1) {
      low = Math.min(low, values[2 * pair]);
      high = Math.max(high, values[2 * pair + 1]);
    }
    return high < low ? null : [low, high];
  });
}
