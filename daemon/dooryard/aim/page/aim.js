// The aiming page: shows what the box sends, and sends what is drawn. Sums and lines are made by the box.
"use strict";

const at = (id) => document.getElementById(id);
const HINTS = {
  focus: "Drag a frame around what is to be sharp, such as the perch. The focus number is taken there.",
  ruler: "Drag from one end of something of known size to the other, and say below how long it is.",
  ignore: "Drag a frame over what moves and is nobody: a branch, a flag.",
  blackout: "Drag a frame over what nobody is to see.",
};
const KEYS = " Or tap two corners; or move with the arrow keys and press Enter at each.";
const NAMES = { ignore: "Ignore", blackout: "Black out" };
const SLIP_PX = 8; // a shorter drag is a tap
const RETRY_MS = 4000;
const MIDDLE = [1 / 3, 1 / 3, 2 / 3, 2 / 3];

const stage = at("stage");
const picture = at("picture");
const over = at("over");
const ignored = stage.dataset.ignored ? stage.dataset.ignored.split(";") : [];
const viewer = Array.from(crypto.getRandomValues(new Uint8Array(8)), (each) => each.toString(16).padStart(2, "0")).join("");

let tool = "focus";
let focus = MIDDLE;
let ruler = null;
let parts = []; // [kind, x0, y0, x1, y1]
let moved = [];
let scores = []; // of the last three pictures: one alone may be a gust
let best = 0;
let anchor = null; // the first of two corners
let cross = null; // where the keyboard points
let draft = null;

// ---- drawing

function element(name, kind, values) {
  for (const each of kind === "text" || name === "polygon" ? [kind] : ["edge", kind]) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    made.setAttribute("class", each);
    for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
    over.append(made);
  }
}

function frame(kind, [x0, y0, x1, y1], label) {
  const [wide, high] = [stage.clientWidth, stage.clientHeight];
  const [x, y] = [Math.min(x0, x1) * wide, Math.min(y0, y1) * high];
  element("rect", kind, { x, y, width: Math.abs(x1 - x0) * wide, height: Math.abs(y1 - y0) * high });
  if (!label) return;
  const made = document.createElementNS("http://www.w3.org/2000/svg", "text");
  made.setAttribute("x", Math.min(x, wide - 110));
  made.setAttribute("y", y > 20 ? y - 5 : y + 16);
  made.textContent = label;
  over.append(made);
}

function line(kind, [x0, y0, x1, y1]) {
  const [wide, high] = [stage.clientWidth, stage.clientHeight];
  element("line", kind, { x1: x0 * wide, y1: y0 * high, x2: x1 * wide, y2: y1 * high });
}

function measured([x0, y0, x1, y1]) {
  const [wide, high] = [stage.clientWidth, stage.clientHeight];
  const [dx, dy] = [(x1 - x0) * wide, (y1 - y0) * high];
  const long = Math.hypot(dx, dy) || 1;
  const [ex, ey] = [((-dy / long) * 7) / wide, ((dx / long) * 7) / high]; // across its ends
  for (const [x, y] of [[x0, y0], [x1, y1]]) line("ruler", [x - ex, y - ey, x + ex, y + ey]);
  line("ruler", [x0, y0, x1, y1]);
}

function mark([x, y]) {
  const [dx, dy] = [12 / stage.clientWidth, 12 / stage.clientHeight];
  line("cross", [x - dx, y, x + dx, y]);
  line("cross", [x, y - dy, x, y + dy]);
}

function draw() {
  const [wide, high] = [stage.clientWidth, stage.clientHeight];
  over.setAttribute("viewBox", `0 0 ${wide} ${high}`);
  over.replaceChildren();
  for (const points of ignored) {
    const scaled = points.split(" ").map((pair) => pair.split(",").map((each, i) => (each / 1000) * (i ? high : wide)));
    element("polygon", "ignore", { points: scaled.map((pair) => pair.join(",")).join(" ") });
  }
  for (const [kind, ...box] of parts) frame(kind, box, NAMES[kind]);
  for (const [x0, y0, x1, y1, held] of moved) frame(held ? "held" : "moved", [x0, y0, x1, y1], held || "worth a look");
  frame("focus", focus, "");
  if (ruler) measured(ruler);
  if (draft && tool === "ruler") measured(draft);
  else if (draft) frame(tool, draft, "");
  if (anchor) mark(anchor);
  if (cross && document.activeElement === stage) mark(cross);
}

// ---- pointing: a drag, two taps, or the keyboard

function point(event) {
  const box = stage.getBoundingClientRect();
  const part = (value) => Math.min(1, Math.max(0, value));
  return [part((event.clientX - box.left) / box.width), part((event.clientY - box.top) / box.height)];
}

function isSlip([x0, y0], [x1, y1]) {
  return Math.hypot((x1 - x0) * stage.clientWidth, (y1 - y0) * stage.clientHeight) < SLIP_PX;
}

function tap(where) {
  if (anchor) finish(anchor, where);
  else anchor = where;
}

function finish(from, to) {
  anchor = draft = null;
  if (isSlip(from, to)) return;
  const box = [...from, ...to];
  if (tool === "focus") {
    focus = box;
    startOver();
  } else if (tool === "ruler") {
    ruler = box;
    measure();
  } else {
    parts.push([tool, ...box]);
    listParts();
  }
}

let held = null; // where a finger or a button went down
stage.addEventListener("pointerdown", (event) => {
  if (!event.isPrimary || event.button !== 0) return;
  held = point(event);
  cross = null;
  stage.setPointerCapture(event.pointerId);
});
stage.addEventListener("pointermove", (event) => {
  if (!held || !event.isPrimary) return;
  draft = isSlip(held, point(event)) ? null : [...held, ...point(event)];
  draw();
});
stage.addEventListener("pointerup", (event) => {
  if (!held || !event.isPrimary) return;
  const where = point(event);
  if (isSlip(held, where)) tap(where);
  else finish(held, where);
  held = draft = null;
  draw();
});
stage.addEventListener("pointercancel", () => {
  held = draft = null;
  draw();
});
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
stage.addEventListener("keydown", (event) => {
  const step = STEPS[event.key];
  if (event.key === "Escape") anchor = null;
  else if (event.key === "Enter" && cross) tap(cross);
  else if (step || event.key === "Enter") {
    const far = event.shiftKey ? 0.1 : 0.02;
    const [x, y] = cross || [0.5, 0.5];
    const [dx, dy] = step || [0, 0];
    cross = [Math.min(1, Math.max(0, x + dx * far)), Math.min(1, Math.max(0, y + dy * far))];
  } else return;
  event.preventDefault();
  draw();
});
for (const each of ["focus", "blur"]) stage.addEventListener(each, draw);

// ---- what comes of it

function say(where, text) {
  if (at(where).textContent !== text) at(where).textContent = text;
}

function startOver() {
  scores = [];
  best = 0;
}

async function measure() {
  if (!ruler) return;
  const [x0, y0, x1, y1] = ruler;
  const asked = new URLSearchParams({ x0, y0, x1, y1, mm: at("mm").value.replace(",", ".") });
  try {
    say("sparrow", await (await fetch(`measure?${asked}`)).text());
  } catch {
    say("sparrow", "The box does not answer.");
  }
}

function listParts() {
  at("drawn").replaceChildren(
    ...parts.map(([kind], index) => {
      const [item, button] = [document.createElement("li"), document.createElement("button")];
      const number = parts.slice(0, index + 1).filter((each) => each[0] === kind).length;
      item.textContent = `${NAMES[kind]} ${number}`;
      button.type = "button";
      button.textContent = "Remove";
      button.setAttribute("aria-label", `Remove: ${item.textContent}`);
      button.addEventListener("click", () => {
        parts.splice(index, 1);
        listParts();
        draw();
      });
      item.append(button);
      return item;
    }),
  );
  writeLines();
}

async function writeLines() {
  const of = (kind) => parts.filter((each) => each[0] === kind).map((each) => each.slice(1).join(",")).join(";");
  at("lines").hidden = !parts.length;
  if (!parts.length) return;
  try {
    const answer = await fetch(`lines?${new URLSearchParams({ ignore: of("ignore"), blackout: of("blackout") })}`);
    if (!answer.ok) throw new Error(await answer.text());
    const { ignore, blackout } = await answer.json();
    at("toml").value = [blackout, ignore].filter(Boolean).join("\n");
    at("toml").rows = Math.min(16, at("toml").value.split("\n").length + 1);
  } catch (error) {
    at("toml").value = `# ${error.message}`;
  }
}

function choose() {
  tool = document.querySelector("input[name=tool]:checked").value;
  anchor = null;
  say("hint", HINTS[tool] + KEYS);
  draw();
}

for (const each of document.querySelectorAll("input[name=tool]")) each.addEventListener("change", choose);
at("mm").addEventListener("input", measure);
at("restart").addEventListener("click", startOver);
at("copy").addEventListener("click", () => {
  at("toml").select(); // the clipboard's newer interface wants https
  const done = document.execCommand("copy");
  at("copy").textContent = done ? "Copied" : "Marked: copy it by hand";
});

// ---- the picture

function sees(told) {
  if (told.learning) return "The gate is still learning the view (12 s without a visitor).";
  const through = moved.filter((each) => !each[4]).length;
  if (!moved.length) return "The gate sees nothing that moves.";
  const reasons = [...new Set(moved.map((each) => each[4]).filter(Boolean))];
  const back = moved.length - through;
  const texts = [through ? `${through} worth a look` : "", back ? `${back} held back: ${reasons.join(", ")}` : ""];
  return `The gate sees: ${texts.filter(Boolean).join("; ")}.`;
}

function show(told, bitmap) {
  if (picture.width !== bitmap.width || picture.height !== bitmap.height) {
    picture.width = bitmap.width;
    picture.height = bitmap.height;
  }
  picture.getContext("2d").drawImage(bitmap, 0, 0);
  moved = told.moved;
  scores = [...scores, told.focus || 0].slice(-3);
  const score = [...scores].sort((a, b) => a - b)[scores.length >> 1];
  best = Math.max(best, score);
  say("score", told.focus === null ? "dark" : score.toFixed(1));
  say("best", best ? best.toFixed(1) : "–");
  const part = best ? score / best : 0;
  at("needle").setAttribute("transform", `rotate(${(180 * part - 90).toFixed(1)} 100 104)`);
  say("exposure", told.exposure);
  say("size", told.size.join(" × "));
  say("left", told.left_s > 90 ? `${Math.round(told.left_s / 60)} min left` : `${told.left_s} s left`);
  say("state", sees(told));
  at("left").dataset.number = told.number;
  draw();
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));
const shown = () =>
  new Promise((done) => {
    if (!document.hidden) done();
    else document.addEventListener("visibilitychange", done, { once: true });
  });

async function look() {
  const answer = await fetch(`look?${new URLSearchParams({ viewer, focus: focus.join(",") })}`);
  if (answer.status === 200) {
    show(JSON.parse(answer.headers.get("Dooryard-Look")), await createImageBitmap(await answer.blob()));
  } else if (answer.status === 204) {
    say("state", "No picture comes from the camera.");
  } else {
    say("state", await answer.text());
    await pause(RETRY_MS);
  }
}

async function run() {
  for (;;) {
    await shown();
    try {
      await look();
    } catch {
      say("state", "The box does not answer: the time may be over, or the network away.");
      say("left", "");
      await pause(RETRY_MS);
    }
  }
}

addEventListener("pagehide", () => {
  navigator.sendBeacon("leave", new URLSearchParams({ viewer, token: at("token").value }));
});
addEventListener("resize", draw);
choose();
run();
