// Many files, one after another, each with its own bar. Without this script the form sends them all at once.

import { objection, queueOf, sentences } from "./upload-rules.js";

const form = document.querySelector("#upload");
const picker = form.querySelector("input[type=file]");
const list = document.querySelector("[data-uploads]");
const row = document.querySelector("#upload-row");
const status = document.querySelector("[data-upload-status]");
const limits = { mostBytes: Number(form.dataset.mostBytes), endings: form.dataset.endings.split(",") };

const queue = queueOf(send);

form.querySelector("[data-drop-hint]").hidden = false;

form.addEventListener("submit", (event) => {
  event.preventDefault();
  take([...picker.files]);
  picker.value = "";
});

for (const kind of ["dragenter", "dragover"]) {
  form.addEventListener(kind, (event) => {
    if (!event.dataTransfer.types.includes("Files")) return;
    event.preventDefault();
    form.classList.add("drop--over");
  });
}
form.addEventListener("dragleave", (event) => {
  if (!form.contains(event.relatedTarget)) form.classList.remove("drop--over");
});
form.addEventListener("drop", (event) => {
  event.preventDefault();
  form.classList.remove("drop--over");
  take([...event.dataTransfer.files]);
});

window.addEventListener("beforeunload", (event) => {
  if (queue.busy()) event.preventDefault();
});

function take(files) {
  for (const file of files) {
    const line = lineFor(file);
    const name = objection(file, limits);
    if (name) refuse(line, form.dataset[name]);
    else queue.add({ file, line });
  }
}

function lineFor(file) {
  const line = row.content.firstElementChild.cloneNode(true);
  line.querySelector(".uploads__name").textContent = file.name;
  line.querySelector("progress").setAttribute("aria-label", `Upload of ${file.name}`);
  const dismiss = line.querySelector("button");
  dismiss.hidden = true;
  dismiss.setAttribute("aria-label", `Dismiss ${file.name}`);
  dismiss.addEventListener("click", () => {
    const next = line.nextElementSibling ?? line.previousElementSibling;
    line.remove();
    (next?.querySelector("button:not([hidden])") ?? picker).focus();
  });
  list.append(line);
  return line;
}

function send({ file, line }) {
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    const body = new FormData();
    body.append("audio", file, file.name);
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("X-CSRFToken", form.elements.csrfmiddlewaretoken.value);
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      line.querySelector("progress").value = event.loaded / event.total;
      say(line, `${Math.floor((100 * event.loaded) / event.total)} %`);
    });
    request.addEventListener("load", () => {
      const answer = parsed(request.responseText);
      if (request.status === 201) accept(line, file.name);
      else if (request.status === 200 && answer?.detail) recognise(line, answer.detail);
      else if (request.status === 401) refuse(line, sentences.signIn);
      else refuse(line, answer?.detail ?? sentences.broken);
      done();
    });
    for (const kind of ["error", "abort", "timeout"]) {
      request.addEventListener(kind, () => {
        refuse(line, sentences.lost);
        done();
      });
    }
    say(line, "0 %");
    request.send(body);
  });
}

function accept(line, name) {
  line.remove();
  status.textContent = `${name} is taken in.`;
  // The list of tracks asks for itself anew; see _tracks.html.
  document.body.dispatchEvent(new CustomEvent("reload-tracks"));
}

// The crew has the file already: said until it is dismissed.
function recognise(line, sentence) {
  conclude(line, sentence);
  document.body.dispatchEvent(new CustomEvent("reload-tracks"));
}

function refuse(line, sentence) {
  line.classList.add("uploads--refused");
  conclude(line, sentence);
}

function conclude(line, sentence) {
  line.querySelector("progress").hidden = true;
  line.querySelector("button").hidden = false;
  say(line, sentence);
  status.textContent = `${line.querySelector(".uploads__name").textContent}: ${sentence}`;
}

function say(line, words) {
  line.querySelector(".uploads__words").textContent = words;
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}
