// Requests to the server. Only what the server confirmed is saved: until it answers the page stays
// as it is, and after an error the reader sees that nothing was saved.

import { translate } from "./translate.js";

export const $ = (id) => document.getElementById(id);
export const main = $("main");

export function announce(text) {
  $("alarm").textContent = "";
  $("status").textContent = text;
}

function alarm(text) {
  $("status").textContent = "";
  $("alarm").textContent = text;
}

let busy = false;
export const isBusy = () => busy;

// The server's answer, or null after showing the error; `refresh` updates the items on the page.
export async function ask(path, options, refresh = () => {}) {
  if (busy) return null;
  busy = true;
  main.setAttribute("aria-busy", "true");
  const unsaved = options.method === "POST" ? ` ${translate("This was not saved.")}` : "";
  try {
    const reply = await fetch(path, { ...options, signal: AbortSignal.timeout(20000) });
    const json = (reply.headers.get("content-type") || "").startsWith("application/json");
    const answer = json ? await reply.json() : { error: await reply.text() };
    if (reply.ok) return answer;
    refresh(answer);
    alarm(answer.error.trim() + unsaved);
  } catch {
    alarm(
      translate("The server does not answer.") + unsaved + " " + translate("What was confirmed before is kept.") +
        " " + translate("Start the program again and open the address it prints.")
    );
  } finally {
    busy = false;
    main.removeAttribute("aria-busy");
  }
  return null;
}

export function post(path, data, refresh) {
  const body = JSON.stringify({ reader: document.body.dataset.reader, ...data });
  const headers = { "Content-Type": "application/json" };
  return ask(path, { method: "POST", headers, body }, refresh);
}
