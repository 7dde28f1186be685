// Work in this window survives a reload, undo and all: it is kept in the window's session storage, and leaving asks
// first where the service does not have it yet.

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
      // Full or closed storage: the service and the question on leaving still guard the work.
    }
  }

  return {
    read,
    write,
    // The page is left for one that shows the same markers: no question.
    leave() {
      sending = true;
    },
    get leaving() {
      return sending;
    },
    ask(whether) {
      unsaved = whether;
    },
  };
}
