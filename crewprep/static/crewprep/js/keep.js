// Unsent work survives a reload: it is kept in this window's session storage until it was sent, and leaving asks first.

export function makeKeep(name, form) {
  const key = `crewprep:desk:${name}`;
  let unsaved = false;
  let sending = false;

  form.addEventListener("submit", () => {
    sending = true;
    const kept = read();
    // Whether it arrives is not known here: on the next visit it is offered, not put back by itself.
    if (kept) write({ ...kept, sent: true });
  });
  window.addEventListener("pageshow", () => {
    sending = false;
  });
  window.addEventListener("beforeunload", (event) => {
    if (unsaved && !sending) event.preventDefault();
  });

  function read() {
    try {
      return JSON.parse(window.sessionStorage.getItem(key) ?? "null");
    } catch {
      return null;
    }
  }

  function write(value) {
    try {
      window.sessionStorage.setItem(key, JSON.stringify(value));
    } catch {
      // Full or closed storage: the question on leaving still guards the work.
    }
  }

  return {
    read,
    // The page is left for one that shows the same markers: no question.
    leave() {
      sending = true;
    },
    changed(markers, note) {
      unsaved = true;
      write({ markers, note });
    },
    clean() {
      unsaved = false;
      try {
        window.sessionStorage.removeItem(key);
      } catch {
        // see write()
      }
    },
  };
}
