// Which key asks for what. Only while the rows have the focus; `letters` switches off every single-character key
// (WCAG 2.2, 2.1.4), the others stay.

const ARROWS = { ArrowLeft: -1, ArrowRight: 1 };
const LETTERS = {
  u: { do: "undo" },
  U: { do: "redo" },
  "?": { do: "help" },
  h: { do: "grid", fix: "half-beat" },
  H: { do: "grid", fix: "beat" },
  b: { do: "grid", fix: "one" },
  "-": { do: "grid", fix: "half" },
  "+": { do: "grid", fix: "double" },
  "<": { do: "grid", fix: "earlier" },
  ">": { do: "grid", fix: "later" },
  "[": { do: "resize", times: 0.5 },
  "]": { do: "resize", times: 2 },
  t: { do: "tap" },
  k: { do: "clicks" },
  o: { do: "compare" },
  c: { do: "remark" },
  l: { do: "loop" },
  s: { do: "seam" },
  j: { do: "jump", by: "bar" },
  J: { do: "jump", by: "phrase" },
  p: { do: "propose" },
  y: { do: "hold" },
  f: { do: "fix" },
  a: { do: "approve" },
  r: { do: "return" },
  d: { do: "before-after" },
};

export function commandOf(event, { letters = true } = {}) {
  const { key, shiftKey = false, altKey = false } = event;
  const control = Boolean(event.ctrlKey || event.metaKey);
  if (control) {
    if (altKey) return null;
    const letter = key.toLowerCase();
    if (letter === "z") return { do: shiftKey ? "redo" : "undo" };
    return letter === "y" && !shiftKey ? { do: "redo" } : null;
  }
  if (key in ARROWS) {
    if (altKey) return shiftKey ? null : { do: "move", by: "ms", way: ARROWS[key] };
    return { do: "move", by: shiftKey ? "bar" : "beat", way: ARROWS[key] };
  }
  if (altKey) return null;
  switch (key) {
    case "ArrowUp":
      return { do: "move", by: "row", way: -1 };
    case "ArrowDown":
      return { do: "move", by: "row", way: 1 };
    case "Home":
      return { do: "row-end", way: -1 };
    case "End":
      return { do: "row-end", way: 1 };
    case "Delete":
    case "Backspace":
      return { do: "remove" };
    case " ":
      return { do: "toggle" };
    case "Enter":
      return { do: "play-here", lead: shiftKey };
    case "Escape":
      return { do: "stop" };
    default:
  }
  if (!letters) return null;
  if (/^[0-9]$/.test(key)) return { do: "put", slot: key === "0" ? 10 : Number(key) };
  return LETTERS[key] ?? null;
}
