// PAUSE with its length, RESUME, and the connection to the board. This script is small, so that it is there first.
// status.js shows the rest of the status and adds the other buttons. more.js has what a tap opens, and signing in.
const LENGTHS = { 15: "for 15 minutes", 60: "for an hour", tonight: "for the rest of tonight", 10080: "till I say (a week at most)" };
const SILENCE_MS = 4400; // a beat comes every 2 s; after this time without one, contact is lost, which must show within 5 s

let lastContact = -Infinity; // by this phone's steady clock, since its wall clock may be wrong
let lastContactAt = ""; // the same by the site's clock
let siteMs = 0; // the site's time, less this phone's steady clock; 0: not known
let source = null;
let opened = 0;
let urgentRuns = false; // whether one of them is urgent
let bigButtonChanged = -Infinity; // when the big button last changed between PAUSE and RESUME
let viewer = false;
let owner = false;
let kind = ""; // of this device, once the board has said it
let lastPoll = -Infinity; // when /api/now was last asked for, if no stream arrives
let showAll = null; // from status.js, once it is there

// ---- asking for an override

// For the big button and off for tonight: runs beside other commands, and ignores a second tap meanwhile.
async function urgently(doing, work) {
  if (urgentRuns) return;
  urgentRuns = true;
  await command(doing, work, true);
  urgentRuns = false;
}

// The result by the board's answer: what is on the wire now, or why that is not what was asked for. Of several boards it counts and names.
function outcome(answer, done) {
  if (!answer) return done;
  const boards = answer.boards || [];
  const count = `${boards.filter((each) => each.on_the_wire).length} of ${boards.length} on the wire`;
  if (!answer.on_the_wire) return `${done} It is stored, but not on the wire: ${answer.wire}.${boards.length ? ` ${count}.` : ""}${others(boards)}`;
  return `${done} ${boards.length ? count : "On the wire"}: ${answer.wire}.${others(boards)}`;
}

// The other boards on whose wire it is not.
function others(boards) {
  const away = boards.slice(1).filter((each) => !each.on_the_wire);
  if (!away.length) return "";
  const more = away.length > 3 ? ` and ${away.length - 3} more` : "";
  return ` ${away.slice(0, 3).map((each) => `${each.name}: ${localTimes(each.text)}`).join("; ")}${more}.${away.every((each) => each.contact) ? "" : " A board without contact plays on, and gets this when it is back."}`;
}

const ofWholeRig = (overrides, kinds) => overrides.filter((each) => !each.zone && kinds.includes(each.kind));
const standing = (...kinds) => (now ? ofWholeRig(now.overrides, kinds) : []);

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

// Ends all overrides of some kinds for the whole rig, also those that this phone does not know yet.
async function endAll(...kinds) {
  const fresh = await ask("GET", "/api/now");
  return end(ofWholeRig(fresh.overrides, kinds));
}

function resume() {
  return urgently("Resuming", async () => {
    const answer = await endAll("pause", "dark");
    awaited = answer && !answer.on_the_wire ? "light" : "";
    return outcome(answer, "Resumed.");
  });
}

function pause(way = urgently) {
  const chosen = document.querySelector("#lengths :checked").value;
  return way("Pausing", async () => {
    const length = chosen === "tonight" ? { until: "tonight" } : { minutes: Number(chosen) };
    const answer = await ask("POST", "/api/overrides", { kind: "pause", ...length });
    awaited = answer.on_the_wire ? "" : "black";
    return outcome(answer, `Paused ${LENGTHS[chosen]}.`);
  });
}

function showBigButton() {
  const chosen = document.querySelector("#lengths :checked").value;
  const after = now && now.after_resume;
  $("pause-detail").textContent = !after ? LENGTHS[chosen] : after.light ? "lights on again" : `it stays dark: ${after.text}`;
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
    const data = JSON.parse(event.data);
    lastContact = performance.now();
    if (data.at) lastContactAt = data.at;
    contact("live", "live");
    work(data);
  });
  on("hello", (device) => {
    if (kind && kind !== device.kind) location.reload(); // an owner has changed it
    kind = device.kind;
    viewer = kind === "viewer";
    owner = kind === "owner";
    $("check").hidden = viewer;
    $("to-set-up").hidden = !owner;
    document.querySelectorAll("#pause-area, #actions").forEach((part) => { part.hidden = viewer; });
    showSignedIn(true);
  });
  on("now", (newest) => {
    now = newest;
    now.got = lastContact;
    siteMs ||= Date.parse(now.at) - lastContact; // a beat is exact: a phone may get an answer of some time ago
    lastPoll = -Infinity;
    if (showAll) showAll();
  });
  on("beat", ({ at }) => { siteMs = Date.parse(at) - lastContact; });
  on("signed-out", signOut);
  source.onerror = () => {
    if (mine === source && mine.readyState === EventSource.CLOSED) fetch("/api/now").then((answer) => { if (answer.status === 401) signOut(); }, () => {});
  };
}

// Asks the board every few seconds, if no stream of events arrives.
async function poll() {
  lastPoll = performance.now();
  const answer = await fetch("/api/now", { signal: AbortSignal.timeout(3000) });
  if (answer.status === 401) return signOut();
  if (!answer.ok || !source) return;
  now = await answer.json();
  now.got = lastContact = performance.now();
  siteMs = Date.parse(now.at) - lastContact;
  lastContactAt = now.at;
  contact("live", "live, asked every few seconds");
  showSignedIn(true);
  if (showAll) showAll();
}

function checkContact() {
  if (!source || document.visibilityState === "hidden") return;
  const silent = performance.now() - lastContact;
  if (silent > 2500 && performance.now() - opened > 2500 && performance.now() - lastPoll > 3200) poll().catch(() => {});
  if (silent < SILENCE_MS) return;
  if (performance.now() - opened > SILENCE_MS) {
    contact("lost", lastContactAt ? `No contact since ${lastContactAt.slice(11, 19)}. What you see is from then.` : "No contact yet. Is this phone in the right network?");
    if (performance.now() - opened > SILENCE_MS + 1000) listen();
  }
}

// Closes the stream while the page is hidden: it would cost battery, and a browser has six connections for all its tabs.
function onVisibility() {
  if (!source) return;
  if (document.visibilityState === "hidden") source.close();
  else if (source.readyState === EventSource.CLOSED || performance.now() - lastContact > 2500) listen();
}

// ---- signing in and out

function showSignedIn(signedIn) {
  $("signed-in").hidden = !signedIn;
  $("signed-out").hidden = signedIn;
}

function signOut() {
  if (source) source.close();
  source = null;
  now = null;
  contact("asking", "not signed in");
  showSignedIn(false);
  document.querySelectorAll("details[open]").forEach((each) => { each.open = false; });
  const more = () => statusScript.then(() => import("./more.js"));
  more().then((module) => module.showSignIn(shared), () => {});
  $("sign-in").onsubmit = (event) => { // more.js may not be there yet
    event.preventDefault();
    more().then((module) => module.signIn(shared), () => { $("sign-in-message").textContent = "The board did not answer."; });
  };
}

function begin() {
  lastContact = -Infinity;
  contact("asking", "asking …");
  showSignedIn(true);
  listen();
}

// ---- the big button

function addListeners() {
  $("pause").addEventListener("click", () => { // a quick second tap must not undo the first
    if (performance.now() - bigButtonChanged < 1000) return;
    if (standing("pause", "dark").length) resume(); else pause();
  });
  $("lengths").addEventListener("change", () => { showBigButton(); if (standing("pause").length) pause(command); });
  document.addEventListener("visibilitychange", onVisibility);
  window.addEventListener("online", onVisibility);
  setInterval(checkContact, 250);
}

const statusScript = new Promise((resolve) => {
  (function load() {
    const script = document.createElement("script"); // a classic script: it uses the names of this one
    script.onload = resolve;
    script.onerror = () => setTimeout(load, 1000);
    script.src = "status.js";
    document.head.append(script);
  })();
});
addListeners();
performance.mark("usable"); // PAUSE works from here on; tests/bench/phone.py reads this mark
if (location.hash.length > 1) signOut();
else begin();
