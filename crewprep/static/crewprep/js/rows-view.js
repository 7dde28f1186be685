// The rows on the page: the grid, the strips with their elements, the cursor. Used by every page that shows a track.

import { makeCursor } from "./cursor.js";
import { makeGrid } from "./grid.js";
import { flatten } from "./places.js";
import { makePlayer } from "./player.js";

export function readData(id) {
  const element = document.getElementById(id);
  return element ? JSON.parse(element.textContent) : null;
}

// Everything a page with rows needs; null where the page has none.
export function openRows({ names = () => "" } = {}) {
  const root = document.getElementById("rows");
  const data = readData("rows-data");
  if (!root || !data) return null;
  const grid = makeGrid(data);
  const elements = [...root.querySelectorAll(".strip")];
  const strips = flatten(data.rows).map((strip) => ({
    ...strip,
    element: elements[strip.index],
    art: elements[strip.index].querySelector(".strip__art"),
    lane: elements[strip.index].querySelector(".strip__lane"),
    brackets: elements[strip.index].querySelector(".strip__brackets"),
    li: elements[strip.index].closest(".row"),
  }));
  const cursor = makeCursor(root, grid, strips, names);
  const player = makePlayer(document.getElementById("player"), grid, cursor);
  return { root, grid, strips, cursor, player };
}

// A click in a strip moves the cursor there.
export function followClicks({ root, grid, strips, cursor, player }, timeAt) {
  root.addEventListener("click", (event) => {
    const strip = strips.find((candidate) => candidate.art === event.target.closest(".strip__art"));
    if (!strip) return;
    const box = strip.art.getBoundingClientRect();
    const us = timeAt(strip, grid, (event.clientX - box.left) / box.width);
    if (player.playing) player.seek(us);
    else cursor.set(us);
    cursor.element.focus({ preventScroll: true });
  });
}
