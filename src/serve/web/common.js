// What the pages share: asking the server, the form, the signs of verdicts.

export const byId = (id) => document.getElementById(id);

export function put(name, attributes = {}, ...content) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes))
    if (value !== null && value !== undefined) element.setAttribute(key, value);
  element.append(...content);
  return element;
}

const SVG = "http://www.w3.org/2000/svg";
export function draw(name, attributes = {}, ...content) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...content);
  return element;
}

// Always an object: the answer's own fields, `ok`, and where it failed `error`, one sentence.
export async function ask(method, path, body) {
  try {
    const options = { method, headers: {} };
    if (body !== undefined) {
      options.body = JSON.stringify(body);
      options.headers["Content-Type"] = "application/json";
    }
    const answer = await fetch(path, options);
    if (answer.status === 401) location.assign("/enter");
    const tree = await answer.json();
    return { ...tree, ok: answer.ok, status: answer.status };
  } catch {
    return { ok: false, status: 0, error: "the program does not answer; is it still running where it was started?" };
  }
}

// A list that can be put in another order: each entry with its number and two buttons. `moved` is told from and to.
export function orderedItem(name, i, count, moved, size, ...acts) {
  const shift = (by, sign, words) => {
    const button = put("button", { type: "button", class: "quiet shift", "aria-label": `${name}: ${words}` }, sign);
    button.disabled = i + by < 0 || i + by >= count;
    button.addEventListener("click", () => moved(i, i + by));
    return button;
  };
  return put(
    "li",
    {},
    put("span", { class: "place" }, `${i + 1}`),
    put("span", { class: "what" }, put("bdi", {}, name), " ", size ?? ""),
    put("span", { class: "acts" }, ...acts, shift(-1, "\u25b2", "nearer the nut"), shift(1, "\u25bc", "further from the nut")),
  );
}

export function moveIn(list, from, to) {
  list.splice(to, 0, ...list.splice(from, 1));
}

export async function piece(path) {
  const answer = await fetch(path);
  if (!answer.ok) return null;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return document.adoptNode(page.body.firstElementChild);
}

// A file's name at the beginning stays as it is written.
export function sentence(text) {
  if (!text) return "";
  const begin = /^[^:]*\.\w+: /.test(text) ? text[0] : text[0].toUpperCase();
  return begin + text.slice(1) + (/[.?!]$/.test(text) ? "" : ".");
}

// ---- signs: the same forms as everywhere in this program ----

export function signShape(verdict, x, y, r, heading = 1) {
  if (verdict === "within") return draw("circle", { class: "sign within", cx: x, cy: y, r });
  if (verdict === "out") {
    const s = heading < 0 ? -1 : 1;
    return draw("path", {
      class: "sign out",
      d: `M${x + 1.2 * s * r} ${y}L${x - 0.75 * s * r} ${y + 1.05 * r}L${x - 0.75 * s * r} ${y - 1.05 * r}Z`,
    });
  }
  if (verdict === "undecided") {
    const t = draw("text", {
      class: "sign-word",
      "text-anchor": "middle",
      transform: `translate(${x} ${y + 0.5 * r}) scale(${0.15 * r})`,
    });
    t.textContent = "?";
    return draw(
      "g",
      {},
      draw("path", {
        class: "sign undecided",
        d: `M${x + 1.3 * r} ${y}L${x} ${y + 1.3 * r}L${x - 1.3 * r} ${y}L${x} ${y - 1.3 * r}Z`,
      }),
      t,
    );
  }
  const c = 0.8 * r;
  return draw("path", {
    class: "sign missing",
    "stroke-width": 0.5 * r,
    d: `M${x - c} ${y - c}L${x + c} ${y + c}M${x - c} ${y + c}L${x + c} ${y - c}`,
  });
}

export function sign(verdict) {
  return draw("svg", { class: "inline", viewBox: "-10 -10 20 20", "aria-hidden": "true" }, signShape(verdict, 0, 0, 7));
}

// ---- the form ----

const FIELDS = [
  { name: "scale_length", label: "Scale length", hint: "nut to saddle, without compensation", example: "648 mm or 25 1/2 in", size: 12, needed: true },
  { name: "frets", label: "Frets", hint: "after the nut", example: "22", size: 4, needed: true, numeric: true },
  { name: "tolerance", label: "Tolerance", hint: "what counts as within; 0.2 mm if left empty", example: "0.2 mm or 2c", size: 12 },
  { name: "marks", label: "What is on the board", choices: [["", "knife lines"], ["slot", "sawn slots"], ["wire", "frets"]], radio: true },
];
const MORE = [
  { name: "nut", label: "Nut", choices: [["", "found by the program"], ["line", "a line, or zero fret"], ["end", "the squared end of the board"]] },
  { name: "reference", label: "Scale from", choices: [["", "rule, else printed strip"], ["rule", "a rule"], ["strip", "the printed strip"], ["dpi", "the scanner's own word (rough)"]] },
  { name: "reference_mpe", label: "The rule may be wrong by", hint: "over its length; a steel rule's 0.15 mm if left empty", example: "0.05 mm", size: 12 },
  { name: "graduation", label: "Finest graduation", choices: [["", "found by the program"], ["1mm", "1 mm"], ["0.5mm", "0.5 mm"], ["1/16in", "1/16 in"], ["1/32in", "1/32 in"], ["1/64in", "1/64 in"], ["1/10in", "1/10 in"], ["1/20in", "1/20 in"], ["1/50in", "1/50 in"], ["1/100in", "1/100 in"]] },
  { name: "strip_length", label: "Check length of the strip", hint: "A to C, as measured with calipers", example: "254.1 mm", size: 12 },
  { name: "temperature", label: "Temperature", hint: "of rule and board, \u00b0C", example: "23", size: 5 },
  { name: "tang", label: "Width of the fret's tang", hint: "slots are held against it", example: "0.58 mm", size: 12 },
  { name: "divisions", label: "Steps to the octave", hint: "12 if left empty", example: "12", size: 5, numeric: true },
  { name: "reference_height", label: "Rule above the board's face", hint: "photographs only; 0 mm if flush", example: "0 mm", size: 12 },
  { name: "radius", label: "Radius of the face", hint: "photographs only; flat if left empty", example: "305 mm", size: 12 },
];

function control(field) {
  const id = `f-${field.name}`;
  const wrong = put("span", { class: "wrong", id: `${id}-wrong`, role: "alert" });
  const hint = field.hint ? put("span", { class: "hint-text", id: `${id}-hint` }, field.hint) : null;
  const described = [`${id}-wrong`, hint && `${id}-hint`].filter(Boolean).join(" ");
  if (field.radio) {
    const set = put("fieldset", { class: "field choice" }, put("legend", {}, field.label));
    field.choices.forEach(([value, words], i) => {
      const one = put("input", { type: "radio", name: field.name, id: `${id}-${i}`, value });
      one.checked = i === 0;
      set.append(put("label", { for: `${id}-${i}` }, one, words));
    });
    set.append(wrong);
    return set;
  }
  let input;
  if (field.choices) {
    input = put("select", { id, name: field.name, "aria-describedby": described });
    for (const [value, words] of field.choices) input.append(put("option", { value }, words));
  } else {
    input = put("input", {
      id,
      name: field.name,
      size: field.size,
      placeholder: field.example,
      autocomplete: "off",
      inputmode: field.numeric ? "numeric" : null,
      "aria-describedby": described,
      "aria-required": field.needed ? "true" : null,
    });
  }
  return put("p", { class: "field" }, put("label", { for: id }, field.label), input, ...(hint ? [hint] : []), wrong);
}

export function makeForm(holder) {
  const more = put("details", { class: "more" }, put("summary", {}, "Rule, nut and the rest"));
  more.append(put("div", { class: "fields" }, ...MORE.map(control)));
  holder.append(put("div", { class: "fields" }, ...FIELDS.map(control)), more);
}

export function fillForm(form, settings) {
  for (const field of [...FIELDS, ...MORE]) {
    const value = settings[field.name] ?? "";
    if (field.radio) {
      const same = [...form.elements[field.name]].find((one) => one.value === (value === "knife" ? "" : value));
      if (same) same.checked = true;
    } else {
      form.elements[field.name].value = value;
    }
  }
  if (MORE.some((field) => settings[field.name])) form.querySelector(".more").open = true;
}

export function readForm(form) {
  const settings = {};
  for (const field of [...FIELDS, ...MORE]) {
    const value = form.elements[field.name].value.trim();
    if (value) settings[field.name] = value;
  }
  return settings;
}

export function clearWrong(form) {
  for (const one of form.querySelectorAll(".wrong")) one.textContent = "";
  for (const one of form.querySelectorAll("[aria-invalid]")) one.removeAttribute("aria-invalid");
}

// True if the sentence belongs to a field and now stands beside it.
export function showWrong(form, answer) {
  const place = answer.field && byId(`f-${answer.field}-wrong`);
  if (!place) return false;
  place.textContent = sentence(answer.error);
  const input = byId(`f-${answer.field}`);
  if (input) {
    input.setAttribute("aria-invalid", "true");
    input.closest("details")?.setAttribute("open", "");
    input.focus();
  }
  return true;
}

// ---- a board that is remembered, under the form ----

// What the form says beyond the board's own description; so the record is that of `check --board`.
export function askOf(form, board) {
  const settings = readForm(form);
  if (!board) return settings;
  for (const [name, value] of Object.entries(board.settings)) if (settings[name] === value) delete settings[name];
  return { ...settings, board: board.id };
}

// The form shows what holds, the board's and what is said beside it.
export function fillWithBoard(form, board, settings) {
  fillForm(form, { ...(board?.settings ?? {}), ...settings });
}

// ---- words ----

const MARKS = { slot: "sawn slots", wire: "frets" };
export function askedWords(job) {
  const settings = { ...(job.board?.settings ?? {}), ...job.settings };
  const words = [];
  if (job.board) words.push(job.board.name + (job.board.more ? ` (${job.board.more})` : ""));
  if (settings.scale_length) words.push(`scale length ${settings.scale_length}`);
  if (settings.frets) words.push(`${settings.frets} frets`);
  words.push(MARKS[settings.marks] ?? "knife lines");
  words.push(settings.tolerance ? `tolerance ${settings.tolerance}` : "tolerance 0.2 mm");
  return words.join(", ");
}

export const STAGES = [
  ["reading", "Opening the picture"],
  ["scale", "Reading the rule"],
  ["marks", "Looking for marks"],
  ["match", "Telling which is which"],
  ["judging", "Weighing error and doubt"],
  ["drawing", "Drawing"],
];

export function stateWords(job) {
  if (job.state === "waiting") return job.ahead ? `waiting, ${job.ahead} before it` : "waiting";
  if (job.state === "working") {
    const stage = STAGES.find(([word]) => word === job.stage)?.[1] ?? "Measuring";
    const which = job.piece && job.stage !== "drawing" ? `, piece ${Math.min(job.piece, job.pieces.length)} of ${job.pieces.length}` : "";
    return `${stage}${which}\u2026`;
  }
  if (job.state === "failed") return "not measured";
  if (job.together || job.history)
    return { within: "all within", out: "some out", undecided: "some not decided" }[job.about?.verdict] ?? "";
  return { within: "within tolerance", out: "out of tolerance", undecided: "not decided" }[job.about?.verdict] ?? "";
}

export const verdictOf = (job) => (job.state === "failed" ? "missing" : job.state === "done" ? job.about?.verdict : null);
