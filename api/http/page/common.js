// What the phone page and the page of the set-up share: asking the board, running a command, and texts.
"use strict";

const $ = (id) => document.getElementById(id);

let now = null; // the newest /api/now
let running = 0; // commands that run
let queue = []; // commands that wait for the running one
let awaited = ""; // what a command waits to see on the wire: "black" or "light"
let messageTimer = 0;

// ---- asking

async function ask(method, path, body) {
  const answer = await fetch(path, {
    method,
    headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
    signal: AbortSignal.timeout(10000),
  });
  const content = await answer.json();
  if (answer.ok) return content;
  if (answer.status === 401 && !path.startsWith("/api/sign-in")) signOut();
  const reasons = (content.reasons || []).map((reason) => reason.text).join("; ");
  throw Object.assign(new Error(reasons || content.detail), { refused: answer.status });
}

function showMessage(text, bad = false) {
  $("message").textContent = text;
  $("message").className = bad ? "bad" : "";
  clearTimeout(messageTimer);
  if (text && !bad) messageTimer = setTimeout(() => showMessage(""), 15000); // by then the status above shows it
}

// Runs one command at a time, and shows its name and then its result on the wire. An urgent one does not wait.
async function command(doing, work, urgent = false) {
  if (running && !urgent) {
    queue = [...queue.filter((each) => each[0] !== doing), [doing, work]]; // several taps count as one
    return;
  }
  if (document.body.className === "lost") {
    showMessage("No contact: nothing was sent.", true);
    return;
  }
  running += 1;
  awaited = "";
  showMessage(`${doing} …`);
  try {
    showMessage(await work());
  } catch (error) {
    if (error.refused) showMessage(`Refused: ${error.message}`, true);
    else showMessage("The board did not answer. The command may or may not have worked. Look at the lights, then try again.", true);
  }
  running -= 1;
  if (!running && queue.length) command(...queue.shift());
}

// ---- texts

function element(tag, text = "", more = {}) {
  const made = document.createElement(tag);
  made.textContent = text;
  for (const [name, value] of Object.entries(more)) made[name] = value;
  return made;
}

// Instants have the site's offset, so their digits are the site's time, whatever the phone's time zone.
// The browser's locale decides between twelve hours and twenty-four.
const halves = new Intl.DateTimeFormat(navigator.language, { hour: "numeric" }).resolvedOptions().hour12;
const written = (at, more) => new Date(`${at.slice(0, 19)}Z`).toLocaleString("en-GB", { timeZone: "UTC", hour12: halves, ...more });
const hour = halves ? "numeric" : "2-digit";
const clock = (at) => written(at, { hour, minute: "2-digit" });
// A text of the board, with its times in the form of the browser's locale.
const localTimes = (text) => (halves ? text.replace(/\b([01]\d|2[0-3]):([0-5]\d(?::[0-5]\d)?)\b/g, (_, hours, rest) => `${hours % 12 || 12}:${rest} ${hours < 12 ? "am" : "pm"}`) : text);

function when(at) {
  const today = now ? now.at.slice(0, 10) : at.slice(0, 10);
  if (at.slice(0, 10) === today) return clock(at);
  return `${written(at, { weekday: "short", day: "numeric", month: "short" })}, ${clock(at)}`;
}

function duration(s) {
  s = Math.max(0, Math.round(s));
  const two = (number) => String(number).padStart(2, "0");
  if (s >= 86400) return `${Math.floor(s / 86400)} d ${Math.floor((s % 86400) / 3600)} h`;
  if (s >= 3600) return `${Math.floor(s / 3600)} h ${two(Math.floor((s % 3600) / 60))} min`;
  return `${Math.floor(s / 60)}:${two(s % 60)}`;
}

const sentence = (text) => text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
