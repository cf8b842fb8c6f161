// One letter at a time: its decision, the next, the pictures.

import { $, announce, ask, main, post } from "./server.js";

export const article = () => main.querySelector("article[data-id]");
const button = (name) => main.querySelector(`[data-do=${name}]`);
const press = (it, on) => it.setAttribute("aria-pressed", String(on));

export function show(answer, push = true) {
  if (answer.html === undefined) return;
  $("letter").innerHTML = answer.html;
  const here = location.pathname + location.search;
  if (push && here !== answer.url) history.pushState(null, "", answer.url);
  window.scrollTo(0, 0);
  watchPictures();
}

export async function go(url, push = true) {
  const answer = await ask(url, { headers: { "X-Part": "letter" } });
  if (!answer) return;
  show(answer, push);
  announce("");
}

export function step(way) {
  const here = article();
  if (here) go(`/step/${here.dataset.id}/${way}${here.dataset.query}`);
}

export async function decide(choice, rightLetter) {
  const { id, version, query } = article().dataset;
  const data = { items: [[id, version]], choice, right_letter: rightLetter, note: $("note").value };
  const answer = await post(`/decide${query}`, data, show);
  if (!answer) return;
  show(answer);
  announce(answer.message);
}

export async function undo() {
  const answer = await post("/undo", {});
  if (!answer) return;
  show(answer);
  announce(answer.message);
}

export function toggleNear() {
  press(button("near"), main.classList.toggle("nearer"));
}

export function toggleMarks() {
  press(button("marks"), main.classList.toggle("pointed"));
}

export function watchPictures() {
  for (const picture of main.querySelectorAll(".view img")) {
    const lost = () => {
      picture.hidden = true;
      picture.parentElement.querySelector(".lost").hidden = false;
    };
    picture.addEventListener("error", lost);
    // It may have failed to load before this script ran.
    if (picture.complete && !picture.naturalWidth && picture.loading !== "lazy") lost();
  }
  if (!article()) return;
  press(button("marks"), main.classList.contains("pointed"));
  press(button("near"), main.classList.contains("nearer"));
}

// Act on a key; returns whether it has a meaning here.
export function letterKey(key) {
  const ways = { n: "next", ArrowDown: "next", p: "previous", ArrowUp: "previous" };
  if (!article()) return false;
  if (key in ways) step(ways[key]);
  else if (key === "z") toggleNear();
  else if (key === "h") toggleMarks();
  else if (key === "m") $("note").focus();
  else if (key === "w") location.assign(article().dataset.wall);
  else return false;
  return true;
}
