// The rig check for one hand on a ladder, and the repairs list. more.js loads it.

import { list, row } from "./more.js";

const PATTERNS = { pixel: "One pixel", walk: "Walk", ends: "Ends", colour: "One colour", colours: "All colours", strings: "By string", ramp: "Dark to full" };
const OF_PIXELS = ["pixel", "walk", "ends"]; // a fixture shows none of these
const COLOURED = ["pixel", "walk", "colour", "ramp"];
const COLOURS = { white: "White", red: "Red", green: "Green", blue: "Blue", w: "White channel", amber: "Amber" };
const LEVELS = [0.05, 0.15, 0.3, 0.6, 1];
const FAULTS = { dead: "Dead", loose: "Loose", "cut-out": "Cut out" };
const PACE_MS = 100; // between two requests of a run: ten a second, of twenty that a device may send
const HOLD_MS = 400; // a touch that is longer runs
const BEHIND_MS = 1000; // a run waits for an answer that takes longer
const SWIPE_PX = 60;
const BURN_IN_H = [4, 8, 12, 24];

let page; // the functions that page.js and status.js share
let parts; // what the page has made: fields and groups of buttons
let places = []; // the whole rig, and everything in it that has a name
let at = 0; // the place that is chosen
let pattern = "colours";
let colour = "white";
let level = 0.3;
let number = 1; // the pixel
let shownNumber = 1; // the last one that the board has confirmed
let run = 0; // the timer of a button that is held
let next = null; // the newest request that waits
let sentAt = 0; // when the one that is on its way was sent; 0: none is
let screenLock = null;
let screenAsked = false; // while a lock is asked for

document.addEventListener("visibilitychange", () => { if (document.visibilityState === "hidden") release(); });

const title = (place) => (place.kind ? `${place.kind} ${place.name}` : "the whole rig");
const hung = (string) => Array.from({ length: string.pixels }, (_, index) => index + 1).filter((each) => !string.missing.includes(each));

function placesOf({ zones, controllers, ports, strings, fixtures }) {
  const some = (kind, each, within) => ({ kind, name: each.name, strings: strings.filter(within) });
  return [
    { kind: "", name: "", strings },
    ...zones.map((zone) => some("zone", zone, (one) => zone.strings.includes(one.name))),
    ...controllers.map((controller) => some("controller", controller, (one) => one.controller === controller.name)),
    ...ports.map((port) => some("port", port, (one) => port.strings.includes(one.name))),
    ...strings.map((string) => some("string", string, (one) => one === string)),
    ...fixtures.map((fixture) => ({ kind: "fixture", name: fixture.name, strings: [] })),
  ];
}

// The pixels that can be lit somewhere at a place, and those that a walk passes on its longest string.
function pixelsOf(place) {
  if (place.pixels) return;
  const each = place.strings.map(hung);
  place.walked = each.reduce((most, one) => (one.length > most.length ? one : most), []);
  place.pixels = [...new Set(each.flat())].sort((one, other) => one - other);
}

// ---- what is asked of the board

function request() {
  const { kind, name } = places[at];
  return {
    pattern, level,
    ...(kind ? { [kind]: name } : {}),
    ...(COLOURED.includes(pattern) ? { colour } : {}),
    ...(pattern === "pixel" ? { number } : {}),
  };
}

// One request is on its way at a time. Of those that wait, the newest counts.
async function show() {
  next = request();
  draw();
  if (sentAt) return;
  let why = "";
  await page.command("Rig check", async () => {
    let answer = null;
    try {
      while (next) {
        const asked = next;
        next = null;
        sentAt = performance.now();
        answer = await page.ask("POST", "/api/rig-check", asked);
        shownNumber = asked.number || shownNumber;
        if (next) await new Promise((resolve) => { setTimeout(resolve, PACE_MS + sentAt - performance.now()); });
      }
    } catch (error) {
      if (run) why = error.refused ? error.message : "the board did not answer";
      giveUp();
      throw error;
    } finally {
      sentAt = 0;
    }
    return answer ? page.outcome(answer, page.sentence(answer.check)) : "";
  });
  if (page.lost()) {
    if (run) why = "there is no contact";
    giveUp();
  }
  if (why) sayStopped(why);
}

// The pattern for hours. It is dark in dark hours.
function burnIn(hours) {
  return page.command("Beginning the burn-in", async () => {
    const answer = await page.ask("POST", "/api/rig-check", { ...request(), hours: Number(hours) });
    parts.caution.textContent = answer.caution;
    return page.outcome(answer, `Burn-in until ${page.when(answer.until)}.`);
  });
}

// What was asked for was not shown: a run ends, and the number is again that of the last pixel that was lit.
function giveUp() {
  release();
  next = null;
  number = shownNumber;
  draw();
}

const sayStopped = (why) => page.showMessage(`Stopped at pixel ${number}: ${why}.`, true);

// ---- the pixel: one more, one less, and the run of a button that is held

function step(by) {
  if (pattern === "walk") number = reached() || number;
  const { pixels } = places[at];
  const from = pixels.findIndex((each) => each >= number);
  const place = Math.min(Math.max(0, (from < 0 ? pixels.length - 1 : from) + by), pixels.length - 1);
  number = pixels[place];
  pattern = "pixel";
  show();
}

function release() {
  clearInterval(run);
  run = 0;
}

function holds(button, by) {
  let began = 0;
  let due = 0;
  button.addEventListener("pointerdown", (event) => {
    if (event.button || run) return;
    button.setPointerCapture(event.pointerId);
    [began, due] = [performance.now(), 0];
    step(by);
    run = setInterval(() => {
      const held = performance.now() - began - HOLD_MS;
      if (held < 0 || (sentAt && performance.now() - sentAt > BEHIND_MS && !page.lost())) return;
      if (page.lost()) {
        giveUp();
        return sayStopped("there is no contact");
      }
      due += Math.min(40, 5 * 2 ** Math.floor(held / 2000)) * PACE_MS / 1000; // 5 a second, twice as fast every 2 s
      if (due >= 1) step(by * Math.floor(due));
      due %= 1;
    }, PACE_MS);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(name, release);
  button.addEventListener("click", (event) => { if (!event.detail) step(by); }); // by a keyboard
  button.addEventListener("contextmenu", (event) => event.preventDefault());
}

// The pixel that a walk has reached by now, as the board counts: from its beginning, at its pace.
function reached() {
  const [check] = page.standing("rig-check");
  const { walked } = places[at];
  if (!check || !check.pattern || check.pattern.kind !== "walk" || !walked.length) return 0;
  const passed = Math.floor((page.instant() - Date.parse(check.at)) / 1000 * check.pattern.a_second);
  return walked[Math.max(0, passed) % check.pattern.frames];
}

// ---- the place

function choose(index, kind = pattern) {
  at = index;
  pattern = places[at].strings.length || !OF_PIXELS.includes(kind) ? kind : "colours";
  pixelsOf(places[at]);
  if (places[at].pixels.length) number = Math.min(number, places[at].pixels.at(-1));
}

// The next place of its kind; from the whole rig, the first string. Fixtures come after the strings.
function after(by) {
  const ring = (kind) => (kind === "fixture" || !kind ? "string" : kind);
  const alike = places.flatMap(({ kind }, index) => (kind && ring(kind) === ring(places[at].kind) ? [index] : []));
  const from = alike.indexOf(at);
  return alike[from < 0 ? 0 : (from + by + alike.length) % alike.length];
}

function move(by) {
  choose(after(by));
  show();
}

function swipes(area) {
  let from = null;
  area.addEventListener("pointerdown", (event) => { from = event.target.closest(".hold") ? null : [event.clientX, event.clientY]; });
  area.addEventListener("pointerup", (event) => {
    if (!from) return;
    const [right, down] = [event.clientX - from[0], event.clientY - from[1]];
    from = null;
    if (Math.abs(right) > SWIPE_PX && Math.abs(right) > 2 * Math.abs(down)) move(right < 0 ? 1 : -1);
  });
}

// ---- what the page shows

function draw() {
  const place = places[at];
  const fixture = !place.strings.length;
  const counted = pattern === "pixel" || pattern === "walk";
  const shown = (pattern === "walk" && reached()) || number;
  parts.reading.hidden = fixture;
  if (document.activeElement !== parts.number) parts.number.value = shown;
  parts.number.classList.toggle("quiet", !counted);
  parts.number.style.setProperty("--digits", Math.max(2, parts.number.value.length));
  parts.place.textContent = counted ? `pixel of ${title(place)}, ${place.pixels.at(-1)} in all` : `${PATTERNS[pattern] || pattern}, ${title(place)}`;
  parts.where.value = String(at);
  parts.next.textContent = `Next: ${places[after(1)].name}`;
  parts.colours.hidden = !COLOURED.includes(pattern);
  const press = (group, chosen) => { for (const button of group.children) button.setAttribute("aria-pressed", String(button.dataset.key === chosen)); };
  press(parts.patterns, pattern);
  press(parts.colours, colour);
  press(parts.levels, String(level));
  for (const button of parts.patterns.children) button.hidden = fixture && OF_PIXELS.includes(button.dataset.key);
  const stands = page.standing("rig-check").length > 0;
  for (const item of parts.rows) {
    if (stands && item.dataset.kind === place.kind && item.dataset.name === place.name) item.setAttribute("aria-current", "true");
    else item.removeAttribute("aria-current");
  }
}

// Shows the check that there is, whoever asked for it, unless a finger is at work here.
function adopt() {
  const [check] = page.standing("rig-check");
  const shown = check && check.pattern;
  if (shown && check.strings.length < 2 && !sentAt && !run && document.activeElement !== parts.number && parts.mark.hidden) {
    const kind = ["zone", "controller", "port"].find((each) => shown[each]) || (check.fixture ? "fixture" : check.strings.length ? "string" : "");
    const name = shown[kind] || (kind === "string" ? check.strings[0] : check.fixture) || "";
    const index = places.findIndex((each) => each.kind === kind && each.name === name);
    if (index >= 0) {
      if (shown.kind === "pixel") number = shownNumber = shown.number;
      ({ colour } = shown);
      level = check.level;
      choose(index, shown.kind);
    }
  }
  draw();
  keepScreenOn(Boolean(check));
}

// The Screen Wake Lock API is there only over https, and on the board itself.
async function keepScreenOn(wanted) {
  const held = Boolean(screenLock) && !screenLock.released;
  if (!navigator.wakeLock || screenAsked || held === wanted || document.visibilityState === "hidden") return;
  screenAsked = true;
  try {
    if (wanted) screenLock = await navigator.wakeLock.request("screen");
    else await screenLock.release();
    parts.screen.textContent = "";
  } catch {
    parts.screen.textContent = "This phone does not let the page keep its screen on.";
  }
  screenAsked = false;
}

// ---- marks

const placeOf = (mark) => (mark.pixel ? `${mark.part}, pixel ${mark.pixel}` : mark.part);

function openMark(open) {
  if (open && pattern === "walk") step(0); // the walk would go on while a person taps
  const place = places[at];
  const names = place.strings.length ? place.strings.map((each) => each.name) : [place.name];
  parts.part.replaceChildren(...names.map((name) => page.element("option", name)));
  parts.part.parentElement.hidden = names.length < 2;
  parts.mark.hidden = !open;
  parts.marking.setAttribute("aria-expanded", String(open));
  if (open) parts.mark.scrollIntoView({ block: "nearest" });
}

function mark(fault) {
  const note = parts.note.value.trim();
  const body = { part: parts.part.value, fault, ...(note ? { note } : {}), ...(pattern === "pixel" ? { pixel: number } : {}) };
  return page.command(`Marking ${placeOf(body)}`, async () => {
    const made = await page.ask("POST", "/api/repairs", body);
    parts.note.value = "";
    openMark(false);
    const back = page.element("button", "Take it back", { onclick: () => page.command("Taking it back", async () => {
      await page.ask("DELETE", `/api/repairs/${made.id}`);
      parts.marked.replaceChildren();
      await countMarks();
      return `${placeOf(made)} is not marked any more.`;
    }) });
    parts.marked.replaceChildren(row(`${placeOf(made)} is marked: ${made.text}.`, made.hint && page.sentence(made.hint), back));
    await countMarks();
    return `${placeOf(made)} is marked: ${made.text}.`;
  });
}

async function countMarks() {
  const { open } = await page.ask("GET", "/api/repairs");
  for (const item of parts.rows) {
    const own = open.filter((each) => each.part === item.dataset.name && each.kind === item.dataset.kind);
    item.querySelector("b").textContent = own.length ? ` to mend: ${own.map((each) => (each.pixel ? `${each.pixel} ${each.text}` : each.text)).join("; ")}` : "";
  }
}

// ---- the sections

function group(name, choices, chosen) {
  const made = page.element("div", "", { className: "choices", role: "group", ariaLabel: name });
  made.append(...choices.map(([key, text]) => {
    const button = page.element("button", text, { onclick: () => chosen(key) });
    button.dataset.key = key;
    return button;
  }));
  return made;
}

function field(text, made) {
  const label = page.element("label", text);
  label.append(made);
  return label;
}

export async function check(place, shared) {
  page = shared;
  const rig = await page.ask("GET", "/api/rig");
  places = placesOf(rig);
  const has = (letter, channel) => rig.strings.some((each) => each.order.includes(letter)) || rig.fixtures.some((each) => each.channels.includes(channel));
  const colours = Object.entries(COLOURS).filter(([key]) => (key !== "w" || has("W", "white")) && (key !== "amber" || has("A", "amber")));
  const anew = (change) => (key) => { change(key); show(); };
  const end = () => page.command("Ending", async () => page.outcome(await page.endAll("rig-check", "burn-in"), "The check has ended."));
  parts = {
    where: page.element("select", "", { onchange: anew(() => choose(Number(parts.where.value))) }),
    patterns: group("Pattern", Object.entries(PATTERNS), anew((key) => { pattern = key; })),
    colours: group("Colour", colours, anew((key) => { colour = key; })),
    levels: group("Brightness", LEVELS.map((each) => [String(each), `${each * 100} %`]), anew((key) => { level = Number(key); })),
    reading: page.element("div", "", { id: "reading" }),
    number: page.element("input", "", { inputMode: "numeric", ariaLabel: "Pixel", autocomplete: "off" }),
    place: page.element("p", "", { className: "small" }),
    next: page.element("button", "", { className: "wide", onclick: () => move(1) }),
    marking: page.element("button", "Mark it", { className: "wide", onclick: () => openMark(parts.mark.hidden) }),
    mark: page.element("div", "", { hidden: true }),
    marked: page.element("ul"),
    caution: page.element("p", "", { className: "small" }),
    part: page.element("select"),
    note: page.element("input", "", { maxLength: 200, autocomplete: "off" }),
    screen: page.element("p", navigator.wakeLock ? "" : "Over http a page cannot keep the screen on: let this phone's screen stay on for longer.", { className: "small" }),
  };
  choose(0);
  const kinds = { "": "All", zone: "Zones", controller: "Controllers", port: "Ports", string: "Strings", fixture: "Fixtures" };
  parts.where.append(...Object.entries(kinds).map(([kind, label]) => {
    const made = page.element("optgroup", "", { label });
    made.append(...places.map((each, index) => page.element("option", each.name || "The whole rig", { value: index })).filter((_, index) => places[index].kind === kind));
    return made;
  }).filter((each) => each.children.length));

  const [less, more] = [[-1, "−", "One pixel less"], [1, "+", "One pixel more"]].map(([by, sign, name]) => {
    const button = page.element("button", sign, { className: "hold", ariaLabel: name });
    holds(button, by);
    return button;
  });
  parts.number.onkeydown = (event) => { if (event.key === "Enter") parts.number.blur(); };
  parts.number.onfocus = () => parts.number.select();
  parts.number.onchange = () => {
    const typed = Number(parts.number.value);
    if (Number.isInteger(typed) && typed > 0) { [number, pattern] = [typed, "pixel"]; parts.number.blur(); show(); }
    else { parts.number.blur(); page.showMessage("A pixel has a number from 1 on.", true); draw(); }
  };
  swipes(parts.reading);
  parts.reading.append(parts.number, parts.place, less, more);
  const words = page.element("button", "Mark with these words", { onclick: () => (parts.note.value.trim() ? mark("look") : page.showMessage("Type what is wrong first.", true)) });
  parts.mark.append(field("Which string", parts.part), group("What is wrong", Object.entries(FAULTS), mark), field("In your own words", parts.note), words);
  parts.marking.setAttribute("aria-expanded", "false");

  const many = [...rig.strings.map((each) => ["string", each]), ...rig.fixtures.map((each) => ["fixture", each])];
  parts.rows = many.map(([kind, part]) => {
    const button = page.element("button", "Check", { onclick: () => { choose(places.findIndex((each) => each.kind === kind && each.name === part.name)); show(); } });
    button.setAttribute("aria-label", `Check ${part.name}`);
    const what = part.channels ? part.channels.join(", ") : `${part.port === null ? "" : `port ${part.port}, `}${part.pixels} pixels`;
    const item = row(part.name, `${what}, from universe ${part.universe}, slot ${part.slot}`, button);
    Object.assign(item.dataset, { kind, name: part.name, controller: part.controller });
    item.firstChild.append(page.element("b", "", { className: "bad" }));
    return item;
  });
  const lists = [...new Set(many.map(([, part]) => part.controller))].flatMap((name) => [page.element("h3", `Controller ${name}`), list(parts.rows.filter((item) => item.dataset.controller === name))]);
  await countMarks();
  const caution = page.element("p", "Look, and touch nothing: what is lit is live. Isolate a supply before you work on what it feeds.", { className: "small" });
  const done = page.element("button", "End the check", { className: "wide", onclick: end });
  const burn = group("Burn-in", BURN_IN_H.map((each) => [String(each), `${each} h`]), burnIn);
  const none = page.element("p", "rig.toml names no strings and no fixtures; `gloaming rig-check` checks universes.", { className: "small" });
  const all = [caution, field("Where", parts.where), parts.reading, parts.next, parts.marking, parts.mark, parts.marked, parts.patterns, parts.colours, page.element("b", "Brightness"), parts.levels, done, page.element("b", "Burn-in: this pattern for hours, dark in dark hours"), burn, parts.caution, parts.screen, ...lists];
  place.replaceChildren(...(many.length ? all : [caution, done, none]));
  if (!many.length) return;
  adopt();
  page.updates.check = adopt;
  const ticking = setInterval(() => {
    if (!place.parentElement.open) { clearInterval(ticking); release(); keepScreenOn(false); delete page.updates.check; } else if (pattern === "walk") draw();
  }, 100);
}

export async function repairs(place, shared) {
  page = shared;
  const found = await page.ask("GET", "/api/repairs");
  const again = (doing, work) => page.command(doing, async () => {
    const done = await work();
    await repairs(place, page);
    return done;
  });
  const named = (button, mark) => {
    button.setAttribute("aria-label", `${button.textContent}: ${placeOf(mark)}`);
    return button;
  };
  const open = found.open.map((each) => {
    const buttons = [
      ...(each.absence ? [] : [page.element("button", "Light it", { onclick: () => light(each) })]),
      page.element("button", "Mended", { onclick: () => again("Mending", async () => { await page.ask("POST", `/api/repairs/${each.id}/done`); return `${placeOf(each)} is mended.`; }) }),
      page.element("button", "Wrong mark", { onclick: () => again("Taking it back", async () => { await page.ask("DELETE", `/api/repairs/${each.id}`); return `${placeOf(each)} is not marked any more.`; }) }),
    ];
    const more = [`by ${each.who}, ${page.when(each.at)}`, each.absence, each.hint].filter(Boolean).join("; ");
    const bar = page.element("div", "", { className: "choices" });
    bar.append(...buttons.map((button) => named(button, each)));
    return row(`${placeOf(each)}: ${each.text}`, more, ...(page.viewer() ? [] : [bar]));
  });
  const mended = found.mended.slice(0, 10).map((each) => row(`${placeOf(each)}: ${each.text}`, `mended by ${each.mended_by}, ${page.when(each.mended)}`));
  const before = mended.length ? [page.element("h3", "Mended"), list(mended)] : [];
  place.replaceChildren(list(open.length ? open : [row("Nothing is to be mended.")]), ...before);
}

function light(mark) {
  const what = { ...(mark.pixel ? { pattern: "pixel", number: mark.pixel } : { pattern: "colours" }), [mark.kind]: mark.part };
  return page.command(`Lighting ${placeOf(mark)}`, async () => page.outcome(await page.ask("POST", "/api/rig-check", what), `${placeOf(mark)}.`));
}
