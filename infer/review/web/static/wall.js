// The wall: crops from right to left, one in focus; the remaining ones can be decided together.
// Crops are as large as the window allows, and bare until marks are asked for.

import { translate, translateCount } from "./translate.js";
import { $, announce, post } from "./server.js";

export const wall = $("wall");
export const cells = wall ? [...wall.querySelectorAll(".cell")] : [];
const places = new Map(cells.map((cell, i) => [cell.dataset.id, i]));
const seen = new Set();
export const wasSeen = (cell) => seen.has(cell);

export const focused = () =>
  cells.includes(document.activeElement)
    ? document.activeElement
    : cells.find((cell) => cell.tabIndex === 0);

export function focusOn(cell) {
  const before = cells.find((one) => one.tabIndex === 0);
  if (before) before.tabIndex = -1;
  cell.tabIndex = 0;
  cell.focus();
}

function move(by) {
  const at = cells.indexOf(focused());
  focusOn(cells[Math.min(cells.length - 1, Math.max(0, at + by))]);
}

function columns() {
  const next = cells.findIndex((cell) => cell.offsetTop > cells[0].offsetTop);
  return next < 0 ? cells.length : next;
}

const middle = (cell) => cell.offsetLeft + cell.offsetWidth / 2;

// To the row above or below, to the crop nearest in x: crops of stretched letters are wider.
function moveRow(way) {
  const here = focused();
  const beyond = cells.filter((cell) => way * (cell.offsetTop - here.offsetTop) > 0);
  if (!beyond.length) return move(way * cells.length);
  const top = (way > 0 ? beyond[0] : beyond.at(-1)).offsetTop;
  const away = (cell) => Math.abs(middle(cell) - middle(here));
  const row = beyond.filter((cell) => cell.offsetTop === top);
  focusOn(row.reduce((best, cell) => (away(cell) < away(best) ? cell : best)));
}

const rows = () => Math.max(1, Math.floor(window.innerHeight / cells[0].offsetHeight) - 1);

const SIZE = "crownlet-crop-px";
const GAP_PX = 8;
const LARGE_FROM_PX = 300;
let sizePx = 0;

const leastPx = () => (window.innerWidth < 700 ? 104 : 150);
const mostPx = () => Math.min(620, wall.clientWidth, Math.max(200, window.innerHeight - 200));
const heightOf = (px) => (px * 124) / 132 + 26;

// The largest crops of which all fit into the window, else the least.
function fittingPx() {
  const room = window.innerHeight - wall.getBoundingClientRect().top - window.scrollY - 70;
  const fits = (px) => {
    const across = Math.floor((wall.clientWidth + GAP_PX) / (px + GAP_PX));
    return Math.ceil(cells.length / across) * (heightOf(px) + GAP_PX) <= room;
  };
  for (let px = mostPx(); px > leastPx(); px -= 10) if (fits(px)) return px;
  return leastPx();
}

function setSize(px) {
  sizePx = Math.max(leastPx(), Math.min(mostPx(), px));
  wall.style.setProperty("--crop", `${Math.floor(sizePx)}px`);
  showPictures();
}

const pictureName = () => {
  if (wall.classList.contains("marked")) return "marked";
  return sizePx * Math.min(2, window.devicePixelRatio) > LARGE_FROM_PX ? "large" : "wall";
};

// The pictures of the crops near the window; the browser asks for the others as they come near.
function showPictures() {
  const name = pictureName();
  for (const cell of cells) {
    const wide = cell.classList.contains("wide");
    const source = `/crop/${cell.dataset.id}/${wide && name === "large" ? "wall" : name}.jpg`;
    const picture = cell.firstElementChild;
    if (picture.getAttribute("src") !== source) picture.src = source;
  }
}

export function resize(by) {
  setSize(sizePx * by);
  sessionStorage.setItem(SIZE, String(sizePx));
  focused().scrollIntoView({ block: "nearest" });
}

export function toggleMarks() {
  const on = wall.classList.toggle("marked");
  document.querySelector("[data-do=marks]").setAttribute("aria-pressed", String(on));
  showPictures();
}

export function refresh(answer) {
  for (const { id, version, choice, words, tag } of answer.cells || []) {
    const place = places.get(String(id));
    if (place === undefined) continue;
    const cell = cells[place];
    Object.assign(cell.dataset, { version, choice });
    cell.lastElementChild.textContent = tag;
    cell.setAttribute("aria-label", `${cell.getAttribute("aria-label").split(":")[0]}: ${words}`);
  }
  $("open").textContent = cells.filter((cell) => !cell.dataset.choice).length;
}

async function send(chosen, choice, rightLetter) {
  const items = chosen.map((cell) => [cell.dataset.id, cell.dataset.version]);
  const data = { items, choice, right_letter: rightLetter, note: null, wall: true };
  const answer = await post("/decide", data, refresh);
  if (!answer) return false;
  refresh(answer);
  announce(answer.message);
  return true;
}

export async function decide(choice, rightLetter) {
  if (await send([focused()], choice, rightLetter)) move(1);
}

export async function undo() {
  const answer = await post("/undo", { wall: true });
  if (!answer) return;
  refresh(answer);
  announce(answer.message);
  const place = places.get(String(answer.cells.at(-1).id));
  if (place !== undefined) focusOn(cells[place]);
}

// Open crops whose pictures have been on the screen; only these are decided together.
const remaining = () => cells.filter((cell) => !cell.dataset.choice && seen.has(cell));

const REST_WORDS = { not_present: translate("not present"), present: translate("present") };
let restChoice = "not_present";

// That some crops have not been on the screen.
export const unseenWords = (count) =>
  translateCount(
    "{n} more was not shown yet and stays open.", "{n} more were not shown yet and stay open.", count
  );

// Ask whether all that is open and was seen gets one answer.
export function askRemaining(choice) {
  restChoice = choice;
  const words = REST_WORDS[choice];
  const count = remaining().length;
  const unseen = cells.filter((cell) => !cell.dataset.choice && !seen.has(cell)).length;
  if (!count) {
    announce(unseen ? translate("Nothing open has been on your screen yet.") : translate("Nothing is open here."));
    return;
  }
  $("rest-words").textContent =
    translateCount(
      "{n} open crop has been on your screen. Set it to “{words}”?",
      "{n} open crops have been on your screen. Set them all to “{words}”?", count, { words }
    ) + (unseen ? ` ${unseenWords(unseen)}` : "");
  $("rest-title").textContent = translate("The rest: {words}", { words });
  $("rest").returnValue = "";
  $("rest").showModal();
  $("rest-yes").focus();
}

const open = (cell) => location.assign(`/one/${cell.dataset.id}`);

// Act on a key; returns whether it has a meaning here.
export function wallKey(key) {
  const page = columns() * rows();
  const ways = {
    ArrowLeft: 1, ArrowRight: -1,
    PageDown: page, PageUp: -page, Home: -cells.length, End: cells.length,
  };
  if (key in ways) move(ways[key]);
  else if (key === "ArrowDown" || key === "ArrowUp") moveRow(key === "ArrowDown" ? 1 : -1);
  else if (key === "h") toggleMarks();
  else if (key === "+" || key === "=") resize(1.25);
  else if (key === "-") resize(0.8);
  else if (key === "r") askRemaining("not_present");
  else if (key === "y") askRemaining("present");
  else if (key === "g") $("following")?.click();
  else if (key === "o" || key === "Enter") open(focused());
  else return false;
  return true;
}

export function startWall() {
  setSize(Number(sessionStorage.getItem(SIZE)) || fittingPx());
  const sight = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) {
      const picture = target.firstElementChild;
      const note = () => picture.naturalWidth && seen.add(target);
      if (!isIntersecting) picture.onload = null;
      else if (picture.complete) note();
      else picture.onload = note;
    }
  }, { threshold: 0.6 });
  for (const cell of cells) sight.observe(cell);
  wall.addEventListener("dblclick", (event) => {
    const cell = event.target.closest(".cell");
    if (cell) open(cell);
  });
  $("rest")?.addEventListener("close", () => {
    focusOn(focused());
    if ($("rest").returnValue === "yes") send(remaining(), restChoice, null);
  });
  focusOn(cells.find((cell) => !cell.dataset.choice) || cells[0]);
}
