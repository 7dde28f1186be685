// Sends what is being worked on to the service every two seconds while it changes, one request at a time; after a
// failure later and later. A window that another one overtook stops until it was told how to go on. No DOM here.

const WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30_000;

// `send(work, seen)` answers {revision, findings}, {kept} where another window has written (null where nothing is kept any more),
// or {detail} for another refusal; it throws where nothing answered.
export function makeAutosave({ send, revision, onState, onConflict, onFound = () => {}, later = setTimeout }) {
  let running = Promise.resolve();
  let waiting = null;
  let timed = false;
  let busy = false;
  let overtaken = false;
  let failures = 0;

  function schedule() {
    if (timed || busy || overtaken || !waiting) return;
    timed = true;
    later(
      () => {
        timed = false;
        flush();
      },
      Math.min(WAIT_MS * 2 ** failures, LONGEST_WAIT_MS),
    );
  }

  function flush() {
    if (waiting && !busy && !overtaken) running = sendWaiting();
    return running;
  }

  async function sendWaiting() {
    const work = waiting;
    waiting = null;
    busy = true;
    const answer = await send(work, revision).catch(() => ({}));
    busy = false;
    if (answer.revision) {
      revision = answer.revision;
      failures = 0;
      if (answer.findings) onFound(answer.findings);
      if (!waiting) onState("saved");
    } else {
      waiting ??= work;
      if (answer.kept === undefined) {
        failures += 1;
        onState("failed", answer.detail);
      } else {
        overtaken = true;
        onConflict(answer.kept);
      }
    }
    schedule();
  }

  return {
    flush,
    get busy() {
      return busy;
    },
    // Until the request that is on its way has been answered.
    settled: () => running,
    get revision() {
      return revision;
    },
    changed(work) {
      waiting = work;
      onState("waiting");
      schedule();
    },
    // Go on from what another window has written; null to send nothing.
    goOn(seen, work) {
      revision = seen;
      overtaken = false;
      waiting = work;
      onState(work ? "waiting" : "saved");
      schedule();
    },
  };
}
