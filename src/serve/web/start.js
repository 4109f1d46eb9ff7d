// The first page: pictures in, and the list of all boards.
import { ask, askOf, askedWords, byId, clearWrong, fillWithBoard, makeForm, moveIn, orderedItem, put, readForm, sentence, showWrong, sign, stateWords, verdictOf } from "/common.js";

const form = byId("form");
let pictures = [];
let touched = false;

// ---- choosing ----

const inPieces = () => pictures.length > 1 && byId("which-pieces").checked;

function showPictures() {
  const pieces = inPieces();
  byId("pictures").replaceChildren(
    ...pictures.map((file, i) => {
      const drop = put("button", { type: "button", class: "quiet", "aria-label": `leave out ${file.name}` }, "\u00d7");
      drop.addEventListener("click", () => {
        pictures.splice(i, 1);
        showPictures();
      });
      const size = put("span", { class: "size" }, `${(file.size / 1048576).toFixed(1)} MB`);
      if (!pieces) return put("li", {}, put("span", { class: "what" }, put("bdi", {}, file.name), " ", size), put("span", { class: "acts" }, drop));
      const moved = (from, to) => {
        moveIn(pictures, from, to);
        showPictures();
        byId("pictures").children[to].querySelector(`button:nth-of-type(${to > from ? 3 : 2}):enabled, .shift:enabled`)?.focus();
      };
      return orderedItem(file.name, i, pictures.length, moved, size, drop);
    }),
  );
  byId("chosen").hidden = pictures.length > 0;
  byId("which").hidden = pictures.length < 2;
  byId("go").textContent = pieces ? "Measure one board" : pictures.length > 1 ? `Measure ${pictures.length} boards` : "Measure";
}
for (const id of ["which-boards", "which-pieces"]) byId(id).addEventListener("change", showPictures);

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

// One board: a picture, or its pieces one behind the other.
function send(files, settings, told) {
  const query = new URLSearchParams(settings);
  files.forEach((file, i) => query.set(`name${i || ""}`, file.name));
  if (files.length > 1) query.set("bytes", files.map((file) => file.size).join());
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
    request.send(files.length > 1 ? new Blob(files) : files[0]);
  });
}

async function sendAll(settings) {
  const ids = [];
  while (pictures.length) {
    const files = inPieces() ? [...pictures] : [pictures[0]];
    const name = files.length > 1 ? `${files.length} pieces` : files[0].name;
    const answer = await send(files, settings, (part) => {
      byId("going").textContent = `Sending ${name}, ${Math.round(100 * part)} %`;
    });
    if (!answer.ok) {
      if (!showWrong(form, answer)) byId("going").textContent = sentence(`${name}: ${answer.error}`);
      return null;
    }
    ids.push(answer.id);
    pictures.splice(0, files.length);
    showPictures();
    list();
  }
  byId("which-boards").checked = true;
  return ids;
}

form.addEventListener("input", () => (touched = true));
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearWrong(form);
  const settings = askOf(form, chosenBoard());
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

// ---- the scanner ----

let scanTimer = 0;
let ours = false; // this page has begun the scan
async function lookAtScanner() {
  clearTimeout(scanTimer);
  const now = await ask("GET", "/api/scanner");
  if (!now.ok || !now.built) return;
  showScanner(now);
  if (now.doing === "nothing" && ours) {
    ours = false;
    if (now.id) location.assign(`/board/${now.id}`);
  }
  if (now.doing !== "nothing") scanTimer = setTimeout(lookAtScanner, 300);
}

function showScanner(now) {
  const scanning = now.doing === "scanning";
  const several = now.devices.length > 1;
  const before = byId("device").value;
  byId("scanner").hidden = false;
  byId("scan").hidden = byId("dpi").hidden = !now.devices.length || scanning;
  byId("device-of").hidden = !several || scanning;
  byId("device").replaceChildren(...now.devices.map((d) => put("option", { value: d.name }, d.words)));
  if (now.devices.some((d) => d.name === before)) byId("device").value = before;
  byId("look").hidden = scanning;
  byId("look").disabled = now.doing !== "nothing";
  byId("look").textContent = now.doing === "looking" ? "Looking for scanners\u2026" : now.devices.length ? "Look again" : "Look for a scanner, on the network too";
  byId("scanning").hidden = !scanning;
  if (scanning) {
    const words = now.stopping ? "Stopping; the carriage goes home\u2026" : now.percent === undefined ? "Scanning\u2026" : `Scanning, ${now.percent} %`;
    byId("scan-words").textContent = words;
    if (now.percent === undefined) byId("part").removeAttribute("value");
    else byId("part").value = now.percent;
    byId("stop").disabled = now.stopping;
  }
  byId("scan-trouble").textContent = sentence(now.trouble ?? "");
}

byId("scan").addEventListener("click", async () => {
  clearWrong(form);
  const answer = await ask("POST", "/api/scan", { device: byId("device").value, dpi: Number(byId("dpi").value), settings: askOf(form, chosenBoard()) });
  if (!answer.ok && !showWrong(form, answer)) byId("scan-trouble").textContent = sentence(answer.error);
  ours = answer.ok;
  if (answer.ok) await lookAtScanner();
});
byId("stop").addEventListener("click", async () => {
  await ask("DELETE", "/api/scan");
  await lookAtScanner();
});
byId("look").addEventListener("click", async () => {
  const answer = await ask("POST", "/api/scanner", { everywhere: true });
  if (answer.ok) await lookAtScanner();
  else byId("scan-trouble").textContent = sentence(answer.error);
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
  showChosenBoard();
}

async function loadBoards() {
  const answer = await ask("GET", "/api/boards");
  if (answer.ok) showBoards(answer.list ?? []);
}

function showChosenBoard() {
  const board = chosenBoard();
  byId("forget").hidden = !board;
  byId("remember").textContent = board ? "Remember it with these particulars" : "Remember this board";
  byId("remember").hidden = Boolean(board?.more);
  byId("f-scale_length").placeholder = board && !board.settings.scale_length ? "as it is described" : "648 mm or 25 1/2 in";
  byId("more-of-it").textContent = board?.more ? `with ${board.more}` : "";
}

let boardBefore = null; // whose particulars the form shows
async function chooseBoard() {
  const board = chosenBoard();
  const settings = readForm(form);
  showChosenBoard();
  byId("remembered").textContent = "";
  byId("words").value = "";
  if (!board) {
    for (const name of OF_BOARD) if (settings[name] === boardBefore?.settings[name]) delete settings[name];
    fillWithBoard(form, null, settings); // a new one has nothing of the one before
  }
  boardBefore = board;
  if (!board) return;
  for (const name of OF_BOARD) delete settings[name];
  fillWithBoard(form, board, settings);
  touched = true;
  const answer = await ask("GET", `/api/boards/${board.id}`);
  if (answer.ok && chosenBoard() === board) byId("words").value = answer.text;
}
byId("board").addEventListener("change", chooseBoard);
byId("remember").addEventListener("click", () => {
  byId("naming").hidden = false;
  byId("called").value = chosenBoard()?.name ?? "";
  byId("called").focus();
});

async function showAsRemembered(name) {
  byId("remembered").textContent = `Remembered as ${name}.`;
  await loadBoards();
  byId("board").value = boards.find((b) => b.name === name)?.id ?? "";
  boardBefore = chosenBoard();
  showChosenBoard();
}

async function remember() {
  clearWrong(form);
  const name = byId("called").value.trim();
  const answer = await ask("POST", "/api/boards", { name, settings: readForm(form) });
  if (!answer.ok) {
    if (!showWrong(form, answer)) byId("remembered").textContent = sentence(answer.error);
    return;
  }
  byId("naming").hidden = true;
  await showAsRemembered(name);
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
  await loadBoards();
});

// ---- a board in words ----

const isDescription = (text) => text.split("\n").some((line) => /^[^#]*=/.test(line));
const stepsOf = (text) => text.split("\n").map((line) => line.replace(/#.*/, "").trim()).filter(Boolean).join("\n  ");
const NAME = /^[ \t]*name[ \t]*=[ \t]*(.*?)[ \t]*(?:[ \t]#.*)?$/im;

// The steps stand in the description itself: this program is told of no other file.
function withSteps(words, steps) {
  const line = `steps = ${steps}`;
  const old = /^[ \t]*steps(?:[ _-]file)?[ \t]*=.*(?:\n[ \t]+\S.*)*$/im;
  if (old.test(words)) return words.replace(old, line);
  return `${words.replace(/^[ \t]*divisions[ \t]*=.*\n?/im, "").trimEnd()}\n${line}\n`.trimStart();
}

async function openWords(files) {
  const texts = await Promise.all([...files].map(async (file) => ({ file, text: (await file.slice(0, 65536).text()).replace(/\r\n?/g, "\n") })));
  const described = texts.find(({ text }) => isDescription(text));
  const steps = texts.find(({ text }) => !isDescription(text));
  let words = described ? described.text : byId("words").value;
  if (steps) words = withSteps(words, stepsOf(steps.text));
  if (described && !NAME.test(words)) words = `name = ${described.file.name.replace(/\.[^.]*$/, "")}\n${words}`;
  byId("words").value = words;
  byId("words-wrong").textContent = "";
  byId("words").focus();
}
byId("board-file").addEventListener("change", (event) => {
  openWords(event.target.files).then(() => (event.target.value = ""));
});

function showWrongLine(error) {
  const words = byId("words");
  words.setAttribute("aria-invalid", "true");
  byId("words-wrong").textContent = sentence(error);
  words.focus();
  const number = Number(/^line (\d+):/.exec(error)?.[1] ?? 0);
  if (!number) return;
  const lines = words.value.split("\n");
  const from = lines.slice(0, number - 1).reduce((n, line) => n + line.length + 1, 0);
  words.setSelectionRange(from, from + (lines[number - 1]?.length ?? 0));
}

byId("keep-words").addEventListener("click", async () => {
  const text = byId("words").value;
  byId("words").removeAttribute("aria-invalid");
  byId("words-wrong").textContent = "";
  const answer = await ask("POST", "/api/boards", { text });
  if (!answer.ok) return showWrongLine(answer.error);
  await showAsRemembered(NAME.exec(text)?.[1] ?? "");
  await chooseBoard();
  byId("remembered").textContent = `Remembered as ${chosenBoard()?.name ?? "a board"}.`;
});

// ---- the list ----

const when = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "short" });

function row(job) {
  const verdict = verdictOf(job);
  const about = job.about ?? {};
  const counts = ["out", "missing", "undecided"].filter((word) => about[word]).map((word) => `${about[word]} ${word}`);
  const words = put("span", { class: "state" }, stateWords(job) + (job.state === "done" && counts.length ? `: ${counts.join(", ")}` : ""));
  const sum = job.together > 0 || job.history;
  const href = sum && job.state === "done" ? `/api/jobs/${job.id}/report` : `/board/${job.id}`;
  return put(
    "li",
    { class: verdict ?? "under-way" },
    ...(choosing && !sum && job.shown ? [tick(job)] : []),
    put(
      "a",
      { href },
      ...(verdict ? [sign(verdict)] : [put("span", { class: "turning", "aria-hidden": "true" })]),
      put("bdi", { class: "name" }, job.pieces ? `${job.pieces[0]} and ${job.pieces.length - 1} more` : job.name),
      words,
      put("span", { class: "about" }, `${sum ? "summed up" : askedWords(job)} \u00b7 ${when.format(new Date(1000 * job.created_s))}`),
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
let asked = 0;
async function list() {
  clearTimeout(timer);
  const turn = ++asked;
  const answer = await ask("GET", "/api/jobs");
  if (turn !== asked) return; // somebody has asked anew meanwhile: this list may be older than that one's
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
  byId("sum").hidden = answer.jobs.filter((job) => job.shown && !job.together && !job.history).length < 2;
  byId("none").hidden = answer.jobs.length > 0;
  if (!touched && answer.form) {
    const { board, ...settings } = answer.form;
    byId("board").value = boards.some((b) => b.id === board) ? board : "";
    showChosenBoard();
    boardBefore = chosenBoard();
    fillWithBoard(form, boardBefore, settings);
    touched = true;
  }
  const busy = answer.jobs.some((job) => job.state === "waiting" || job.state === "working");
  timer = setTimeout(list, busy ? 400 : 5000);
}

makeForm(byId("fields"));
await loadBoards();
list();
lookAtScanner();
