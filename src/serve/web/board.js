// One board: how it stands, what was found, and what somebody says against it.
import { STAGES, ask, askOf, askedWords, byId, clearWrong, fillWithBoard, makeForm, moveIn, orderedItem, piece, put, readForm, sentence, showWrong, sign, stateWords } from "/common.js";
import { View } from "/view.js";

const id = location.pathname.split("/")[2];
const api = `/api/jobs/${id}`;
const form = byId("form");
let job = null;
let record = null;
let shown = 0; // the run whose result is on the page
let marks = [];
let picked = null;
let placing = null; // kind of the correction that a click will place
let stroke = null; // where the rule's stroke is that is being told of

const live = (words) => (byId("live").textContent = words);

// ---- the picture ----

const view = new View(byId("view"), byId("canvas"), byId("over"), {
  click(at, mark) {
    if (placing) placeAt(at);
    else if (mark) pick(mark.key, "view");
  },
});

const middle = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];

// Where a mark that was not found should be, by two that were: good to a line's width, for the eye.
function missingPlace(mark, found) {
  const near = [...found].sort((a, b) => Math.abs(a.layout_mm - mark.layout_mm) - Math.abs(b.layout_mm - mark.layout_mm)).slice(0, 2);
  if (near.length < 2 || near[0].layout_mm === near[1].layout_mm) return null;
  const t = (mark.layout_mm - near[0].layout_mm) / (near[1].layout_mm - near[0].layout_mm);
  const between = (key) => [0, 1].map((i) => near[0][key][i] + t * (near[1][key][i] - near[0][key][i]));
  return { a: between("end_a_px"), b: between("end_b_px") };
}

// Signs point the way to move on the screen: toward the bridge is not always to the right.
function towardBridge() {
  const found = record.marks.filter((m) => m.end_a_px);
  if (found.length < 2) return [1, 0];
  const [p, q] = [found[0].centre_px, found[found.length - 1].centre_px];
  return [q[0] - p[0], q[1] - p[1]];
}

function marksOf() {
  const found = record.marks.filter((m) => m.state === "found" && m.end_a_px);
  const list = [];
  record.marks.forEach((m, i) => {
    const place = m.state === "found" && m.end_a_px ? { a: m.end_a_px, b: m.end_b_px } : missingPlace(m, found);
    if (!place) return;
    list.push({
      key: String(m.fret),
      index: i,
      label: m.fret ? String(m.fret) : "nut",
      verdict: m.verdict,
      heading: m.error_mm > 0 ? -1 : 1,
      missing: m.state !== "found",
      centre: m.centre_px ?? middle(place.a, place.b),
      width_px: (m.width_mm ?? 0) * (record.reference.px_per_mm ?? 0),
      ...place,
      mark: m,
    });
  });
  record.stray.forEach((s, i) => {
    if (s.end_a_px) list.push({ key: `stray-${i}`, index: i, label: "", stray: true, a: s.end_a_px, b: s.end_b_px, centre: middle(s.end_a_px, s.end_b_px) });
  });
  return list;
}

// So that the nut is on the left; on a narrow screen at the top.
function bestTurn() {
  const [x, y] = towardBridge();
  const along = Math.abs(x) >= Math.abs(y) ? (x >= 0 ? 0 : 2) : y >= 0 ? 3 : 1;
  return matchMedia("(max-width: 34rem)").matches ? (along + 1) % 4 : along;
}

// ---- picking a mark ----

function nameOf(mark) {
  if (mark.stray) return "a line that belongs to no fret";
  return mark.label === "nut" ? "the nut" : `fret ${mark.label}`;
}

function describe(mark) {
  if (mark.stray) return sentence(nameOf(mark));
  const m = mark.mark;
  const error = m.error_mm === null || !m.fret ? "" : `, ${m.error_mm.toFixed(2)} mm`;
  return sentence(`${nameOf(mark)}, ${m.fret ? m.verdict : "the datum"}${error}`);
}

async function showCloseUp(mark) {
  const run = shown;
  const figure = await piece(`${api}/${mark.stray ? "stray" : "mark"}/${mark.index}?run=${run}`);
  if (picked !== mark.key || run !== shown) return;
  byId("close-up").replaceChildren(figure ?? put("p", { class: "note" }, "There is no close-up of it."));
}

function pick(key, from) {
  const mark = marks.find((m) => m.key === key);
  picked = mark ? key : null;
  for (const one of document.querySelectorAll(".picked")) one.classList.remove("picked");
  for (const one of document.querySelectorAll("[aria-current='true']")) one.removeAttribute("aria-current");
  view.pick(picked);
  byId("not-a-mark").disabled = !mark || mark.missing;
  byId("nut-here").disabled = !mark || mark.missing || mark.label === "nut";
  if (!mark) return;
  for (const one of document.querySelectorAll(`#first [data-fret="${key}"], #rest [data-fret="${key}"]`)) {
    one.classList.add("picked");
    one.querySelector("button.pick")?.setAttribute("aria-current", "true");
  }
  if (!view.inSight(mark.centre)) view.goTo(mark.centre);
  if (from === "table" || from === "list") byId("see").scrollIntoView({ block: "nearest" });
  history.replaceState(null, "", `#${mark.stray ? key : `fret-${key}`}`);
  live(describe(mark));
  showCloseUp(mark);
}

function step(by) {
  if (!marks.length) return;
  const now = marks.findIndex((m) => m.key === picked);
  const next = now < 0 ? (by > 0 ? 0 : marks.length - 1) : Math.min(Math.max(now + by, 0), marks.length - 1);
  pick(marks[next].key, "step");
}

document.addEventListener("click", (event) => {
  const one = event.target.closest?.("#first [data-fret], #rest [data-fret]");
  if (one) pick(one.dataset.fret, one.closest(".plot") ? "plot" : one.closest("table") ? "table" : "list");
});

// A mark's name in table and list can be reached and pressed by keys.
function makeReachable(holder) {
  for (const cell of holder.querySelectorAll("#marks tbody th, .to-do li[data-fret] .name")) {
    const button = put("button", { type: "button", class: "pick" });
    button.append(...cell.childNodes);
    cell.append(button);
  }
}

// ---- what was found ----

async function showResult() {
  const run = job.shown;
  const [parts, answer] = await Promise.all([piece(`${api}/parts?run=${run}`), fetch(`${api}/${job.pieces ? "places" : "record"}?run=${run}`)]);
  if (!parts || !answer.ok) return;
  record = await answer.json();
  const first = !shown;
  shown = run;
  const sections = [...parts.children];
  makeReachable(parts);
  const [top, rest] = [sections.filter((s) => s.matches(".verdict, #to-do")), sections.filter((s) => !s.matches(".verdict, #to-do"))];
  byId("first").replaceChildren(...top);
  byId("rest").replaceChildren(...rest);
  for (const name of ["see", "results"]) byId(name).hidden = false;
  if (first || job.pieces || view.size?.width !== job.about.width_px) view.open(job.about, `${api}/tile`, bestTurn());
  else view.turn = view.turn ?? bestTurn();
  const before = picked;
  marks = marksOf();
  view.setMarks(marks);
  pick(first ? keyOfHash() : marks.some((m) => m.key === before) ? before : null, "restore");
  if (picked === null) byId("close-up").replaceChildren(put("p", { class: "note" }, "Choose a mark in the picture, the plots or the table."));
  showSaid();
  live(sentence(byId("first").querySelector(".counts")?.textContent ?? "Measured"));
}

const keyOfHash = () => location.hash.replace(/^#(fret-)?/, "") || null;

// ---- how it stands ----

function showProgress() {
  const busy = job.state === "waiting" || job.state === "working";
  byId("progress").hidden = !busy;
  document.body.classList.toggle("stale", busy && shown > 0);
  if (!busy) return;
  const words = job.state === "waiting" ? sentence(stateWords(job)) : stateWords(job);
  if (byId("doing").textContent !== words) {
    byId("doing").textContent = words;
    live(words);
  }
  const now = job.state === "working" ? STAGES.findIndex(([word]) => word === job.stage) : -1;
  byId("stages").replaceChildren(
    ...STAGES.map(([, name], i) => put("li", { class: i < now ? "past" : i === now ? "now" : "", "aria-current": i === now ? "step" : null }, name)),
  );
}

function showJob() {
  byId("name").textContent = job.name;
  byId("asked").textContent = (job.pieces ? `${job.pieces.length} pieces, ` : "") + askedWords(job);
  byId("say").hidden = Boolean(job.pieces);
  byId("say-not").hidden = !job.pieces;
  byId("trouble").hidden = !job.failure;
  byId("trouble").textContent = job.failure ? sentence(job.failure) : "";
  byId("not-measured").hidden = !job.failure || Boolean(job.shown);
  byId("keep").hidden = false;
  const verdict = job.state === "done" ? stateWords(job) : job.state === "failed" ? "not measured" : "being measured";
  document.title = `${verdict}: ${job.name}`;
  showProgress();
}

let timer = 0;
async function look() {
  clearTimeout(timer);
  const answer = await ask("GET", api);
  if (answer.status === 404) {
    byId("trouble").hidden = false;
    byId("trouble").textContent = "There is no such board; it may have been thrown away.";
    return;
  }
  if (answer.ok) {
    const first = !job;
    job = answer;
    if (first) showAsked();
    showJob();
    if (job.shown && job.shown !== shown) await showResult();
    else showSaid();
  }
  const busy = !answer.ok || job.state === "waiting" || job.state === "working";
  timer = setTimeout(look, busy ? 300 : 10000);
}

// ---- corrections ----

const KINDS = { "not-a-mark": "This is not a mark", "mark-here": "There is one here", "nut-here": "This is the nut", graduation: "The rule reads" };
const OUTCOMES = { applied: "done", "already-so": "it was so already", "nothing-there": "nothing was found there", refused: "not possible" };

function showSaid() {
  const told = record?.corrections ?? [];
  byId("said").replaceChildren(
    ...job.corrections.map((c, i) => {
      const outcome = i < job.applied ? told[i] : null;
      const reading = c.kind === "graduation" ? ` ${+c.reading_mm.toFixed(3)} mm` : "";
      const words = i >= job.applied ? "undone" : outcome ? (outcome.text ?? OUTCOMES[outcome.outcome] ?? "") : "";
      const show = put("button", { type: "button", class: "quiet" }, `${KINDS[c.kind]}${reading}`);
      show.addEventListener("click", () => view.goTo(c.at_px));
      return put("li", { class: i >= job.applied ? "undone" : (outcome?.outcome ?? "") }, show, words ? put("span", { class: "outcome" }, ` ${words}`) : "");
    }),
  );
  byId("take-back").hidden = !job.corrections.length;
  byId("undo").disabled = job.applied === 0;
  byId("redo").disabled = job.applied === job.corrections.length;
}

async function sayAll(corrections, applied) {
  const answer = await ask("POST", `${api}/corrections`, { schema: "slotproof/corrections/1", corrections, applied });
  byId("say-trouble").hidden = answer.ok;
  byId("say-trouble").textContent = answer.ok ? "" : sentence(answer.error);
  if (answer.ok) await look();
}

// What was undone is given up as soon as something new is said.
const say = (correction) => sayAll([...job.corrections.slice(0, job.applied), correction], job.applied + 1);

function sayOfPicked(kind) {
  const mark = marks.find((m) => m.key === picked);
  if (mark && !mark.missing) say({ kind, at_px: mark.centre });
}

function place(kind) {
  placing = kind;
  view.aim = kind !== null;
  view.changed();
  byId("view").classList.toggle("placing", kind !== null);
  for (const name of ["mark-here", "graduation"]) byId(name).setAttribute("aria-pressed", String(kind === name));
  byId("hint").hidden = kind === null;
  if (kind === null) return;
  const words = `Tap ${kind === "graduation" ? "the stroke" : "the place"}, roughly. With keys: move the picture under the cross with the arrows, then Enter. Escape: not now.`;
  byId("hint").textContent = words;
  live(words);
  byId("view").focus();
}

function placeAt(at) {
  const kind = placing;
  const place2 = [0, 1].map((i) => Math.min(Math.max(at[i], 0), [job.about.width_px, job.about.height_px][i] - 1));
  place(null);
  if (kind === "graduation") {
    stroke = place2;
    byId("reading").hidden = false;
    byId("reads").focus();
  } else {
    say({ kind, at_px: place2 });
  }
}

// "20 mm", "2 1/2 in": as lengths are written everywhere in this program.
function readingOf(text) {
  const m = /^\s*(?:(\d+(?:\.\d+)?)|(?:(\d+)[\s-]+)?(\d+)\/(\d+))\s*(mm|cm|in)\s*$/.exec(text);
  if (!m) return null;
  const value = m[1] !== undefined ? Number(m[1]) : Number(m[2] ?? 0) + Number(m[3]) / Number(m[4]);
  return Number.isFinite(value) ? value * { mm: 1, cm: 10, in: 25.4 }[m[5]] : null;
}

byId("not-a-mark").addEventListener("click", () => sayOfPicked("not-a-mark"));
byId("nut-here").addEventListener("click", () => sayOfPicked("nut-here"));
for (const kind of ["mark-here", "graduation"]) byId(kind).addEventListener("click", () => place(placing === kind ? null : kind));
byId("undo").addEventListener("click", () => sayAll(job.corrections, job.applied - 1));
byId("redo").addEventListener("click", () => sayAll(job.corrections, job.applied + 1));
byId("reading").addEventListener("submit", (event) => {
  event.preventDefault();
  const reading_mm = readingOf(byId("reads").value);
  byId("say-trouble").hidden = reading_mm !== null;
  byId("say-trouble").textContent = reading_mm === null ? "Write a number with its unit, as 20 mm or 2 1/2 in." : "";
  if (reading_mm === null || !stroke) return;
  byId("reading").hidden = true;
  byId("reads").value = "";
  say({ kind: "graduation", at_px: stroke, reading_mm });
});

// ---- tools and keys ----

const TOOLS = { before: () => step(-1), after: () => step(1), out: () => view.zoom(1 / 1.6), in: () => view.zoom(1.6), all: () => view.showAll(), turn: () => view.quarter() };
for (const [name, act] of Object.entries(TOOLS)) byId(name).addEventListener("click", act);
byId("pixels").addEventListener("click", () => singlePixels());

function singlePixels() {
  const mark = marks.find((m) => m.key === picked);
  if (mark) view.goTo(mark.centre);
  view.pixels();
}

const ARROWS = { ArrowLeft: [1, 0], ArrowRight: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const KEYS = { "+": TOOLS.in, "=": TOOLS.in, "-": TOOLS.out, 0: TOOLS.all, 1: singlePixels, t: TOOLS.turn, m: () => place("mark-here"), Delete: () => sayOfPicked("not-a-mark"), Backspace: () => sayOfPicked("not-a-mark"), Escape: () => place(null) };

byId("view").addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const arrow = ARROWS[event.key];
  let done = true;
  if (arrow && (event.shiftKey || placing)) view.move(...arrow.map((d) => d * (placing && event.shiftKey ? 2 : 40)));
  else if (event.key === "ArrowLeft" || event.key === "ArrowUp") step(-1);
  else if (event.key === "ArrowRight" || event.key === "ArrowDown") step(1);
  else if (event.key === "Home") pick(marks[0]?.key, "step");
  else if (event.key === "End") pick(marks.filter((m) => !m.stray).at(-1)?.key, "step");
  else if (event.key === "Enter" && placing) placeAt(view.at);
  else if (KEYS[event.key]) KEYS[event.key]();
  else done = false;
  if (done) event.preventDefault();
});

document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || !job || event.target.matches("input")) return;
  event.preventDefault();
  byId(event.shiftKey ? "redo" : "undo").click();
});

// ---- keeping, asking again, throwing away ----

byId("report").href = `${api}/report`;
byId("record").href = `${api}/record`;
byId("table-file").href = `${api}/table`;

let boards = [];
let turn = [];
const KEPT = "kept";

function showTurn() {
  byId("in-order").hidden = !job.pieces;
  byId("pieces").replaceChildren(
    ...turn.map((which, i) =>
      orderedItem(job.pieces[which], i, turn.length, (from, to) => {
        moveIn(turn, from, to);
        showTurn();
        byId("pieces").children[to].querySelector("button:enabled").focus();
      }),
    ),
  );
}

// The description that is chosen: the job's own, one that is remembered, or none.
function boardChosen() {
  const value = byId("board").value;
  return value === KEPT ? job.board : boards.find((b) => b.id === value);
}

async function showAsked() {
  turn = (job.pieces ?? []).map((_, i) => i);
  showTurn();
  const answer = await ask("GET", "/api/boards");
  boards = Array.isArray(answer.list) ? answer.list : [];
  byId("known").hidden = !boards.length && !job.board;
  byId("board").replaceChildren(
    ...(job.board ? [put("option", { value: KEPT }, `${job.board.name || "its description"}, as it was`)] : []),
    put("option", { value: "" }, "none that is remembered"),
    ...boards.map((b) => put("option", { value: b.id }, b.name)),
  );
  fillWithBoard(form, job.board, job.settings);
}
byId("board").addEventListener("change", () => fillWithBoard(form, boardChosen(), byId("board").value === KEPT ? job.settings : {}));

function askAgain() {
  const value = byId("board").value;
  const asked = { ...askOf(form, boardChosen()), board: value };
  if (value === KEPT) delete asked.board;
  return job.pieces ? { ...asked, turn } : asked;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  clearWrong(form);
  const answer = await ask("POST", `${api}/again`, askAgain());
  byId("going").textContent = "";
  if (answer.ok) {
    byId("again").open = false;
    scrollTo({ top: 0 });
    await look();
    if (job) await showAsked();
  } else if (!showWrong(form, answer)) byId("going").textContent = sentence(answer.error);
});

byId("remove").addEventListener("click", () => {
  byId("sure").hidden = false;
  byId("no").focus();
});
byId("no").addEventListener("click", () => {
  byId("sure").hidden = true;
  byId("remove").focus();
});
for (const [name, query] of [["really", ""], ["picture-only", "?keep=history"]]) byId(name).addEventListener("click", async () => {
  const answer = await ask("DELETE", api + query);
  if (answer.ok) location.assign("/");
  else {
    byId("trouble").hidden = false;
    byId("trouble").textContent = sentence(answer.error);
  }
});

makeForm(byId("fields"));
byId("not-sign").append(sign("missing"));
pick(null);
look();
