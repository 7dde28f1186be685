// What was done here and is not proposed yet. It is kept twice: in this window with its undo, and by the service, for
// a lost window or another one of the same member. Where two windows went apart, one chooses, and undo has the other.

import { makeAutosave } from "./autosave.js";
import { smallButton } from "./button.js";
import { makeKeep } from "./keep.js";
import { plain, same } from "./sheet.js";

const STATES = { waiting: "Saving …", saved: "Saved" };
const BACK = "Your changes of this track that are not proposed yet are back. Undo takes them away.";
const NO_NOTE = { value: "", defaultValue: "", addEventListener() {} };

export function makeWork({ desk, form, slots, history, stand, refused, onShow, onState, onFound, onHeld, say }) {
  const keep = makeKeep(desk.kept_as, form);
  const note = form.elements.note ?? NO_NOTE;
  const { pending = "Not proposed yet.", back: isBack = BACK } = form.dataset;
  const saver = makeAutosave({ send, revision: desk.kept?.revision ?? 0, onState: told, onConflict: apart, onFound });
  let saidSaved = false;

  form.addEventListener("submit", (event) => {
    form.elements.markers.value = JSON.stringify(plain(history.now));
    if (!form.elements.seen_kept) return;
    form.elements.seen_kept.value = saver.revision;
    if (!saver.busy) return;
    // What is on its way moves the revision on: it goes first.
    event.preventDefault();
    saver.settled().then(() => form.requestSubmit(event.submitter));
  });
  note.addEventListener("input", changed);
  document.addEventListener("visibilitychange", () => {
    // A page that is left for its own next self has this window's storage; two writers would only race.
    if (document.visibilityState === "hidden" && !keep.leaving) saver.flush();
  });

  const isChanged = () => !same(history.now, plain(desk.saved)) || note.value !== note.defaultValue;
  const now = () => ({ markers: plain(history.now), note: note.value });
  const sameAs = (other) => same(other.markers, history.now) && (other.note || note.value) === note.value;

  function remember() {
    keep.write({ history: history.dump(), note: note.value, revision: saver.revision });
    document.getElementById("unsaved").hidden = !isChanged();
  }

  function changed() {
    keep.ask(true);
    saver.changed(now());
    remember();
  }

  async function send(work, seen) {
    const fields = {
      markers: JSON.stringify(work.markers),
      note: work.note,
      begun_from: desk.kept_as,
      seen,
      csrfmiddlewaretoken: form.elements.csrfmiddlewaretoken.value,
    };
    const answer = await fetch(form.dataset.keepUrl, {
      method: "POST",
      body: new URLSearchParams(fields),
      headers: { Accept: "application/json" },
      keepalive: true,
    });
    const body = await answer.json();
    if (body.held_for !== undefined) onHeld(body);
    return body;
  }

  function told(state, detail) {
    keep.ask(state !== "saved");
    const line = document.getElementById("unsaved");
    line.textContent = `${pending} ${{ waiting: "Saving …", saved: "Saved.", failed: "Kept in this window only." }[state]}`;
    if (state === "failed") {
      const why = detail ?? "The service does not answer.";
      onState("Not saved");
      say(`${why} Your changes are kept in this window, and sent again by themselves.`);
      return;
    }
    onState(STATES[state]);
    if (state !== "saved") return;
    remember();
    if (!saidSaved) say("Saved.");
    saidSaved = true;
  }

  function take(other) {
    history.push(other.markers.filter((marker) => slots.has(marker.slot)));
    note.value = other.note || note.value;
  }

  // Another window of this member has written since this one last did.
  function apart(other) {
    if (!other) saver.goOn(0, now()); // proposed elsewhere: kept once more, and offered when the track is opened again
    else if (sameAs(other)) saver.goOn(other.revision, null);
    else if (history.past.some((before) => same(before, other.markers))) saver.goOn(other.revision, now());
    else choose(other);
  }

  function choose(other) {
    const box = document.createElement("div");
    box.className = "notice notice--wait stack stack--tight";
    const text = document.createElement("p");
    text.textContent = `You changed this track in another window too${other.at ? `, at ${other.at}` : ""}. Undo keeps whichever you leave.`;
    const bar = document.createElement("p");
    bar.className = "beside";
    const settle = (work) => {
      box.remove();
      saver.goOn(other.revision, work);
      remember();
      onShow();
    };
    bar.append(
      smallButton("Use the other window's", () => {
        take(other);
        settle(null);
        say("These are the markers of the other window now.");
      }),
      " ",
      smallButton("Keep these", () => {
        const mine = history.now;
        take(other);
        history.push(mine);
        settle(now());
        say("These markers are kept.");
      }),
    );
    box.append(text, bar);
    stand.prepend(box);
    onState("Not saved");
    say(text.textContent);
  }

  function offer(other, words) {
    const button = smallButton(words, () => {
      button.remove();
      take(other);
      changed();
      onShow();
      say("Your markers are back. Undo takes them away.");
    });
    form.querySelector("#unsaved").after(button);
  }

  // Work of this window comes back by itself, and so does what the service kept of work that began from what lies on
  // the desk now. What was sent, as it may have arrived, and what began from something else are only offered.
  function restore() {
    const mine = keep.read();
    const kept = desk.kept?.begun_from === desk.kept_as ? desk.kept : null;
    if (refused) {
      if (same(mine?.history?.now ?? [], history.now)) history.load(mine?.history);
      changed();
      return;
    }
    const back = mine && !mine.sent && history.load(mine.history);
    if (back) {
      note.value = mine.note;
      if (kept && kept.revision !== mine.revision) apart(kept);
      else if (!kept || !sameAs(kept)) changed();
    } else if (kept) {
      if (!sameAs(kept)) take(kept);
      remember();
    } else if (mine?.sent && !same(mine.history?.now ?? [], history.now)) {
      offer({ markers: mine.history?.now ?? [], note: mine.note }, "Put back what you sent from here before");
    }
    if (desk.kept && !kept) offer(desk.kept, `Put back what you had not proposed at ${desk.kept.at}`);
    if ((back || kept) && isChanged()) say(isBack);
  }

  return { changed, restore, leave: keep.leave };
}
