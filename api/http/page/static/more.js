// Signing in, and what a tap opens: the season, the live view, the triggers, the journal, the devices; check.js has the rig check.
// It is loaded when it is needed.

let page; // the functions that page.js and status.js share
let stream = null;

const $ = (id) => document.getElementById(id);
const of = (file, name) => (place) => import(file).then((module) => module[name](place, page));
const SECTIONS = { season, view, check: of("./check.js", "check"), repairs: of("./check.js", "repairs"), boards: of("./boards.js", "boards"), controllers: of("./controllers.js", "controllers"), triggers, journal, devices };

document.addEventListener("visibilitychange", () => { // a hidden page needs no stream
  if (!stream) return;
  if (document.visibilityState === "hidden") stream.close();
  else view($("view").querySelector("div"));
});

export async function toggled(details, shared) {
  page = shared;
  const place = details.querySelector("div");
  if (!details.open) {
    if (details.id === "view" && stream) { stream.close(); stream = null; }
    return;
  }
  place.replaceChildren(page.element("p", "asking …"));
  try {
    await SECTIONS[details.id](place);
  } catch (error) {
    place.replaceChildren(page.element("p", error.message || "The board did not answer.", { className: "bad" }));
  }
}

// ---- signing in

export function showSignIn(shared) {
  page = shared;
  const byLink = location.hash.length > 1;
  $("passcode-field").hidden = byLink;
  if (byLink) $("how").textContent = "This link signs one phone in, once.";
  $("device").placeholder = guessName(); // a placeholder, so that it does not mix with what is typed
  $("letters").onclick = () => { // the first passcode has only digits
    const letters = $("passcode").inputMode === "numeric";
    $("passcode").inputMode = letters ? "text" : "numeric";
    $("letters").textContent = letters ? "It has digits alone" : "It has letters";
    $("passcode").focus();
  };
}

function guessName() {
  const found = ["iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux"].find((each) => navigator.userAgent.includes(each));
  return { iPhone: "an iPhone", iPad: "an iPad", Android: "an Android phone", Macintosh: "a Mac", Windows: "a Windows computer", Linux: "a Linux computer" }[found] || "a phone";
}

export async function signIn(shared) {
  page = shared;
  const device = $("device").value.trim() || guessName();
  const code = location.hash.slice(1);
  let used = true; // whether the link's code no longer works
  $("sign-in-message").textContent = "";
  if (!code && !/[^\s-]/.test($("passcode").value)) {
    $("sign-in-message").textContent = "Type the passcode first.";
    $("passcode").focus();
    return;
  }
  $("enter").disabled = true;
  try {
    if (code) await page.ask("POST", "/api/sign-in/link", { code, device });
    else await page.ask("POST", "/api/sign-in", { passcode: $("passcode").value, device });
    $("passcode").value = "";
    page.begin();
  } catch (error) {
    $("sign-in-message").textContent = error.refused ? page.sentence(error.message) : "The board did not answer.";
    used = error.refused === 401;
    $("passcode-field").hidden = Boolean(code) && !used;
  }
  if (code && used) history.replaceState(null, "", location.pathname);
  $("enter").disabled = false;
}

export function row(first, second, ...buttons) {
  const item = page.element("li");
  const text = page.element("div", first);
  if (second) text.append(page.element("small", second));
  item.append(text, ...buttons);
  return item;
}

export function list(items) {
  const made = page.element("ul");
  made.append(...items);
  return made;
}

// ---- the season

async function season(place) {
  const nights = await page.ask("GET", "/api/nights?days=7");
  const frame = page.element("div", "", { className: "scroll", tabIndex: 0 });
  frame.setAttribute("role", "group");
  frame.setAttribute("aria-label", "The season as a picture, six weeks from today");
  frame.append(page.element("img", "", { src: "/api/nights.svg?days=42", alt: "A column for each date, from noon to noon. The next seven nights are in words below." }));
  const rows = nights.map((night) => {
    const closes = night.closes.slice(0, 10) === night.opens.slice(0, 10) ? page.clock(night.closes) : page.when(night.closes);
    const opens = page.when(night.opens);
    return row(`${opens === page.clock(night.opens) ? "today, " : ""}${opens} to ${closes}`, [night.show, night.opens_by, night.closes_by, night.cut_by && `cut by ${night.cut_by}`].filter(Boolean).join("; "));
  });
  place.replaceChildren(frame, list(rows.length ? rows : [row("No show within a week.")]));
}

// ---- the live view: the frames that are sent

function view(place) {
  const canvas = page.element("canvas", "", { className: "rig", width: 720, height: 540 });
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "The rig as it is lit now");
  const caption = page.element("p", "asking …", { className: "small" });
  place.replaceChildren(canvas, caption);
  let layout = { dots: [], runs: [], fixtures: [] };
  if (stream) stream.close();
  stream = new EventSource("/api/view");
  stream.addEventListener("layout", (event) => {
    layout = JSON.parse(event.data);
    canvas.setAttribute("aria-label", `The rig as it is lit now: ${[...layout.strings, ...layout.fixtures].join(", ")}`);
  });
  stream.addEventListener("frame", (event) => {
    const frame = JSON.parse(event.data);
    const bytes = Uint8Array.from(atob(frame.rgb), (letter) => letter.charCodeAt(0));
    draw(canvas, layout, bytes);
    const lit = bytes.some((level) => level > 0);
    caption.textContent = `As sent at ${page.written(frame.at, { timeStyle: "medium" })}: ${lit ? "light" : "black"}. Each string is a line; ${layout.dots.length - layout.fixtures.length} of ${frame.pixels} pixels give the colours.${layout.fixtures.length ? " Each fixture is a dot." : ""}`;
  });
  stream.onerror = () => { caption.textContent = "There is no picture at the moment."; };
}

// Draws each string as a line from pixel to pixel, in their colours, so that it looks as it hangs, and each fixture as a dot.
function draw(canvas, { dots, runs, fixtures }, bytes) {
  const context = canvas.getContext("2d");
  const size = Math.max(2, Math.min(7, 90 / Math.sqrt(dots.length)));
  const width = Math.max(...dots.map(([x]) => x)) || 1;
  const height = Math.max(...dots.map(([, y]) => y)) || 1;
  const scale = Math.min((canvas.width - 40) / width, (canvas.height - 40) / height);
  const left = (canvas.width - width * scale) / 2;
  const top = (canvas.height - height * scale) / 2;
  context.fillStyle = "#05060c";
  context.fillRect(0, 0, canvas.width, canvas.height);
  context.lineCap = "round";
  context.lineWidth = size;
  const colour = (index) => {
    const [red, green, blue] = bytes.subarray(index * 3, index * 3 + 3);
    return red + green + blue ? `rgb(${red} ${green} ${blue})` : "#262a3a";
  };
  let first = 0;
  for (const run of runs) {
    for (let index = first; index < first + run; index += 1) {
      const [x, y] = dots[index];
      const [onX, onY] = dots[Math.min(index + 1, first + run - 1)];
      context.strokeStyle = colour(index);
      context.beginPath();
      context.moveTo(left + x * scale, top + y * scale);
      context.lineTo(left + onX * scale, top + onY * scale);
      context.stroke();
    }
    first += run;
  }
  fixtures.forEach((_, number) => {
    const [x, y] = dots[first + number];
    context.fillStyle = colour(first + number);
    context.beginPath();
    context.arc(left + x * scale, top + y * scale, Math.max(6, 1.5 * size), 0, 2 * Math.PI);
    context.fill();
  });
}

// ---- the journal

const LINES = { // the journal's kinds that each choice shows
  "What people did": ["override", "trigger", "device", "site", "clock", "repair"],
  "From outside": ["trigger", "hold"],
  "What went wrong": ["trouble", "fault", "restart", "limiter", "alert", "hook", "disk"],
  Everything: [],
};

async function journal(place, choice = "What people did") {
  const { timezone } = await page.ask("GET", "/api/site");
  const format = new Intl.DateTimeFormat("en-GB", { weekday: "short", day: "numeric", month: "short", hour: page.hour, minute: "2-digit", second: "2-digit", hour12: page.halves, timeZone: timezone });
  const bar = page.element("div", "", { className: "choices", role: "group", ariaLabel: "Which lines" });
  bar.append(...Object.keys(LINES).map((name) => {
    const button = page.element("button", name, { onclick: () => journal(place, name) });
    button.setAttribute("aria-pressed", String(name === choice));
    return button;
  }));
  const lines = page.element("div", "", { className: "lines", tabIndex: 0 });
  lines.setAttribute("role", "group");
  lines.setAttribute("aria-label", "The journal, the newest first");
  const rows = list([]);
  lines.append(rows);
  const earlier = page.element("button", "Earlier");
  let before;
  const load = async () => {
    const got = await page.ask("GET", `/api/journal?limit=40${before ? `&before=${before}` : ""}${LINES[choice].map((kind) => `&kind=${kind}`).join("")}`);
    rows.append(...got.map((line) => row(page.localTimes(line.text), `${format.format(line.at_ns / 1e6)}${line.who ? `, ${line.who}` : ""}`)));
    earlier.hidden = got.length < 40;
    before = got.length ? got[got.length - 1].id : before;
  };
  earlier.onclick = async () => {
    earlier.disabled = true; // several taps count as one
    await load().then(() => { earlier.textContent = "Earlier"; }, () => { earlier.textContent = "Earlier: the board did not answer, try again"; });
    earlier.disabled = false;
  };
  await load();
  if (!rows.children.length) rows.append(row("Nothing so far."));
  place.replaceChildren(bar, lines, earlier);
}

// ---- the triggers

async function triggers(place) {
  const found = (await page.ask("GET", "/api/triggers")).triggers;
  place.replaceChildren(list(found.map((one) => {
    const refusals = Object.values(one.refusals).reduce((sum, number) => sum + number, 0);
    const calls = `${one.last_call ? `Last call ${page.when(one.last_call)}` : "No call yet"}; since noon ${one.calls} called, ${refusals} refused`;
    const acts = one.board ? `, by ${one.board}` : "";
    return row(`${one.name} calls ${one.piece || one.show}${one.zone ? ` on ${one.zone}` : ""}${acts}`, one.refused_now ? `${calls}. Now it is refused: ${page.localTimes(one.refused_now.text)}` : calls);
  })));
}

// ---- the devices

const KINDS = { // what each may do; and the button that adds one
  owner: ["an owner: runs the show and changes the set-up", "Add an owner"],
  operator: ["an operator: runs the show", "Add a phone"],
  viewer: ["a viewer: only looks", "Add a phone that only looks"],
};

async function devices(place) {
  const found = await page.ask("GET", "/api/devices");
  const rows = found.map((device) => {
    const text = `${page.sentence(KINDS[device.kind][0])} Since ${page.when(device.since)}, last seen ${page.when(device.seen)}`;
    const board = device.name === "this machine";
    const may = !board && (!page.viewer() || device.this);
    const buttons = page.owner() && !board ? [kindButton(place, device)] : [];
    const button = page.element("button", "Sign out", { onclick: () => page.command(`Signing out ${device.name}`, async () => {
      await page.ask("DELETE", `/api/devices/${device.id}`);
      if (!device.this) await devices(place);
      return `${device.name} is signed out.`;
    }) });
    button.setAttribute("aria-label", `Sign out ${device.name}`);
    return row(device.this ? `${device.name} (this one)` : device.name, text, ...buttons, ...(may ? [button] : []));
  });
  const more = page.element("div", "", { className: "choices" });
  const shown = page.element("div");
  if (!page.viewer() && found.filter((device) => device.name !== "this machine").length > 1) {
    more.append(page.element("button", "Sign out all others", { onclick: () => page.command("Signing out all others", async () => {
      await page.ask("DELETE", "/api/devices");
      await devices(place);
      return "All other devices are signed out.";
    }) }));
  }
  const may = page.viewer() ? [] : Object.keys(KINDS).filter((kind) => page.owner() || kind !== "owner");
  for (const kind of may) {
    more.append(page.element("button", KINDS[kind][1], { onclick: () => page.command("Making a link", async () => {
      const link = await page.ask("POST", "/api/links", { kind });
      shown.replaceChildren(code(link.squares), page.element("p", link.link, { className: "link" }), page.element("p", `Works once, until ${page.when(link.until)}.`, { className: "small" }));
      shown.scrollIntoView({ block: "center" }); // it is at the end of the page
      return "Show this to the other phone's camera.";
    }) }));
  }
  place.replaceChildren(list(rows), more, shown);
}

// Makes a device an owner, or takes that back.
function kindButton(place, device) {
  const [kind, what] = device.kind === "owner" ? ["operator", "an operator"] : ["owner", "an owner"];
  const button = page.element("button", `Make it ${what}`, { onclick: () => page.command(`Making ${device.name} ${what}`, async () => {
    await page.ask("PUT", `/api/devices/${device.id}`, { kind });
    if (!device.this) await devices(place);
    return `${device.name} is now ${what}.`;
  }) });
  button.setAttribute("aria-label", `Make ${device.name} ${what}`);
  return button;
}

function code(squares) {
  const canvas = page.element("canvas", "", { className: "code", width: squares.length, height: squares.length });
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "A QR code of the link below");
  const context = canvas.getContext("2d");
  squares.forEach((line, y) => [...line].forEach((dark, x) => {
    context.fillStyle = dark === "1" ? "#000" : "#fff";
    context.fillRect(x, y, 1, 1);
  }));
  return canvas;
}
