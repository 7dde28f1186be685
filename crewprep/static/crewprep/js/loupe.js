// The loupe: two beats to either side of the chosen marker, close enough to see the attack. A picture only; the address
// beside it says the same in words.

import { positionOf, timeOf } from "./grid.js";
import { bytesOf, columnsOf, HEAD_BYTES, pairsOf, readHead } from "./peaks.js";

const BEATS = 2;
const SPARE = 2; // times as much is fetched, so that small moves need nothing more

export function makeLoupe(url, grid) {
  const canvas = document.createElement("canvas");
  canvas.className = "loupe";
  canvas.setAttribute("aria-hidden", "true");
  canvas.hidden = true;
  let head = null;
  let held = null;
  let wanted = 0;
  let shown = null;

  window.addEventListener("resize", () => {
    if (shown !== null && canvas.isConnected) show(shown);
  });

  async function part(first, last) {
    const answer = await window.fetch(url, { headers: { Range: `bytes=${first}-${last}` } });
    if (!answer.ok) throw new Error(String(answer.status));
    const bytes = await answer.arrayBuffer();
    return answer.status === 200 ? bytes.slice(first, last + 1) : bytes;
  }

  async function load(startUs, endUs, columns) {
    head ??= part(0, HEAD_BYTES - 1).then(readHead);
    const known = await head;
    const need = pairsOf(known, startUs, endUs, columns);
    if (!held || held.pairs.level !== need.level || need.first < held.pairs.first || need.last > held.pairs.last) {
      const room = ((SPARE - 1) * (endUs - startUs)) / 2;
      const pairs = { ...pairsOf(known, Math.max(0, startUs - room), endUs + room, columns * SPARE), level: need.level };
      if (pairs.last <= pairs.first) throw new Error("outside");
      held = { pairs, values: new Int8Array(await part(...bytesOf(pairs))) };
    }
    return columnsOf(known, held.pairs, held.values, startUs, endUs, columns);
  }

  // Draw around a time.
  async function show(us) {
    if (!url) return;
    wanted += 1;
    const mine = wanted;
    shown = us;
    const at = positionOf(grid, us);
    const beatUs = timeOf(grid, Math.floor(at) + 1) - timeOf(grid, Math.floor(at));
    const span = [us - BEATS * beatUs, us + BEATS * beatUs];
    canvas.hidden = false;
    const width = Math.max(1, Math.round(canvas.clientWidth * window.devicePixelRatio));
    const height = Math.max(1, Math.round(canvas.clientHeight * window.devicePixelRatio));
    let columns;
    try {
      columns = await load(Math.max(0, span[0]), span[1], width);
    } catch {
      head = null;
      canvas.hidden = true;
      return;
    }
    if (mine !== wanted) return;
    const from = Math.max(0, span[0]);
    canvas.width = width;
    canvas.height = height;
    draw(canvas.getContext("2d"), columns, (time) => ((time - from) / (span[1] - from)) * width, us, at);
  }

  function draw(paper, columns, across, us, at) {
    const { width, height } = paper.canvas;
    const colour = (name) => getComputedStyle(canvas).getPropertyValue(name);
    const pixel = window.devicePixelRatio;
    paper.fillStyle = colour("--ink-soft");
    columns.forEach((pair, x) => {
      if (!pair) return;
      const top = height / 2 - (pair[1] / 128) * (height / 2);
      const foot = height / 2 - (pair[0] / 128) * (height / 2);
      paper.fillRect(x, top, 1, Math.max(1, foot - top));
    });
    for (let quarter = Math.ceil((at - BEATS) * 4); quarter <= (at + BEATS) * 4; quarter += 1) {
      const onBeat = quarter % 4 === 0;
      if (quarter < 0) continue;
      paper.fillStyle = colour(onBeat ? "--ink" : "--edge");
      const x = across(timeOf(grid, quarter / 4));
      paper.fillRect(x - pixel / 2, onBeat ? 0 : height * 0.8, pixel, onBeat ? height : height * 0.2);
    }
    paper.fillStyle = colour("--link");
    paper.fillRect(across(us) - 1.5 * pixel, 0, 3 * pixel, height);
  }

  return { element: canvas, show };
}
