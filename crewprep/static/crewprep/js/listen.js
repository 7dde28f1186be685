// A page that shows rows to look at and to listen to, without changing anything.

import { nextBar, nextBeat, shiftBeats } from "./grid.js";
import { commandOf } from "./keys.js";
import { otherRow, rowEnds, timeAt } from "./places.js";
import { followClicks, openRows } from "./rows-view.js";

const view = openRows();
if (view) {
  followClicks(view, timeAt);
  listenKeys(view);
  view.root.addEventListener("click", (event) => {
    const marker = event.target.closest(".marker");
    if (marker) view.cursor.set(Number(marker.dataset.startUs));
  });
}

function listenKeys({ root, grid, strips, cursor, player }) {
  root.addEventListener("keydown", (event) => {
    const command = commandOf(event, { letters: false });
    if (!command || (event.target !== cursor.element && command.do !== "toggle")) return;
    const us = cursor.us;
    const go = (next) => (player.playing ? player.seek(next) : cursor.set(next));
    if (command.do === "move") {
      if (command.by === "ms") go(us + 1000 * command.way);
      else if (command.by === "row") go(otherRow(strips, grid, us, command.way));
      else if (grid.timed) go(shiftBeats(grid, us, command.way * (command.by === "bar" ? grid.perBar : 1)));
      else go(command.by === "bar" ? nextBar(grid, us, command.way) : nextBeat(grid, us, command.way));
    } else if (command.do === "row-end") go(rowEnds(strips, grid, us)[command.way < 0 ? 0 : 1]);
    else if (command.do === "toggle") player.toggle();
    else if (command.do === "play-here") player.play();
    else if (command.do === "stop") player.stop();
    else return;
    event.preventDefault();
  });
}
