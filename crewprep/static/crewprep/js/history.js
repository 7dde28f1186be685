// Undo and redo over values that are never changed in place.

const MOST = 200;
const MOST_KEPT = 60;

export function makeHistory(first) {
  let past = [];
  let now = first;
  let future = [];
  return {
    get now() {
      return now;
    },
    get past() {
      return past;
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
    // The newest steps as a plain value, and back; what is no such value changes nothing.
    dump() {
      return { past: past.slice(-MOST_KEPT), now, future: future.slice(-MOST_KEPT) };
    },
    load(kept) {
      if (![kept?.past, kept?.now, kept?.future].every(Array.isArray)) return false;
      ({ past, now, future } = kept);
      return true;
    },
  };
}
