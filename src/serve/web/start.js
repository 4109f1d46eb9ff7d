// The first page: pictures in, and the list of all boards.
import { ask, askedWords, byId, clearWrong, fillForm, makeForm, put, readForm, sentence, showWrong, sign, stateWords, verdictOf } from "/common.js";

const form = byId("form");
let pictures = [];
let touched = false;

// ---- choosing ----

function showPictures() {
  byId("pictures").replaceChildren(
    ...pictures.map((file, i) => {
      const drop = put("button", { type: "button", class: "quiet", "aria-label": `leave out ${file.name}` }, "\u00d7");
      drop.addEventListener("click", () => {
        pictures.splice(i, 1);
        showPictures();
      });
      return put("li", {}, put("bdi", {}, file.name), ` ${(file.size / 1048576).toFixed(1)} MB`, drop);
    }),
  );
  byId("chosen").hidden = pictures.length > 0;
  byId("go").textContent = pictures.length > 1 ? `Measure ${pictures.length} boards` : "Measure";
}

function take(files) {
  pictures.push(...files);
  byId("going").textContent = "";
  showPictures();
}

for (const id of ["files", "camera"])
  byId(id).addEventListener("change", (event) => {
    take(event.target.files);
    event.target.value = "";
  });

const drop = byId("drop");
for (const name of ["dragenter", "dragover"])
  drop.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
drop.addEventListener("drop", (event) => {
  event.preventDefault();
  take([...event.dataTransfer.files]);
});
// beside the frame a browser would leave the page and show the picture
for (const name of ["dragover", "drop"]) addEventListener(name, (event) => event.preventDefault());

// ---- sending ----

function send(file, settings, told) {
  const query = new URLSearchParams({ ...settings, name: file.name });
  return new Promise((done) => {
    const request = new XMLHttpRequest(); // fetch does not tell how much has been sent
    request.open("POST", `/api/jobs?${query}`);
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = (event) => told(event.loaded / event.total);
    request.onload = () => {
      let answer = {};
      try {
        answer = JSON.parse(request.responseText);
      } catch {
        answer.error = "the program has answered something that cannot be read";
      }
      done({ ...answer, ok: request.status === 201, status: request.status });
    };
    request.onerror = () => done({ ok: false, error: "the program does not answer; is it still running where it was started?" });
    request.send(file);
  });
}

async function sendAll(settings) {
  const ids = [];
  while (pictures.length) {
    const file = pictures[0];
    const answer = await send(file, settings, (part) => {
      byId("going").textContent = `Sending ${file.name}, ${Math.round(100 * part)} %`;
    });
    if (!answer.ok) {
      if (!showWrong(form, answer)) byId("going").textContent = sentence(`${file.name}: ${answer.error}`);
      return null;
    }
    ids.push(answer.id);
    pictures.shift();
    showPictures();
    list();
  }
  return ids;
}

form.addEventListener("input", () => (touched = true));
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearWrong(form);
  const settings = readForm(form);
  const answer = await ask("POST", "/api/form", settings);
  if (!answer.ok) {
    if (!showWrong(form, answer)) byId("going").textContent = sentence(answer.error);
    return;
  }
  if (!pictures.length) {
    byId("going").textContent = "Choose a picture first.";
    byId("files").focus();
    return;
  }
  byId("go").disabled = true;
  const ids = await sendAll(settings);
  byId("go").disabled = false;
  if (ids && ids.length === 1) location.assign(`/board/${ids[0]}`);
  else if (ids) {
    byId("going").textContent = "All are in; they are measured one after the other.";
    byId("boards-heading").scrollIntoView();
  }
});

// ---- boards that are remembered ----

let boards = [];
let boardsShown = "";
const OF_BOARD = ["scale_length", "frets", "divisions", "marks", "nut", "tang", "tolerance"];
const chosenBoard = () => boards.find((b) => b.id === byId("board").value);

function showBoards(now) {
  const text = JSON.stringify(now);
  if (text === boardsShown) return;
  boardsShown = text;
  boards = now.sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
  const before = byId("board").value;
  byId("board").replaceChildren(put("option", { value: "" }, "a new one"), ...boards.map((b) => put("option", { value: b.id }, b.name)));
  byId("board").value = boards.some((b) => b.id === before) ? before : "";
  byId("known").hidden = !boards.length;
  byId("forget").hidden = !chosenBoard();
}

byId("board").addEventListener("change", () => {
  const board = chosenBoard();
  byId("forget").hidden = !board;
  byId("remembered").textContent = "";
  if (!board) return;
  const settings = readForm(form);
  for (const name of OF_BOARD) delete settings[name];
  fillForm(form, { ...settings, ...board.settings });
  touched = true;
});
byId("remember").addEventListener("click", () => {
  byId("naming").hidden = false;
  byId("called").value = chosenBoard()?.name ?? "";
  byId("called").focus();
});

async function remember() {
  clearWrong(form);
  const name = byId("called").value.trim();
  const answer = await ask("POST", "/api/boards", { name, settings: readForm(form) });
  if (!answer.ok) {
    if (!showWrong(form, answer)) byId("remembered").textContent = sentence(answer.error);
    return;
  }
  byId("naming").hidden = true;
  byId("remembered").textContent = `Remembered as ${name}.`;
  await list();
  byId("board").value = boards.find((b) => b.name === name)?.id ?? "";
  byId("forget").hidden = !chosenBoard();
}
byId("save").addEventListener("click", remember);
byId("called").addEventListener("keydown", (event) => {
  if (event.key === "Enter") {
    event.preventDefault();
    remember();
  }
});
byId("forget").addEventListener("click", async () => {
  const board = chosenBoard();
  const answer = board ? await ask("DELETE", `/api/boards/${board.id}`) : { ok: false };
  byId("remembered").textContent = answer.ok ? `${board.name} is forgotten.` : sentence(answer.error);
  await list();
});

// ---- the list ----

const when = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "short" });

function row(job) {
  const verdict = verdictOf(job);
  const about = job.about ?? {};
  const counts = ["out", "missing", "undecided"].filter((word) => about[word]).map((word) => `${about[word]} ${word}`);
  const words = put("span", { class: "state" }, stateWords(job) + (job.state === "done" && counts.length ? `: ${counts.join(", ")}` : ""));
  const sum = job.together > 0;
  const href = sum && job.state === "done" ? `/api/jobs/${job.id}/report` : `/board/${job.id}`;
  return put(
    "li",
    { class: verdict ?? "under-way" },
    ...(choosing && !sum && job.shown ? [tick(job)] : []),
    put(
      "a",
      { href },
      ...(verdict ? [sign(verdict)] : [put("span", { class: "turning", "aria-hidden": "true" })]),
      put("bdi", { class: "name" }, job.name),
      words,
      put("span", { class: "about" }, `${sum ? "summed up" : askedWords(job.settings)} \u00b7 ${when.format(new Date(1000 * job.created_s))}`),
    ),
  );
}

// ---- boards summed up ----

let choosing = false;
const ticked = new Set();

function tick(job) {
  const box = put("input", { type: "checkbox", "aria-label": `sum up ${job.name}`, value: job.id });
  box.checked = ticked.has(job.id);
  box.addEventListener("change", () => {
    if (box.checked) ticked.add(job.id);
    else ticked.delete(job.id);
    showChosen();
  });
  return box;
}

function showChosen() {
  byId("together").disabled = !ticked.size;
  byId("together").textContent = ticked.size ? `Sum up ${ticked.size}` : "Sum up";
}

byId("choose").addEventListener("click", () => {
  choosing = !choosing;
  byId("choose").setAttribute("aria-pressed", String(choosing));
  byId("choosing").hidden = !choosing;
  ticked.clear();
  showChosen();
  shown = "";
  list();
});
byId("every").addEventListener("click", () => {
  for (const box of byId("jobs").querySelectorAll("[type=checkbox]")) {
    box.checked = true;
    ticked.add(box.value);
  }
  showChosen();
});
byId("together").addEventListener("click", async () => {
  const answer = await ask("POST", "/api/together", { of: [...ticked].reverse() });
  byId("summed").textContent = answer.ok ? "" : sentence(answer.error);
  if (answer.ok) byId("choose").click();
});

let timer = 0;
let shown = "";
async function list() {
  clearTimeout(timer);
  const answer = await ask("GET", "/api/jobs");
  if (!answer.ok) {
    timer = setTimeout(list, 3000);
    return;
  }
  const now = JSON.stringify(answer.jobs);
  if (now !== shown) {
    const focused = document.activeElement?.getAttribute?.("href");
    byId("jobs").replaceChildren(...answer.jobs.map(row));
    if (focused?.startsWith("/board/")) byId("jobs").querySelector(`[href="${focused}"]`)?.focus();
    shown = now;
  }
  showBoards(answer.boards ?? []);
  byId("sum").hidden = answer.jobs.filter((job) => job.shown && !job.together).length < 2;
  byId("none").hidden = answer.jobs.length > 0;
  if (!touched && answer.form) {
    fillForm(form, answer.form);
    touched = true;
  }
  const busy = answer.jobs.some((job) => job.state === "waiting" || job.state === "working");
  timer = setTimeout(list, busy ? 400 : 5000);
}

makeForm(byId("fields"));
list();
