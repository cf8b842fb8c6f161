// Keys and buttons of the review page.

import * as habits from "./habit.js";
import * as letter from "./letter.js";
import { pick, pickerKey, picking, take } from "./picker.js";
import { $, isBusy } from "./server.js";
import * as walls from "./wall.js";

const onWall = Boolean(walls.wall);
const onLetter = Boolean($("letter"));
const place = onWall ? walls : letter;

const commands = {
  help: () => $("help").showModal(),
  undo: () => place.undo(),
  rest: () => walls.askRemaining("not_present"),
  restPresent: () => walls.askRemaining("present"),
  next: () => letter.step("next"),
  previous: () => letter.step("previous"),
  near: letter.toggleNear,
  marks: () => place.toggleMarks(),
  smaller: () => walls.resize(0.8),
  larger: () => walls.resize(1.25),
};

function decide(choice) {
  if (isBusy() || !(onWall || letter.article())) return;
  if (habits.habit) return habits.answer(choice);
  if (choice !== "other_letter") place.decide(choice, null);
  else pick((right) => place.decide(choice, right));
}

// The key as on a Latin keyboard, so that a Hebrew layout works too.
function keyOf(event) {
  const code = event.code || "";
  if (/^(Digit|Numpad)[1-5]$/.test(code) && !event.shiftKey) return code.at(-1);
  if (/^[A-Za-z]$/.test(event.key)) return event.key.toLowerCase();
  return /^Key[A-Z]$/.test(code) ? code.at(-1).toLowerCase() : event.key;
}

function inText(event) {
  if (!event.target.matches("input, textarea, select")) return false;
  if (event.key === "Escape") event.target.blur();
  return true;
}

function onKey(event) {
  if (picking()) return pickerKey(event);
  if (document.querySelector("dialog[open]") || inText(event)) return;
  const key = keyOf(event);
  const undoing = key === "z" && (event.ctrlKey || event.metaKey) && !event.shiftKey;
  if (!undoing && (event.ctrlKey || event.altKey || event.metaKey)) return;
  if (!act(event, key, undoing)) return;
  event.preventDefault();
}

// Act on a key; returns whether it has a meaning.
function act(event, key, undoing) {
  if (key === "?") commands.help();
  else if (!onWall && !onLetter) return false;
  else if (undoing || key === "u") place.undo();
  else if (/^[1-5]$/.test(key)) {
    // A key held down must not decide one letter after another.
    if (!event.repeat) decide($(`key-${key}`).dataset.choice);
  } else if ((key === "Enter" || key === " ") && !event.target.matches(".cell")) return false;
  else if (habits.habit) return habits.habitKey(key);
  else return onWall ? walls.wallKey(key) : letter.letterKey(key);
  return true;
}

function onClick(event) {
  const target = event.target.closest("button");
  if (!target) return;
  if (target.dataset.do) commands[target.dataset.do]();
  else if (target.matches(".cell")) habits.habit ? habits.toggleOtherwise(target) : walls.focusOn(target);
  else if (target.dataset.choice) decide(target.dataset.choice);
  else if (target.dataset.letter) take(target);
}

document.addEventListener("keydown", onKey);
document.addEventListener("click", onClick);
if (onWall) walls.startWall();
if (onLetter) {
  letter.watchPictures();
  window.addEventListener("popstate", () => letter.go(location.pathname + location.search, false));
}
