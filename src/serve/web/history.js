// Every board ever measured here, layout by layout.
import { ask, byId, put, sentence, sign } from "/common.js";

const KINDS = { knife: "knife lines", slot: "sawn slots", wire: "frets" };
const VERDICTS = { within: "within tolerance", out: "out of tolerance", undecided: "not decided" };
const day = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium" });

// Whole or half millimetres as they are, else as inches where it is such by sixty-fourths.
function lengthWords(mm) {
  const sixtyFourths = (mm / 25.4) * 64;
  const whole = Math.round(sixtyFourths);
  if (Math.abs(2 * mm - Math.round(2 * mm)) < 1e-6 || Math.abs(sixtyFourths - whole) > 1e-4) return `${+mm.toFixed(3)} mm`;
  let [over, under] = [whole % 64, 64];
  while (over && over % 2 === 0) [over, under] = [over / 2, under / 2];
  return [Math.floor(whole / 64) || "", over ? `${over}/${under}` : ""].filter(String).join(" ") + " in";
}

function layoutWords(b) {
  const steps = b.divisions === 12 ? "" : b.divisions ? `, ${b.divisions} steps to the octave` : ", steps of its own";
  return `${b.scale_length_mm === null ? "no scale length" : lengthWords(b.scale_length_mm)}, ${b.frets} frets${steps}, ${KINDS[b.marks] ?? b.marks}`;
}

const signed = (mm) => (mm < 0 ? "\u2212" : "+") + Math.abs(mm).toFixed(2);

function row(b) {
  const counts = ["out", "missing", "undecided"].filter((word) => b[word]).map((word) => `${b[word]} ${word}`);
  const worst = b.worst_mm === null ? "" : `worst ${signed(b.worst_mm)} mm at fret ${b.worst_fret}`;
  return put(
    "li",
    { class: b.verdict },
    put(
      "div",
      { class: "board" },
      sign(b.verdict),
      put("bdi", { class: "name" }, b.name),
      put("span", { class: "state" }, [VERDICTS[b.verdict] ?? b.verdict, counts.join(", ")].filter(Boolean).join(": ")),
      put("span", { class: "about" }, [worst, b.checked_s ? day.format(new Date(1000 * b.checked_s)) : ""].filter(Boolean).join(" \u00b7 ")),
    ),
  );
}

function show(history) {
  const layouts = new Map();
  for (const board of history.boards) {
    const words = layoutWords(board);
    layouts.set(words, [...(layouts.get(words) ?? []), board]);
  }
  byId("layouts").replaceChildren(
    ...[...layouts].map(([words, boards], i) => {
      const within = boards.filter((b) => b.verdict === "within").length;
      return put(
        "section",
        { "aria-labelledby": `layout-${i}` },
        put("h2", { id: `layout-${i}` }, words),
        put("p", { class: "tally" }, `${boards.length === 1 ? "1 board" : `${boards.length} boards`}, ${within} within tolerance`),
        put("ul", { class: "jobs" }, ...boards.map(row)),
      );
    }),
  );
  byId("none").hidden = history.boards.length > 0;
  byId("sum").hidden = history.boards.length < 2;
  byId("older").hidden = history.all <= history.boards.length;
  byId("older").textContent = `These are the latest ${history.boards.length} of ${history.all}.`;
}

async function waitFor(id) {
  for (;;) {
    const job = await ask("GET", `/api/jobs/${id}`);
    if (job.state === "done") return location.assign(`/api/jobs/${id}/report`);
    if (job.state === "failed" || !job.ok) return sentence(job.failure ?? job.error);
    await new Promise((done) => setTimeout(done, 300));
  }
}

byId("sum-up").addEventListener("click", async () => {
  byId("sum-up").disabled = true;
  byId("summing").textContent = "Summing up\u2026";
  const answer = await ask("POST", "/api/history", undefined);
  byId("summing").textContent = (answer.ok ? await waitFor(answer.id) : sentence(answer.error)) ?? "";
  byId("sum-up").disabled = false;
});

const history = await ask("GET", "/api/history");
if (history.ok) show(history);
byId("trouble").hidden = history.ok;
byId("trouble").textContent = history.ok ? "" : sentence(history.error);
