// Shows the status, and adds every button except PAUSE. It uses the names of page.js.
"use strict";

let shownNext = "";
let part; // the zone whose buttons are shown

const secondsSince = () => (performance.now() - (now ? now.got : 0)) / 1000;

// ---- the status

// Updates a list from [key, make] of each row. A row whose key stays is not changed: a finger may be on it.
function fill(list, items) {
  const before = new Map([...list.children].map((row) => [row.dataset.key, row]));
  const rows = items.map(([key, make]) => {
    const row = before.get(key) || make();
    row.dataset.key = key;
    return row;
  });
  for (const row of [...list.children]) if (!rows.includes(row)) row.remove();
  rows.forEach((row, index) => { if (list.children[index] !== row) list.insertBefore(row, list.children[index] || null); });
}

function showStatus() {
  const off = standing("pause", "dark");
  $("site").textContent = now.site;
  const whole = now.state === "waiting" && now.piece && now.brightness > 0 ? "Between pieces" : now.state_name;
  const state = now.rest ? whole : "Part by part"; // every part has its line
  $("state").textContent = state;
  document.title = `${state} – Gloaming`;
  const offset = -new Date().getTimezoneOffset();
  const [hours, minutes] = now.at.slice(-5).split(":").map(Number);
  $("zone").hidden = (now.at.slice(-6, -5) === "-" ? -1 : 1) * (hours * 60 + minutes) === offset;
  $("zone").textContent = `Times are those of ${now.timezone}`;
  const held = now.reasons.length && now.reasons[0].code.startsWith("hold-"); // the hold's own line says it
  $("why").textContent = now.rest && now.reasons.length && !held ? sentence(localTimes(now.reasons[0].text)) : "";
  fill($("reasons").querySelector("ul"), now.reasons.map((reason) => [JSON.stringify(reason), () => {
    const item = element("li");
    item.append(element("div", sentence(localTimes(reason.text))));
    item.firstChild.append(element("small", reason.rule));
    return item;
  }]));
  $("place").hidden = now.position_s === null || !now.length_s || !now.rest;

  const wire = now.health.transmitter;
  const areas = (wire && wire.areas) || [];
  const rest = now.rest || !areas.length; // whether anything shows what the transmitter plays for the rest of the rig
  const shines = (one) => one.level > 0 && !one.black;
  const lit = wire && [...(rest ? [wire] : []), ...areas].some(shines);
  const light = () => (rest && shines(wire) ? `light${wire.piece ? `: ${wire.piece}` : ""}, at ${Math.round(wire.level * 100)} %` : "light, only in parts of the rig");
  const what = !wire ? "nothing known" : lit ? light() : "black";
  $("wire").textContent = `On the wire: ${what}`;
  if (wire && awaited === (lit ? "light" : "black")) {
    showMessage(awaited === "black" ? "The lights are off: the wire is black." : "The lights are on: it is on the wire.");
    awaited = "";
  }

  if ($("pause").classList.contains("resume") !== off.length > 0) bigButtonChanged = performance.now();
  $("pause").classList.toggle("resume", off.length > 0);
  $("pause").firstChild.textContent = off.length ? "RESUME" : "PAUSE";
  showBigButton();

  const keyed = (each) => JSON.stringify({ ...each, remaining_s: 0, day: now.at.slice(0, 10) });
  const outOfService = now.overrides.filter((each) => each.kind === "out-of-service");
  const holds = now.overrides.filter((each) => each.hold);
  const byHand = now.overrides.filter((each) => !outOfService.includes(each) && !each.hold);
  $("by-hand").hidden = byHand.length === 0;
  fill($("overrides"), byHand.map((each) => [keyed(each), () => overrideItem(each)]));
  byHand.forEach((each, index) => { $("overrides").children[index].querySelector(".left").dataset.until = String(each.remaining_s); });
  $("holds").hidden = holds.length === 0;
  fill($("holds"), holds.map((each) => [keyed(each), () => holdItem(each)]));
  $("out-of-service").hidden = outOfService.length === 0;
  fill($("out-of-service").querySelector("ul"), outOfService.map((each) => [keyed(each), () => outOfServiceItem(each)]));
  showPressed("dark", standing("dark").length, "Off for tonight");
  showPressed("dim", standing("dim").length, "Dimmer");
  showPressed("mute", standing("mute").length, "Mute");
  $("triggers").hidden = !now.has_triggers;
  showBoards();
  $("mute").hidden = !now.has_sound && !standing("mute").length;
  showZones(outOfService.map((each) => each.zone));

  $("well").textContent = now.health.ok ? "All is well" : "Something is wrong";
  $("well").className = now.health.ok ? "" : "bad";
  $("health").className = now.health.ok ? "" : "wrong";
  fill($("troubles"), now.health.troubles.map((each) => [JSON.stringify([each, now.at.slice(0, 10)]), () => troubleItem(each)]));
  $("give-time").hidden = now.state !== "no-clock" || viewer;
  tick();
  for (const update of Object.values(shared.updates)) update();
}

// How many boards are in contact, and who is not.
function showBoards() {
  const { boards } = now;
  $("boards").hidden = $("boards-line").hidden = !boards;
  if (!boards) return;
  $("boards-line").textContent = sentence(localTimes(boards.text));
  $("boards-line").className = boards.in_contact < boards.of ? "bad" : "small";
}

function showPressed(id, pressed, text) {
  $(id).setAttribute("aria-pressed", String(Boolean(pressed)));
  $(id).textContent = text;
}

function overrideItem(each) {
  const item = element("li");
  const about = each.zone ? `${each.zone}: ` : "";
  const what = element("div", about + each.kind_name);
  if (each.show || each.piece) what.append(`: ${each.show || each.piece}`);
  if (each.level !== undefined) what.append(` ${each.kind === "dim" ? "to" : "at"} ${Math.round(each.level * 100)} %${each.kind === "dim" ? " of the brightness that is set" : ""}`);
  const left = element("b", "", { className: "left" });
  const from = each.after ? `, from ${when(each.at)}` : "";
  what.append(element("small", `by ${each.who}${each.piece ? from : `, until ${when(each.until)}`}; `));
  what.lastChild.append(left, " left");
  for (const dark of each.dark || []) what.append(element("small", sentence(localTimes(`Meanwhile ${dark.text}: no light`))));
  item.append(what);
  if (!viewer) {
    const undo = element("button", "Undo", { onclick: () => command("Undoing", async () => outcome(await end([each]), "Undone.")) });
    undo.setAttribute("aria-label", `Undo: ${about}${each.kind_name} by ${each.who}`);
    item.append(undo);
  }
  return item;
}

function holdItem(each) {
  const item = element("li");
  const about = each.zone ? `${each.zone}: ` : "";
  const what = element("div", sentence(localTimes(`${each.hold}: ${each.why}`)));
  const level = each.level === undefined ? "" : `, to ${Math.round(each.level * 100)} %`;
  what.append(element("small", `${about}${each.kind_name}${level}`));
  item.append(what);
  if (!viewer && each.may_end) {
    const ends = element("button", "End it for an hour", { onclick: () => command("Ending the hold", async () => outcome(await end([each]), `The hold ${each.hold} is ended for an hour.`)) });
    ends.setAttribute("aria-label", `End it for an hour: ${about}${each.hold}`);
    item.append(ends);
  }
  return item;
}

function outOfServiceItem(each) {
  const item = element("li");
  const what = element("div", each.why ? `${each.zone}: ${each.why}` : each.zone);
  what.append(element("small", `by ${each.who}, until ${written(each.until, { dateStyle: "medium" })}, ${clock(each.until)}`));
  item.append(what);
  if (!viewer) {
    const back = element("button", "Back in service", { onclick: () => command(`${each.zone}: Ending`, async () => outcome(await end([each]), `${each.zone} is back in service.`)) });
    back.setAttribute("aria-label", `${each.zone}: back in service`);
    item.append(back);
  }
  return item;
}

// What a zone shows, if that is not what the whole rig shows; and a button for each zone.
function showZones(outOfService) {
  const shown = (one) => JSON.stringify([one.state, one.show, one.piece, one.level]);
  const whole = shown({ ...now, level: now.brightness });
  const differing = now.zones.filter((zone) => shown(zone) !== whole && !outOfService.includes(zone.name));
  $("differing").hidden = differing.length === 0;
  fill($("differing").querySelector("ul"), differing.map((zone) => [JSON.stringify(zone), () => zoneItem(zone)]));

  if (part && !now.zones.some((zone) => zone.name === part)) choosePart();
  $("parts").hidden = viewer || now.zones.length === 0;
  fill($("zones"), now.zones.map(({ name }) => [name, () => {
    const button = element("button", name, { onclick: () => choosePart(name === part ? undefined : name) });
    button.setAttribute("aria-expanded", "false");
    button.setAttribute("aria-controls", "part");
    return button;
  }]));
  showPressed("part-dark", darkIn(part).length, "Off for tonight");
}

const darkIn = (zone) => now.overrides.filter((each) => each.kind === "dark" && each.zone === zone);

function zoneItem(zone) {
  const item = element("li");
  const lit = zone.state === "playing" ? `: ${zone.piece}, at ${Math.round(zone.level * 100)} %` : "";
  const what = element("div");
  what.append(element("b", zone.name), ` ${zone.state_name}${lit}`);
  const why = zone.reason.text.startsWith(`${zone.name}: `) ? zone.reason.text.slice(zone.name.length + 2) : zone.reason.text;
  what.append(element("small", sentence(localTimes(why))));
  if (zone.differing.length) what.append(element("small", `Something else shows in ${zone.differing.join(", ")}.`));
  item.append(what);
  return item;
}

// Shows the buttons of a zone below the names of the zones; of no zone: hides them.
function choosePart(name) {
  part = name;
  for (const button of $("zones").children) button.setAttribute("aria-expanded", String(button.dataset.key === name));
  $("part").hidden = !name;
  $("part-name").textContent = name || "";
  $("part-shows").hidden = true;
  $("part-call").setAttribute("aria-expanded", "false");
  showPressed("part-dark", darkIn(part).length, "Off for tonight");
  if (name) $("part").scrollIntoView({ block: "nearest" });
}

function troubleItem(trouble) {
  const item = element("li");
  const name = trouble.subject.split("/").pop();
  const text = trouble.text.includes(name) ? sentence(trouble.text) : name + sentence(`: ${trouble.text}`);
  const what = element("div", text);
  if (trouble.do) what.append(element("small", `What to do: ${trouble.do}.`));
  if (trouble.since) what.append(element("small", `Since ${when(trouble.since)}.`));
  item.append(what);
  return item;
}

async function showNext() {
  const { next, next_piece: piece } = now;
  const items = piece ? [[piece.at, piece.piece]] : [];
  const withPiece = piece && next && (next.state === "waiting" ? next.at <= piece.at : next.at === piece.at); // only the gap before it
  if (next && !withPiece) items.push([next.at, now.next_state_name.toLowerCase()]);
  for (const night of await ask("GET", "/api/nights?days=3")) {
    if (night.opens > now.at) items.push([night.opens, `${night.show} opens`]);
    if (night.closes > now.at && !(next && next.at.startsWith(night.closes.slice(0, 19)))) items.push([night.closes, `${night.show} closes`]);
  }
  items.sort(([one], [other]) => (one < other ? -1 : Number(one > other)));
  if (!items.length) items.push(["", "Nothing within three days."]);
  fill($("next"), items.slice(0, 4).map(([instant, text]) => [instant && when(instant), text]).map(([at, text]) => [`${at} ${text}`, () => {
    const item = element("li");
    item.append(element("span", text), element("b", at));
    return item;
  }]));
}

// Updates what changes between two answers: the position, and the remaining times.
function tick() {
  if (!now || document.body.className === "lost") return; // the page does not know what plays
  for (const left of document.querySelectorAll("b.left")) left.textContent = duration(Number(left.dataset.until) - secondsSince());
  if (now.position_s !== null && now.length_s) {
    const moving = now.state === "playing" ? secondsSince() : 0;
    const position = (now.position_s + moving) % now.length_s;
    $("progress").value = position / now.length_s;
    $("position").textContent = `${now.piece}, ${duration(position)} of ${duration(now.length_s)}`;
  }
}

// ---- the other buttons

function override(doing, done, body, see = "", way = command) {
  const about = body.zone ? `${body.zone}: ` : "";
  return way(about + doing, async () => {
    const answer = await ask("POST", "/api/overrides", body);
    awaited = answer.on_the_wire ? "" : see;
    return outcome(answer, about + done);
  });
}

function toggle(id, list) {
  const open = list.hidden;
  list.hidden = !open;
  $(id).setAttribute("aria-expanded", String(open));
}

function press(id, work) {
  $(id).addEventListener("click", work);
  $(id).disabled = false; // until now a tap would have been lost
}

// The brightness, and a show now: for the whole rig, or for the zone that `zone` returns.
function addLevelsAndShows(prefix, zone) {
  const levels = $(`${prefix}levels`);
  const shows = $(`${prefix}shows`);
  for (const level of [0.75, 0.5, 0.25, 0.1]) {
    const text = `${level * 100} %`;
    levels.append(element("button", text, { onclick: () => override("Dimming", `Dimmed for tonight to ${text} of the brightness that is set.`, { kind: "dim", level, zone: zone() }) }));
  }
  press(`${prefix}call`, async () => {
    toggle(`${prefix}call`, shows);
    if (shows.children.length || shows.hidden) return;
    let site;
    try {
      site = await ask("GET", "/api/site");
    } catch (error) {
      return showMessage(error.message, true);
    }
    const pieces = element("ul", "", { className: "lines" });
    pieces.setAttribute("aria-label", "Pieces, given once");
    pieces.append(...site.pieces.map((each) => pieceItem(each, zone)));
    shows.replaceChildren(...site.shows.map((each) => element("button", `${each.name}, 30 min`, { onclick: () => override("Calling", `${each.name} is called, for 30 minutes.`, { kind: "call", show: each.name, minutes: 30, zone: zone() }) })), pieces);
  });
}

// A piece that may be called: now, or after the one that plays.
function pieceItem(each, zone) {
  const item = element("li");
  const what = element("div", each.title);
  if (each.artist) what.append(element("small", each.artist));
  const call = (text, done, more) => {
    const button = element("button", text, { onclick: () => override("Calling", `${each.title} is called${done}.`, { kind: "call", piece: each.name, zone: zone(), ...more }) });
    button.setAttribute("aria-label", `${text}: ${each.title}`);
    return button;
  };
  item.append(what, call("Now", "", {}), call("After this piece", ", after this piece", { after: true }));
  return item;
}

function addActions() {
  addLevelsAndShows("", () => undefined);
  addLevelsAndShows("part-", () => part);
  press("dark", () => (standing("dark").length ? resume() : override("Switching off", "Off for tonight.", { kind: "dark", until: "tonight" }, "black", urgently)));
  press("part-dark", () => {
    const [zone, dark] = [part, darkIn(part)];
    if (dark.length) command(`${zone}: Resuming`, async () => outcome(await end(dark), `${zone}: Resumed.`));
    else override("Switching off", "Off for tonight.", { kind: "dark", until: "tonight", zone });
  });
  press("mute", () => {
    const muted = standing("mute");
    if (muted.length) command("Unmuting", async () => outcome(await end(muted), "The mute has ended."));
    else override("Muting", "Muted for tonight.", { kind: "mute" });
  });
  press("skip", () => override("Skipping", "On to the next piece.", { kind: "skip" }));
  press("dim", () => toggle("dim", $("levels")));
  press("give-time", () => command("Setting the clock", async () => {
    await ask("POST", "/api/clock", { utc: new Date().toISOString() });
    return "The board has this phone's time.";
  }));
  for (const each of document.querySelectorAll("details:not(#reasons)")) {
    const toggled = () => import("./more.js").then((more) => more.toggled(each, shared), () => { each.querySelector("div").textContent = "The board did not answer."; });
    each.addEventListener("toggle", toggled);
    if (each.open) toggled(); // opened before this script was there
  }
  setInterval(tick, 1000);
}

const shared = { updates: {}, fill, overrides: () => now.overrides, showMessage, lost: () => document.body.className === "lost", instant: () => siteMs + performance.now(), standing, health: () => now.health, ask, element, command, when, clock, written, halves, hour, localTimes, endAll, outcome, sentence, begin, viewer: () => viewer, owner: () => owner };
addActions();
showAll = () => {
  showStatus();
  const next = JSON.stringify([now.next, now.next_piece, now.at.slice(0, 10)]);
  if (next !== shownNext) showNext().then(() => { shownNext = next; }, () => {});
};
if (now) showAll();
