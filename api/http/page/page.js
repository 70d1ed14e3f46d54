// What a thumb needs at once: PAUSE, how long, RESUME, and whether there is contact. It is small, so that it is there first.
// What is told besides, and the other deeds, are in tell.js; what stands behind a tap, and signing in, in more.js.
"use strict";

const $ = (id) => document.getElementById(id);
const LENGTHS = { 15: "for 15 minutes", 60: "for an hour", tonight: "for the rest of tonight", 10080: "till I say (a week at most)" };
const SILENCE_MS = 4400; // a beat comes every 2 s: without one for so long, contact is lost, and it is said within 5 s

let now = null; // the newest /api/now
let heard = -Infinity; // when something last came, by this phone's steady clock: it may be an hour wrong otherwise
let heardAt = ""; // the same by the site's clock
let source = null;
let opened = 0;
let busy = 0; // commands under way
let turning = false; // whether the big button's is one of them
let waiting = []; // what was asked for while a command was under way: it is done afterwards
let turned = -Infinity; // when the big button last changed its meaning
let watching = ""; // what a command waits to see on the wire: "black" or "light"
let unsay = 0;
let viewer = false;
let asked = -Infinity; // when /api/now was last asked for, where no stream comes
let tellAll = null; // from tell.js, once it is there


// ---- asking

async function ask(method, path, body) {
  const answer = await fetch(path, {
    method,
    headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
    signal: AbortSignal.timeout(10000),
  });
  const told = await answer.json();
  if (answer.ok) return told;
  if (answer.status === 401 && !path.startsWith("/api/sign-in")) signOut();
  const reasons = (told.reasons || []).map((reason) => reason.text).join("; ");
  throw Object.assign(new Error(reasons || told.detail), { refused: answer.status });
}

function say(text, bad = false) {
  $("said").textContent = text;
  $("said").className = bad ? "bad" : "";
  clearTimeout(unsay);
  if (text && !bad) unsay = setTimeout(() => say(""), 15000); // the state above says it from then on
}

// One command at a time: what is under way is said, and then what came of it on the wire. An urgent one waits for none.
async function command(doing, work, urgent = false) {
  if (busy && !urgent) {
    waiting = [...waiting.filter((each) => each[0] !== doing), [doing, work]]; // an impatient tap is one
    return;
  }
  if (document.body.className === "lost") {
    say("No contact: nothing was sent.", true);
    return;
  }
  busy += 1;
  watching = "";
  say(`${doing} …`);
  try {
    say(await work());
  } catch (error) {
    if (error.refused) say(`It may not be: ${error.message}`, true);
    else say("No answer came. Whether it was heard is not known: look at the lights, and try again.", true);
  }
  busy -= 1;
  if (!busy && waiting.length) command(...waiting.shift());
}

// The big button, and off for tonight: at once, whatever else is under way; a second tap meanwhile is impatience.
async function turn(doing, work) {
  if (turning) return;
  turning = true;
  await command(doing, work, true);
  turning = false;
}

// What came of it, as the board says it: what is on the wire now, or why that is not what was asked for.
function stored(answer, done) {
  if (!answer) return done;
  return `${done} ${answer.on_the_wire ? "On the wire" : "It is stored, but not on the wire"}: ${answer.wire}.`;
}

const standing = (...kinds) => (now ? now.overrides.filter((each) => kinds.includes(each.kind)) : []);

async function end(overrides) {
  let answer = null;
  for (const each of overrides) {
    try {
      answer = await ask("DELETE", `/api/overrides/${each.id}`);
    } catch (error) {
      if (error.refused !== 404) throw error; // another phone has ended it
    }
  }
  return answer;
}

// All of some kinds that stand at this moment, whether this phone has been told of them yet or not.
async function endAll(...kinds) {
  const fresh = await ask("GET", "/api/now");
  return end(fresh.overrides.filter((each) => kinds.includes(each.kind)));
}

function resume() {
  return turn("Resuming", async () => {
    const answer = await endAll("pause", "dark");
    watching = answer && !answer.on_the_wire ? "light" : "";
    return stored(answer, "Resumed.");
  });
}

function pause(way = turn) {
  const chosen = document.querySelector("#lengths :checked").value;
  return way("Pausing", async () => {
    const length = chosen === "tonight" ? { until: "tonight" } : { minutes: Number(chosen) };
    const answer = await ask("POST", "/api/overrides", { kind: "pause", ...length });
    watching = answer.on_the_wire ? "" : "black";
    return stored(answer, `Paused ${LENGTHS[chosen]}.`);
  });
}

function tellBigButton() {
  const chosen = document.querySelector("#lengths :checked").value;
  const after = now && now.after_resume;
  $("pause-says").textContent = !after ? LENGTHS[chosen] : after.light ? "lights on again" : `it stays dark: ${after.text}`;
}

// ---- contact

function contact(state, text) {
  document.body.className = state;
  if ($("contact").textContent !== text) $("contact").textContent = text;
  const lost = state === "lost";
  if (lost) {
    $("well").textContent = "No contact: whether all is well is not known";
    $("well").className = "bad";
    document.title = "No contact – Gloaming";
  }
  for (const button of document.querySelectorAll("#signed-in section button")) button.setAttribute("aria-disabled", String(lost));
}

function listen() {
  if (source) source.close();
  opened = performance.now();
  source = new EventSource("/api/events");
  const mine = source;
  const on = (name, work) => mine.addEventListener(name, (event) => {
    if (mine !== source) return;
    const told = JSON.parse(event.data);
    heard = performance.now();
    if (told.at) heardAt = told.at;
    contact("live", "live");
    work(told);
  });
  on("hello", (told) => {
    viewer = told.kind === "viewer";
    $("check").hidden = viewer;
    document.querySelectorAll("#hush, #deeds").forEach((part) => { part.hidden = viewer; });
    show(true);
  });
  on("now", (told) => {
    now = told;
    now.got = heard;
    asked = -Infinity;
    if (tellAll) tellAll();
  });
  on("beat", () => {});
  on("signed-out", signOut);
  source.onerror = () => {
    if (mine === source && mine.readyState === EventSource.CLOSED) fetch("/api/now").then((answer) => { if (answer.status === 401) signOut(); }, () => {});
  };
}

// Where a stream of events does not get through, the board is asked every few seconds instead.
async function askInstead() {
  asked = performance.now();
  const answer = await fetch("/api/now", { signal: AbortSignal.timeout(3000) });
  if (answer.status === 401) return signOut();
  if (!answer.ok || !source) return;
  now = await answer.json();
  now.got = heard = performance.now();
  heardAt = now.at;
  contact("live", "live, asked every few seconds");
  show(true);
  if (tellAll) tellAll();
}

function lookAfter() {
  if (!source || document.visibilityState === "hidden") return;
  const silent = performance.now() - heard;
  if (silent > 2500 && performance.now() - opened > 2500 && performance.now() - asked > 3200) askInstead().catch(() => {});
  if (silent < SILENCE_MS) return;
  if (performance.now() - opened > SILENCE_MS) {
    contact("lost", heardAt ? `No contact since ${heardAt.slice(11, 19)}. What you see is from then.` : "No contact yet. Is this phone in the right network?");
    if (performance.now() - opened > SILENCE_MS + 1000) listen();
  }
}

// A page that nobody sees listens to nothing: it costs no battery, and a browser has six connections for all its tabs.
function comeBack() {
  if (!source) return;
  if (document.visibilityState === "hidden") source.close();
  else if (source.readyState === EventSource.CLOSED || performance.now() - heard > 2500) listen();
}

// ---- signing in and out

function show(signedIn) {
  $("signed-in").hidden = !signedIn;
  $("signed-out").hidden = signedIn;
}

function signOut() {
  if (source) source.close();
  source = null;
  now = null;
  contact("asking", "not signed in");
  show(false);
  document.querySelectorAll("details[open]").forEach((each) => { each.open = false; });
  const more = () => rest.then(() => import("./more.js"));
  more().then((they) => they.signingIn(lent), () => {});
  $("sign-in").onsubmit = (event) => { // a thumb may be quicker than the line
    event.preventDefault();
    more().then((they) => they.signIn(lent), () => { $("sign-in-said").textContent = "No answer came."; });
  };
}

function begin() {
  heard = -Infinity;
  contact("asking", "asking …");
  show(true);
  listen();
}

// ---- the thumb

function add() {
  $("pause").addEventListener("click", () => { // an impatient second tap is not the opposite of the first
    if (performance.now() - turned < 1000) return;
    if (standing("pause", "dark").length) resume(); else pause();
  });
  $("lengths").addEventListener("change", () => { tellBigButton(); if (standing("pause").length) pause(command); });
  document.addEventListener("visibilitychange", comeBack);
  window.addEventListener("online", comeBack);
  setInterval(lookAfter, 250);
}

const rest = new Promise((resolve) => {
  (function load() {
    const script = document.createElement("script"); // in the same page: it knows all that stands here
    script.onload = resolve;
    script.onerror = () => setTimeout(load, 1000);
    script.src = "tell.js";
    document.head.append(script);
  })();
});
add();
performance.mark("usable"); // what a thumb can do from here on; tests/bench/phone.py reads it
if (location.hash.length > 1) signOut();
else begin();
