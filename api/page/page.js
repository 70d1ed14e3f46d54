// The page: tells what is, asks for what is wanted, and says what came of it. What stands behind a tap, and signing in, is in more.js.
"use strict";

const $ = (id) => document.getElementById(id);
const STATES = { playing: "Playing", paused: "Paused", waiting: "Waiting", dark: "Dark", "rig-check": "Rig check", "no-clock": "No clock", fault: "Fault" };
const KINDS = { pause: "Paused", dark: "Off", call: "Show called", dim: "Dimmed", mute: "Muted", skip: "Next piece", "rig-check": "Rig check" };
const LENGTHS = { 15: "for 15 minutes", 60: "for an hour", tonight: "for the rest of tonight", 10080: "till I say (a week at most)" };
const SILENCE_MS = 4400; // a beat comes every 2 s: without one for so long, contact is lost, and it is said within 5 s

let now = null; // the newest /api/now
let heard = -Infinity; // when something last came, by this phone's steady clock: it may be an hour wrong otherwise
let heardAt = ""; // the same by the site's clock
let source = null;
let opened = 0;
let busy = false;
let waiting = null; // what was asked for while a command was under way: the last of it is done afterwards
let turned = -Infinity; // when the big button last changed its meaning
let watching = ""; // what a command waits to see on the wire: "black" or "light"
let viewer = false;
let site = null;

// ---- words

function element(tag, text = "", more = {}) {
  const made = document.createElement(tag);
  made.textContent = text;
  for (const [name, value] of Object.entries(more)) made[name] = value;
  return made;
}

// Instants come with the site's offset, so that their digits are the site's clocks, wherever the phone believes it is.
const clock = (at) => at.slice(11, 16);
const seconds = (at) => at.slice(11, 19);

function when(at) {
  const today = now ? now.at.slice(0, 10) : at.slice(0, 10);
  if (at.slice(0, 10) === today) return clock(at);
  const day = new Date(`${at.slice(0, 10)}T12:00:00Z`).toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short", timeZone: "UTC" });
  return `${day}, ${clock(at)}`;
}

function lasting(s) {
  s = Math.max(0, Math.round(s));
  const two = (number) => String(number).padStart(2, "0");
  if (s >= 86400) return `${Math.floor(s / 86400)} d ${Math.floor((s % 86400) / 3600)} h`;
  if (s >= 3600) return `${Math.floor(s / 3600)} h ${two(Math.floor((s % 3600) / 60))} min`;
  return `${Math.floor(s / 60)}:${two(s % 60)}`;
}

const passed = () => (performance.now() - (now ? now.got : 0)) / 1000;

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
  throw Object.assign(new Error(reasons || told.detail), { refused: true });
}

function say(text, bad = false) {
  $("said").textContent = text;
  $("said").className = bad ? "bad" : "";
}

// One command at a time: what is under way is said, and then what came of it on the wire.
async function command(doing, work) {
  if (busy) {
    waiting = [doing, work];
    return;
  }
  if (document.body.className === "lost") {
    say("No contact: nothing was sent.", true);
    return;
  }
  busy = true;
  watching = "";
  say(`${doing} …`);
  try {
    say(await work());
  } catch (error) {
    if (error.refused) say(`It may not be: ${error.message}`, true);
    else say("No answer came. Whether it was heard is not known: look at the lights, and try again.", true);
  }
  busy = false;
  const next = waiting;
  waiting = null;
  if (next) command(...next);
}

const stored = (answer, done) => (answer.on_the_wire ? done : `${done} It is stored, but the transmitter has not confirmed it.`);

function override(doing, done, body, see = "") {
  return command(doing, async () => {
    const answer = await ask("POST", "/api/overrides", body);
    watching = answer.on_the_wire ? see : "";
    return stored(answer, done);
  });
}

const standing = (...kinds) => (now ? now.overrides.filter((each) => kinds.includes(each.kind)) : []);

async function end(overrides) {
  let sure = true;
  for (const each of overrides) sure = (await ask("DELETE", `/api/overrides/${each.id}`)).on_the_wire && sure;
  return { on_the_wire: sure };
}

// What was just asked for takes the place of others of its kind.
async function endOthers(answer) {
  const fresh = await ask("GET", "/api/now");
  await end(fresh.overrides.filter((each) => each.kind === answer.kind && each.id !== answer.id));
}

function resume() {
  return command("Resuming", async () => {
    const answer = await end(standing("pause", "dark"));
    watching = "light";
    return stored(answer, "Resumed.");
  });
}

function pause() {
  const chosen = document.querySelector("#lengths :checked").value;
  return command("Pausing", async () => {
    const length = chosen === "tonight" ? { until: "tonight" } : { minutes: Number(chosen) };
    const answer = await ask("POST", "/api/overrides", { kind: "pause", ...length });
    await endOthers(answer);
    watching = answer.on_the_wire ? "black" : "";
    return stored(answer, `Paused ${LENGTHS[chosen]}. The lights fade.`);
  });
}

// ---- telling

function fill(list, items) {
  list.replaceChildren(...items);
}

function tell() {
  const hushed = standing("pause", "dark");
  $("site").textContent = now.site;
  $("state").textContent = STATES[now.state] || now.state;
  document.title = `${STATES[now.state]} – Gloaming`;
  $("why").textContent = now.reasons.length ? sentence(now.reasons[0].text) : "";
  fill($("reasons").querySelector("ul"), now.reasons.map((reason) => {
    const item = element("li");
    item.append(element("div", sentence(reason.text)));
    item.firstChild.append(element("small", reason.rule));
    return item;
  }));
  $("place").hidden = now.position_s === null || !now.length_s;

  const wire = now.health.transmitter;
  const what = !wire ? "nothing known" : wire.level > 0 ? `light${wire.piece ? `: ${wire.piece}` : ""}, at ${Math.round(wire.level * 100)} %` : "black";
  $("wire").textContent = `On the wire: ${what}`;
  if (wire && watching === (wire.level > 0 ? "light" : "black")) {
    say(watching === "black" ? "The lights are off: the wire is black." : "The lights are on: it is on the wire.");
    watching = "";
  }

  if ($("pause").classList.contains("resume") !== hushed.length > 0) turned = performance.now();
  $("pause").classList.toggle("resume", hushed.length > 0);
  $("pause").firstChild.textContent = hushed.length ? "RESUME" : "PAUSE";
  tellBigButton();

  $("by-hand").hidden = now.overrides.length === 0;
  fill($("overrides"), now.overrides.map(tellOverride));
  press("dark", standing("dark").length, "Off for tonight");
  press("dim", standing("dim").length, "Dimmer");
  press("mute", standing("mute").length, "Mute");

  $("well").textContent = now.health.ok ? "All is well" : "Something is wrong";
  $("well").className = now.health.ok ? "" : "bad";
  fill($("troubles"), now.health.troubles.map(tellTrouble));
  $("give-time").hidden = now.state !== "no-clock" || viewer;
  tick();
}

const sentence = (text) => text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");

function press(id, pressed, text) {
  $(id).setAttribute("aria-pressed", String(Boolean(pressed)));
  $(id).textContent = text;
}

function tellBigButton() {
  const chosen = document.querySelector("#lengths :checked").value;
  $("pause-says").textContent = standing("pause", "dark").length ? "lights on again" : LENGTHS[chosen];
}

function tellOverride(each) {
  const item = element("li");
  const what = element("div", KINDS[each.kind] || each.kind);
  if (each.show) what.append(`: ${each.show}`);
  if (each.level !== undefined) what.append(` to ${Math.round(each.level * 100)} %`);
  const left = element("b", "", { className: "left" });
  left.dataset.until = String(each.remaining_s);
  what.append(element("small", `by ${each.who}, until ${when(each.until)}; `));
  what.lastChild.append(left, " left");
  item.append(what);
  if (!viewer) {
    const undo = element("button", "Undo", { onclick: () => command("Undoing", async () => stored(await end([each]), "Undone.")) });
    undo.setAttribute("aria-label", `Undo: ${KINDS[each.kind] || each.kind} by ${each.who}`);
    item.append(undo);
  }
  return item;
}

function tellTrouble(trouble) {
  const item = element("li");
  const what = element("div", sentence(trouble.text));
  if (trouble.do) what.append(element("small", `What to do: ${trouble.do}.`));
  if (trouble.since) what.append(element("small", `Since ${when(trouble.since)}.`));
  item.append(what);
  return item;
}

async function tellNext() {
  const items = [];
  if (now.next) items.push([when(now.next.at), (STATES[now.next.state] || now.next.state).toLowerCase()]);
  for (const night of await ask("GET", "/api/nights?days=3")) {
    if (night.opens > now.at) items.push([when(night.opens), `${night.show} opens`]);
    if (night.closes > now.at && !(now.next && now.next.at.startsWith(night.closes.slice(0, 19)))) items.push([when(night.closes), `${night.show} closes`]);
  }
  fill($("next"), items.slice(0, 4).map(([at, text]) => {
    const item = element("li");
    item.append(element("span", text), element("b", at));
    return item;
  }));
  if (!items.length) fill($("next"), [element("li", "Nothing within three days.")]);
}

// What runs on by itself between the news: the position, and what is left.
function tick() {
  if (!now) return;
  for (const left of document.querySelectorAll("b.left")) left.textContent = lasting(Number(left.dataset.until) - passed());
  if (now.position_s !== null && now.length_s) {
    const moving = now.state === "playing" ? passed() : 0;
    const position = (now.position_s + moving) % now.length_s;
    $("progress").value = position / now.length_s;
    $("position").textContent = `${now.piece}, ${lasting(position)} of ${lasting(now.length_s)}`;
  }
}

// ---- contact

function contact(state, text) {
  document.body.className = state;
  if ($("contact").textContent !== text) $("contact").textContent = text;
  const lost = state === "lost";
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
    const nextWas = now && JSON.stringify([now.next, now.at.slice(0, 10)]);
    now = told;
    now.got = heard;
    tell();
    if (nextWas !== JSON.stringify([now.next, now.at.slice(0, 10)])) tellNext().catch(() => {});
  });
  on("beat", () => {});
  on("signed-out", signOut);
  source.onerror = () => {
    if (mine === source && mine.readyState === EventSource.CLOSED) fetch("/api/now").then((answer) => { if (answer.status === 401) signOut(); }, () => {});
  };
}

function lookAfter() {
  if (!source || document.visibilityState === "hidden") return;
  const silent = performance.now() - heard;
  if (silent < SILENCE_MS) return;
  if (performance.now() - opened > SILENCE_MS) {
    contact("lost", heardAt ? `No contact since ${seconds(heardAt)}. What you see is from then.` : "No contact yet. Is this phone in the right network?");
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
  import("./more.js").then((more) => more.signingIn(lent));
}

function begin() {
  heard = -Infinity;
  contact("asking", "asking …");
  show(true);
  listen();
}

// ---- the thumb

function toggle(id, list) {
  const open = list.hidden;
  list.hidden = !open;
  $(id).setAttribute("aria-expanded", String(open));
}

function add() {
  const press = (id, work) => $(id).addEventListener("click", work);
  press("pause", () => { // an impatient second tap is not the opposite of the first
    if (busy || performance.now() - turned < 1000) return;
    if (standing("pause", "dark").length) resume(); else pause();
  });
  $("lengths").addEventListener("change", () => { tellBigButton(); if (standing("pause").length) pause(); });
  press("dark", () => (standing("dark").length ? resume() : override("Switching off", "Off for tonight. The lights fade.", { kind: "dark", until: "tonight" }, "black")));
  press("mute", () => {
    const muted = standing("mute");
    if (muted.length) command("Unmuting", async () => stored(await end(muted), "Sound is allowed again."));
    else override("Muting", "Muted for tonight.", { kind: "mute" });
  });
  press("skip", () => override("Skipping", "On to the next piece.", { kind: "skip" }));
  press("dim", () => toggle("dim", $("levels")));
  for (const level of [0.75, 0.5, 0.25, 0.1]) {
    const text = `${level * 100} %`;
    $("levels").append(element("button", text, { onclick: () => command("Dimming", async () => {
      const answer = await ask("POST", "/api/overrides", { kind: "dim", level });
      await endOthers(answer);
      return stored(answer, `No brighter than ${text} for tonight.`);
    }) }));
  }
  press("call", async () => {
    toggle("call", $("shows"));
    if (site || $("shows").hidden) return;
    try {
      site = await ask("GET", "/api/site");
    } catch (error) {
      return say(error.message, true);
    }
    for (const each of site.shows) {
      $("shows").append(element("button", `${each.name}, 30 min`, { onclick: () => override("Calling", `${each.name} is given now, for 30 minutes.`, { kind: "call", show: each.name, minutes: 30 }) }));
    }
  });
  press("give-time", () => command("Giving the time", async () => {
    await ask("POST", "/api/clock", { utc: new Date().toISOString() });
    return "The board has this phone's time.";
  }));
  for (const each of document.querySelectorAll("details:not(#reasons)")) {
    each.addEventListener("toggle", () => import("./more.js").then((more) => more.toggled(each, lent)));
  }
  document.addEventListener("visibilitychange", comeBack);
  window.addEventListener("online", comeBack);
  setInterval(lookAfter, 250);
  setInterval(tick, 1000);
}

const lent = { ask, element, command, when, standing, end, endOthers, stored, sentence, begin, viewer: () => viewer };
add();
performance.mark("usable"); // what a thumb can do from here on; tests/bench/phone.py reads it
if (location.hash.length > 1) signOut();
else begin();
