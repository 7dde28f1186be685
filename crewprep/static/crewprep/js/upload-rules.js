// What can be said of a file before it is sent, and one file after another. No page needed here.

/** What only the browser can say; what the service says too comes from the page, so that both say the same. */
export const sentences = {
  signIn: "You are no longer signed in. Sign in again in another window, then upload this file once more.",
  lost: "The connection broke. Check it, then upload this file once more.",
  broken: "The service could not take the file. Try again in a minute.",
};

/** The refusal that a file would meet, as the name of its sentence; empty for a file that may be sent. */
export function objection({ name, size }, { endings, mostBytes }) {
  if (!endingFits(name, endings)) return "notAudio";
  if (size > mostBytes) return "tooLarge";
  return size === 0 ? "empty" : "";
}

/** Whether the name has one of the endings, in any case. */
export function endingFits(name, endings) {
  const lower = name.toLowerCase();
  return endings.some((ending) => lower.endsWith(ending));
}

/** A queue that hands its things to `work` one at a time; `work` returns a promise that always settles. */
export function queueOf(work) {
  const waiting = [];
  let running = false;
  async function run() {
    if (running) return;
    running = true;
    try {
      while (waiting.length) await work(waiting.shift());
    } finally {
      running = false;
    }
  }
  return {
    add(thing) {
      waiting.push(thing);
      run();
    },
    busy: () => running,
  };
}
