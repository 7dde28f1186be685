// Undo and redo over values that are never changed in place.

const MOST = 200;

export function makeHistory(first) {
  const past = [];
  let now = first;
  let future = [];
  return {
    get now() {
      return now;
    },
    get canUndo() {
      return past.length > 0;
    },
    get canRedo() {
      return future.length > 0;
    },
    push(next) {
      past.push(now);
      if (past.length > MOST) past.shift();
      now = next;
      future = [];
    },
    undo() {
      if (!past.length) return false;
      future.push(now);
      now = past.pop();
      return true;
    },
    redo() {
      if (!future.length) return false;
      past.push(now);
      now = future.pop();
      return true;
    },
  };
}
