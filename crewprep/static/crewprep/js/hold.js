// One's hold on the track lapses two hours after the last change: a warning some minutes before, where one is looking,
// with one button and one key to go on (WCAG 2.2, 2.2.1). The service says how many seconds are left, so that a clock
// that is wrong here does no harm.

import { smallButton } from "./button.js";

// Calls `onWarn` when `warn` seconds are left and `onLapse` when none are; each `set` starts anew. No DOM here.
export function makeTimer({ warn, onWarn, onLapse, now = () => Date.now(), later = setTimeout, cancel = clearTimeout }) {
  let end = null;
  let timer = 0;
  let told = "";

  function look() {
    cancel(timer);
    if (end === null) return;
    const left = (end - now()) / 1000;
    if (left <= 0) {
      end = null;
      told = "";
      onLapse();
      return;
    }
    if (left <= warn && told !== "warned") {
      told = "warned";
      onWarn(left);
    }
    timer = later(look, 1000 * (left > warn ? left - warn : left));
  }

  return {
    set(seconds) {
      end = seconds === null ? null : now() + 1000 * seconds;
      told = "";
      look();
    },
    // A machine that slept wakes up with its timers late.
    look,
  };
}

export function makeHold(claim, { stand, form, say }) {
  if (!claim) return { held() {}, renew() {} };
  let until = claim.dataset.until ?? "";
  let box = null;
  const timer = makeTimer({
    warn: Number(claim.dataset.warn),
    onWarn: (left) => show(`Your hold of this track lapses at ${until}, in ${minutes(left)}.`, "Two hours more"),
    onLapse: () => show("Your hold of this track has lapsed. What you did is kept, but others may take the track.", "Hold it again"),
  });

  function clear() {
    box?.remove();
    box = null;
  }

  function show(text, word) {
    clear();
    box = document.createElement("div");
    box.className = "notice notice--wait stack stack--tight";
    const line = document.createElement("p");
    line.textContent = text;
    const bar = document.createElement("p");
    bar.append(smallButton(word, renew));
    box.append(line, bar);
    stand.prepend(box);
    say(`${text} ${word}: key Y.`);
  }

  function held(answer) {
    if (answer.held_for === null) return;
    until = answer.until;
    document.getElementById("claim-words").textContent = `You hold this track until ${until}`;
    clear();
    timer.set(answer.held_for);
  }

  async function renew() {
    const fields = { do: "claim", csrfmiddlewaretoken: form.elements.csrfmiddlewaretoken.value };
    try {
      const answer = await fetch(claim.dataset.url, {
        method: "POST",
        body: new URLSearchParams(fields),
        headers: { Accept: "application/json" },
      });
      const body = await answer.json();
      if (answer.ok) held(body);
      say(answer.ok ? `You hold this track until ${until}.` : body.detail);
    } catch {
      say("The service does not answer. Try again in a moment.");
    }
  }

  document.addEventListener("visibilitychange", timer.look);
  if (claim.dataset.left !== undefined) timer.set(Number(claim.dataset.left));
  return { held, renew };
}

function minutes(seconds) {
  const whole = Math.max(Math.round(seconds / 60), 1);
  return whole === 1 ? "1 minute" : `${whole} minutes`;
}
