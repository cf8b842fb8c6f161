// The desk's page: files that come, names and choices that are kept, parts that are renewed.

import { translate, translateCount } from "./translate.js";

const $ = (id) => document.getElementById(id);
const QUICK_MS = 1200, SLOW_MS = 6000;
const digests = {};
const READ = /\.(png|jpe?g|tiff?|webp|bmp|hei[cf]|pdf)$/i;

function announce(text) {
  $("alarm").textContent = "";
  $("status").textContent = text;
}

function alarm(text) {
  $("status").textContent = "";
  $("alarm").textContent = text;
}

async function ask(path, options = {}) {
  try {
    const reply = await fetch(path, options);
    const json = (reply.headers.get("content-type") || "").startsWith("application/json");
    const answer = json ? await reply.json() : { error: await reply.text() };
    if (reply.ok) return answer;
    alarm(answer.error.trim());
  } catch {
    alarm(
      translate("The program does not answer.") + " " + translate("What was confirmed before is kept.") + " " +
        translate("Start `crownlet open` again and use the address it prints.")
    );
  }
  return null;
}

function post(path, data = {}) {
  const headers = { "Content-Type": "application/json" };
  return ask(path, { method: "POST", headers, body: JSON.stringify(data) });
}

// Parts of the page.

const inUse = (row) => row.contains(document.activeElement) && document.activeElement.matches("input, select");

// Rows that have changed are exchanged; one in which somebody types stays as it is.
function renewPictures(html) {
  const fresh = document.createElement("template");
  fresh.innerHTML = html;
  const part = $("part-pictures");
  const old = new Map([...part.querySelectorAll(".picture")].map((row) => [row.dataset.key, row]));
  for (const row of fresh.content.querySelectorAll(".picture")) {
    const before = old.get(row.dataset.key);
    if (!before) continue;
    if (before.dataset.digest === row.dataset.digest || inUse(before)) row.replaceWith(before);
    else if (before.querySelector("details")?.open) row.querySelector("details")?.setAttribute("open", "");
  }
  const focus = document.activeElement;
  part.replaceChildren(fresh.content);
  if (focus !== document.activeElement && part.contains(focus)) focus.focus();
}

let timer = 0;

async function renew() {
  clearTimeout(timer);
  const query = new URLSearchParams(digests);
  const answer = await ask(`/parts?${query}`);
  if (answer?.pictures) renewPictures(answer.pictures.html);
  if (answer?.progress) $("part-progress").innerHTML = answer.progress.html;
  for (const name of ["pictures", "progress"]) if (answer?.[name]) digests[name] = answer[name].digest;
  timer = setTimeout(renew, answer?.busy ? QUICK_MS : SLOW_MS);
}

// Files that come.

const queue = [];
let total = 0, kept = 0, sending = false;

function refuse(name, cause) {
  const line = document.createElement("li");
  line.textContent = translate("{name} is not read: {cause}.", { name, cause });
  $("refused").append(line);
}

async function sendAll() {
  if (sending) return;
  sending = true;
  while (queue.length) {
    const file = queue.shift();
    $("arriving").textContent =
      translate("{n} of {total}: {name}", { n: kept + 1, total, name: file.name });
    const body = READ.test(file.name) ? file : "";
    const path = `/pictures?${new URLSearchParams({ name: file.name })}`;
    const answer = await ask(path, { method: "POST", body });
    if (!answer) refuse(file.name, translate("it did not arrive"));
    else if (answer.unread) refuse(file.name, answer.unread);
    kept += 1;
    if (kept % 5 === 0) await post("/refresh");
  }
  $("arriving").textContent = translateCount("{n} file done.", "{n} files done.", total);
  total = kept = 0;
  sending = false;
  await post("/refresh");
  renew();
}

function take(files) {
  const seen = [...files].filter((file) => !file.name.startsWith("."));
  queue.push(...seen);
  total += seen.length;
  if (seen.length) sendAll();
}

// All files of what was dropped, folders with all below them.
async function filesOf(entry) {
  if (entry.isFile) return [await new Promise((done, fail) => entry.file(done, fail))];
  const reader = entry.createReader(), files = [];
  for (;;) {
    const some = await new Promise((done, fail) => reader.readEntries(done, fail));
    if (!some.length) return files;
    for (const each of some) files.push(...(await filesOf(each)));
  }
}

async function onDrop(event) {
  event.preventDefault();
  $("drop").classList.remove("over");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.());
  if (entries.every((entry) => !entry)) return take(event.dataTransfer.files);
  for (const entry of entries) if (entry) take(await filesOf(entry));
}

// Names, choices, commands.

async function keepPlace(row) {
  const field = (name) => row.querySelector(`[name=${name}]`);
  const data = {
    key: row.dataset.key, scroll: field("scroll").value, side: field("side").value,
    left_out: field("left_out").checked,
  };
  const answer = await post("/place", data);
  if (answer) announce(answer.message);
  renew();
}

async function keepChoices() {
  const form = $("choose");
  const portion = form.elements.portion.value || form.elements.passage.value.trim();
  if (!portion) return form.elements.passage.focus();
  const settings = {};
  for (const select of form.querySelectorAll("[data-setting]")) settings[select.dataset.setting] = select.value;
  const answer = await post("/choices", { portion, customs: form.elements.customs.value, settings });
  if (answer) announce(answer.message);
  renew();
}

async function command(name) {
  const answer = await post(`/${name}`);
  if (answer) announce(answer.message);
  renew();
}

document.addEventListener("change", (event) => {
  const row = event.target.closest(".picture");
  if (row) keepPlace(row);
  else if (event.target.closest("#choose")) {
    if (event.target.id === "passage") $("choose").querySelector("[name=portion][value='']").checked = true;
    keepChoices();
  } else if (event.target.matches("#files, #tree")) {
    take(event.target.files);
    event.target.value = "";
  }
});
document.addEventListener("submit", (event) => event.preventDefault());
document.addEventListener("click", (event) => {
  const target = event.target.closest("[data-do], #refresh");
  if (target) command(target.dataset.do || "refresh");
});
for (const kind of ["dragenter", "dragover"]) {
  document.addEventListener(kind, (event) => {
    event.preventDefault();
    $("drop").classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => {
  if (!event.relatedTarget) $("drop").classList.remove("over");
});
document.addEventListener("drop", onDrop);
renew();
