// The live page: joins the stream, the cameras, the answers and the buttons.

import { Camera } from "/camera.js";
import { Clock, listen } from "/stream.js";
import { AnswerCard, STATUS, fit, keepingLine, next, put, silent } from "/words.js";

const MAP_EVERY_MS = 250;
const SPOKEN_EVERY_MS = 4000;
// A reading older than this is said to be old, and its points no longer stand over newer pictures.
const OLD_MS = 1500;
const LEGENDS = {
  focus: "Focus map: close lines sharp, wide lines soft, dashed outline not told.",
  light: "Light map: dots blown, level lines too dark."
};
const get = (id) => document.getElementById(id);
const cards = ["framing", "focus", "light"].map((subject) => [subject, new AnswerCard(subject)]);
const cameras = new Map();
let state = null;
let out = null;
let version = null;
let connected = false;
let broken = "";
let brokenAt = 0;
let map = null;
let spoken = { text: "", at: 0 };
let failed = { text: "", until: 0 };

const clock = new Clock();

listen({
  hello(header) {
    if (version !== null && version !== header.version) location.reload();
    ({ version, out } = header);
    connected = true;
    clock.ask();
  },
  reading(header) { state = header; render(); },
  picture(header, bytes) {
    clock.heard(header.sent_s);
    cameras.get(header.camera)?.take(header, bytes, clock);
  },
  broken(reason) {
    if (connected) brokenAt = performance.now();
    connected = false;
    broken = reason;
    render();
  },
});
setInterval(() => { if (state) render(); }, 500);
setInterval(showMaps, MAP_EVERY_MS);

function render() {
  document.body.classList.toggle("old", !connected);
  get("line").classList.toggle("lost", !connected || state?.age_ms > OLD_MS);
  put(get("line"), connected ? measured() : `${broken[0].toUpperCase()}${broken.slice(1)}. Trying again.`);
  if (!state) return;
  document.body.dataset.mode = state.mode;
  renderCameras();
  renderNext();
  renderKeeping();
  renderSafety();
  get("answers").hidden = state.mode === "board";
  get("board").hidden = state.mode !== "board";
  if (state.mode === "board") renderBoard(); else renderAnswers();
}

function measured() {
  if (!state) return "Connected.";
  if (state.age_ms === null) return "Nothing measured yet";
  if (state.age_ms > OLD_MS) return `Last measured ${(state.age_ms / 1000).toFixed(0)} s ago`;
  return `Measured ${state.measured_per_s.toFixed(0)} times a second, ${state.age_ms.toFixed(0)} ms behind`;
}

function renderCameras() {
  for (const source of state.sources) {
    if (!cameras.has(source.camera_idx)) cameras.set(source.camera_idx, new Camera(source.camera_idx, get("pictures")));
    const camera = cameras.get(source.camera_idx);
    camera.tell(source, connected);
    const seen = state.cameras.find((each) => each.camera_idx === source.camera_idx);
    camera.show(seen ?? { crosses: [], face: false, sentence: "" }, state.age_ms > OLD_MS);
    camera.showBoard(state.mode === "board" ? state.board : null);
    camera.legend.textContent = map && state.mode === "face" ? (camera.mapped ? LEGENDS[map] : `No ${map} map yet.`) : "";
  }
}

function renderNext() {
  const { what, move, rest } = next(state, connected);
  get("next").classList.toggle("rest", rest);
  put(get("next-what"), what);
  put(get("move"), move);
}

function renderAnswers() {
  const answers = connected ? state.answers : silent(state.answers, (performance.now() - brokenAt) / 1000);
  for (const [subject, card] of cards) {
    const answer = answers.find((each) => each.subject === subject);
    if (answer) card.show(answer, next(state, connected).move);
  }
  const spokenOf = (each) => `${each.subject}: ${each.old_s === null ? STATUS[each.status].slice(0, -2) : "old"}, ${each.headline}`;
  speak(answers.map(spokenOf).join(". "));
}

function renderBoard() {
  const { board } = state;
  if (!board) return;
  get("board").classList.toggle("enough", board.enough);
  put(get("board-adds"), board.adds_sentence);
  put(get("board-state"), board.sentence === next(state, connected).move ? "" : board.sentence);
  const rows = [["Views kept", String(board.views_kept)]];
  for (const each of board.coverage) rows.push([`Covered, camera ${each.camera_idx + 1}`, `${Math.round(100 * each.fraction)} %`]);
  const list = get("board-numbers");
  const text = JSON.stringify(rows);
  if (list.dataset.rows === text) return;
  list.dataset.rows = text;
  list.replaceChildren(...rows.flatMap(([name, value]) => [["dt", name], ["dd", value]]).map(([tag, words]) => {
    const element = document.createElement(tag);
    element.textContent = words;
    return element;
  }));
  speak(`${board.adds_sentence} ${board.sentence}`);
}

function renderKeeping() {
  const busy = state.keeping !== "";
  const trouble = performance.now() < failed.until ? failed.text : "";
  get("keeping").className = trouble ? "failed" : busy ? "now" : "";
  put(get("keeping"), trouble || keepingLine(state, out));
  get("keep").disabled = busy || !connected;
  get("calibrate").disabled = busy || !connected;
  get("calibrate").hidden = state.mode !== "board";
  get("keep").hidden = state.mode === "board";
  get("focus-map").hidden = state.mode === "board";
  get("light-map").hidden = state.mode === "board";
  get("board-mode").setAttribute("aria-pressed", String(state.mode === "board"));
  put(get("show-kept"), `Kept: ${state.kept.length}`);
}

function renderSafety() {
  get("worn").classList.toggle("rest", state.safety.rest_due);
  // How long the helmet has been worn, and the reminder to rest, stand out.
  const first = state.safety.rest_due ? 2 : 1;
  put(get("worn"), state.safety.sentences.slice(0, first).join(" "));
  const others = state.safety.sentences.slice(first).join(" ");
  if (others) put(get("mind"), others);
  get("who").hidden = others.includes(get("who").textContent.slice(0, 20).toLowerCase());
}

/** Tells a screen reader what changed, not more often than one can listen to. */
function speak(text) {
  const now = performance.now();
  if (text === spoken.text || now - spoken.at < SPOKEN_EVERY_MS) return;
  spoken = { text, at: now };
  get("spoken").textContent = text;
}

let drawing = false;
async function showMaps() {
  if (map === null || drawing || !connected || document.hidden) return;
  drawing = true;
  await Promise.all([...cameras.values()].map((camera) => camera.showMap(map)));
  drawing = false;
}

function toggleMap(kind) {
  map = map === kind ? null : kind;
  for (const each of ["focus", "light"]) get(`${each}-map`).setAttribute("aria-pressed", String(map === each));
  for (const camera of cameras.values()) camera.showMap(map);
  if (state) render();
}

/** Asks rigcheck for something; what it cannot do is said in its own words. */
async function ask(path) {
  failed = { text: "", until: 0 };
  try {
    const answer = await fetch(path, { method: "POST" });
    if (!answer.ok) {
      const said = await answer.json().catch(() => ({ message: `Not done (${answer.status}).`, hint: "" }));
      failed = { text: `${said.message} ${said.hint}`.trim(), until: performance.now() + 12000 };
    }
  } catch {
    failed = { text: "Not done: no connection to rigcheck.", until: performance.now() + 12000 };
  }
  if (state) render();
}

function showKept() {
  get("kept-where").textContent = state?.kept.length ? `Folder: ${out}` : `Nothing yet. Moments that you keep go to ${out}`;
  get("kept-list").replaceChildren(...(state?.kept ?? []).map((each) => {
    const item = document.createElement("li");
    item.append(`${each.name}: ${each.sentence} `);
    if (each.link) {
      const link = document.createElement("a");
      link.href = `/kept/${each.link.split("/").map(encodeURIComponent).join("/")}`;
      link.target = "_blank";
      link.rel = "noopener";
      link.textContent = `Report of ${each.name}`;
      item.append(link);
    }
    return item;
  }));
  get("kept").showModal();
}

const actions = {
  keep: () => ask("/keep"),
  calibrate: () => ask("/calibrate"),
  "focus-map": () => toggleMap("focus"),
  "light-map": () => toggleMap("light"),
  "board-mode": () => ask(state?.mode === "board" ? "/mode/face" : "/mode/board"),
  bright: () => {
    const bright = document.documentElement.toggleAttribute("data-bright");
    get("bright").setAttribute("aria-pressed", String(bright));
  },
  "show-kept": showKept,
  "show-keys": () => get("keys").showModal(),
};
for (const [id, action] of Object.entries(actions)) get(id).addEventListener("click", action);
for (const button of document.querySelectorAll("dialog .close")) button.addEventListener("click", () => button.closest("dialog").close());

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || !get("letters").checked) return;
  if (document.querySelector("dialog[open]")) return;
  const button = [...document.querySelectorAll("#controls button")].find((each) => each.getAttribute("aria-keyshortcuts") === event.key.toLowerCase());
  if (!button || button.hidden || button.disabled) return;
  event.preventDefault();
  button.click();
});
// What is written large is written anew when its box changes.
const boxes = new ResizeObserver((entries) => requestAnimationFrame(() => entries.forEach((each) => fit(each.target))));
for (const each of document.querySelectorAll("[data-most]")) boxes.observe(each);

/** Keeps the tablet awake where the browser allows it: on this machine, not over plain HTTP from the network. */
async function stayAwake() {
  if (document.hidden || !navigator.wakeLock) return;
  await navigator.wakeLock.request("screen").catch(() => {});
}
document.addEventListener("visibilitychange", stayAwake);
stayAwake();
