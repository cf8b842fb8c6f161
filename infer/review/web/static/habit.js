// What is asked once of a hand: letters that are otherwise are clicked, then all get one answer.

import { translate } from "./translate.js";
import { $, announce, post } from "./server.js";
import { cells, focused, focusOn, refresh, resize, toggleMarks, unseenWords, wall, wallKey, wasSeen } from "./wall.js";

export const habit = wall?.dataset.habit;

export function toggleOtherwise(cell) {
  const on = cell.getAttribute("aria-pressed") !== "true";
  cell.setAttribute("aria-pressed", String(on));
  focusOn(cell);
}

const isOtherwise = (cell) => cell.getAttribute("aria-pressed") === "true";

// Answer for all letters whose pictures have been on the screen.
export async function answer(choice) {
  if (choice === "other_letter") return;
  const seen = cells.filter(wasSeen);
  if (!seen.length) return announce(translate("No letter has been on your screen yet."));
  // Letters decided before keep their decision while others are open.
  const open = seen.filter((cell) => !cell.dataset.choice || isOtherwise(cell));
  const shown = open.length ? open : seen;
  const items = shown.map((cell) => [cell.dataset.id, cell.dataset.version]);
  const otherwise = shown.filter(isOtherwise).map((cell) => cell.dataset.id);
  const data = { items, otherwise, answer: choice };
  const reply = await post(`/habit/${habit}`, data, refresh);
  if (!reply) return;
  refresh(reply);
  for (const cell of shown) cell.setAttribute("aria-pressed", "false");
  const unseen = cells.filter((cell) => !cell.dataset.choice).length;
  announce(reply.message + (unseen ? ` ${unseenWords(unseen)}` : ""));
  if (!unseen) $("following").focus();
}

// Act on a key; returns whether it has a meaning here.
export function habitKey(key) {
  if (key === "x" || key === " ") toggleOtherwise(focused());
  else if (key === "r" || key === "y") return false;
  else return wallKey(key);
  return true;
}

export { resize, toggleMarks };
