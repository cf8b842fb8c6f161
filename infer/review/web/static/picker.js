// Choice of the letter that is written: by its key on a Hebrew keyboard, by its name, or by arrows.

import { $ } from "./server.js";

let typed = "";
let onTaken = () => {};
const options = () => [...$("picker").querySelectorAll("[data-letter]")];

export const picking = () => Boolean($("picker")?.open);

// Ask for a letter; `then` is called with it, and is not called if the reader leaves.
export function pick(then) {
  typed = "";
  onTaken = then;
  $("picker").showModal();
  choose(options()[0]);
}

function choose(option) {
  for (const one of options()) one.setAttribute("aria-selected", String(one === option));
  option.focus();
}

export function take(option) {
  $("picker").close();
  onTaken(option.dataset.letter);
}

function byName(key) {
  const begins = (text) => options().find((one) => one.dataset.name.startsWith(text));
  typed += key;
  const found = begins(typed) || begins((typed = key));
  if (found) choose(found);
}

export function pickerKey(event) {
  const all = options();
  const at = all.indexOf(document.activeElement);
  const wide = all.findIndex((one) => one.offsetTop > all[0].offsetTop);
  const ways = { ArrowLeft: 1, ArrowRight: -1, ArrowDown: wide, ArrowUp: -wide };
  const hebrew = all.find((one) => one.dataset.letter === event.key);
  if (hebrew) take(hebrew);
  else if (event.key in ways) choose(all[Math.min(all.length - 1, Math.max(0, at + ways[event.key]))]);
  else if (event.key === "Enter" && at >= 0) take(all[at]);
  else if (/^[a-z ]$/i.test(event.key)) byName(event.key.toLowerCase());
  else return;
  event.preventDefault();
}
