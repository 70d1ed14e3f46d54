// The page of the set-up: signing in, and the sections. The hash names the section that is open.
// Each section is a module with `open(place, page)`, which fills the empty element, and `close()` if something must end.

const documents = () => import("./documents.js");
const SECTIONS = { // title, and its module
  pieces: ["Pieces", () => import("./pieces.js")],
  site: ["Site", () => import("./site.js")],
  survey: ["Survey", documents],
  sheet: ["Wiring sheet", documents],
  season: ["Season", documents],
  journal: ["Journal", documents],
  report: ["Report", documents],
  rehearsal: ["Rehearsal", documents],
};
const REFUSALS = {
  operator: "This device is an operator: it runs the show, and changes no set-up. Sign in with the passcode, or ask an owner to make this device one.",
  viewer: "This device is a viewer: it only looks. Sign in with the passcode, or ask an owner to make this device one.",
};
const page = { ask, element, command, showMessage, sentence, when, clock, written, duration, hour, halves, localTimes };
let opened = null; // the module of the open section

function showSignIn(how) {
  $("set-up").hidden = true;
  $("signed-out").hidden = false;
  if (how) $("how").textContent = how;
}

// `ask` calls this when the board does not know this device.
function signOut() {
  closeSection();
  showSignIn();
}

async function signIn(event) {
  event.preventDefault();
  const passcode = $("passcode").value;
  if (!passcode.trim()) {
    $("sign-in-message").textContent = "Type the passcode first.";
    $("passcode").focus();
    return;
  }
  $("enter").disabled = true;
  try {
    await ask("POST", "/api/sign-in", { passcode, device: $("device").value || $("device").placeholder });
    $("passcode").value = "";
    $("sign-in-message").textContent = "";
    await begin();
  } catch (error) {
    $("sign-in-message").textContent = error.refused ? sentence(error.message) : "The board did not answer.";
  }
  $("enter").disabled = false;
}

// Shows the set-up to an owner, and to others how to become one.
async function begin() {
  now = await ask("GET", "/api/now");
  const devices = await ask("GET", "/api/devices");
  const { kind } = devices.find((each) => each.this);
  $("site").textContent = `${now.site}: set-up`;
  if (REFUSALS[kind]) {
    showSignIn(REFUSALS[kind]);
    return;
  }
  $("signed-out").hidden = true;
  $("set-up").hidden = false;
  await openSection();
}

function closeSection() {
  if (opened && opened.close) opened.close();
  opened = null;
  $("open-section").replaceChildren();
}

async function openSection() {
  closeSection();
  const hash = location.hash.slice(1);
  const name = SECTIONS[hash] ? hash : Object.keys(SECTIONS)[0];
  const [title, load] = SECTIONS[name];
  for (const link of document.querySelectorAll("#sections a")) {
    if (link.hash === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  $("section-title").textContent = title;
  document.title = `${title} – set-up – Gloaming`;
  const place = element("div"); // an answer that comes late fills a place that is no longer shown
  place.append(element("p", "asking …"));
  $("open-section").replaceChildren(place);
  $("open-section").setAttribute("aria-busy", "true");
  try {
    const module = await load();
    if (place.parentNode !== $("open-section")) return;
    opened = module;
    place.replaceChildren();
    await module.open(place, { ...page, section: name });
  } catch (error) {
    place.replaceChildren(element("p", error.refused ? sentence(error.message) : "The board did not answer.", { className: "bad" }));
    if (!error.refused) console.error(error);
  }
  if (place.parentNode === $("open-section")) $("open-section").setAttribute("aria-busy", "false");
}

for (const [name, [title]] of Object.entries(SECTIONS)) {
  const item = element("li");
  item.append(element("a", title, { href: `#${name}` }));
  $("sections").append(item);
}
$("sign-in").addEventListener("submit", signIn);
window.addEventListener("hashchange", async () => {
  if ($("set-up").hidden) return;
  await openSection();
  $("section-title").focus();
});
begin().catch((error) => { if (!error.refused) showSignIn("The board did not answer. Load this page again."); });
