// Documents of the board, to look at and to print. Each is a whole page, shown in a frame of its own.
// The survey and the rehearsal take long: they are made when somebody asks, and kept until the site's files change.

const ABOUT = {
  survey: "What would go wrong: currents, flashes, files, hours, the machine. It reads every frame of every piece, which takes minutes on a small board. The show goes on meanwhile.",
  sheet: "Every string with its controller, port and first slot, as rig.toml has it. Take it up the ladder.",
  season: "Each night of the season: when it opens and closes, and why.",
  journal: "The newest lines of the journal, day by day.",
  report: "What the last 60 nights were in fact: given, cut short or left out, and why.",
  rehearsal: "The next 45 nights, decided minute by minute, without playing them. It takes a while on a small board. The show goes on meanwhile.",
};
const LONG = ["survey", "rehearsal"];
const POLL_MS = 1000;

let page;
let timer = 0;

export async function open(place, shared) {
  page = shared;
  const bar = page.element("div", "", { className: "choices" });
  const shown = page.element("div");
  place.replaceChildren(page.element("p", ABOUT[page.section], { className: "small" }), bar, shown);
  if (LONG.includes(page.section)) await watch(bar, shown, await asked("GET"));
  else await show(bar, shown);
}

export function close() {
  clearTimeout(timer);
}

const address = () => `/api/setup/documents/${page.section}`;
const asked = (method) => page.ask(method, `${address()}/making`);

// Shows the document, and the buttons to print it.
async function show(bar, shown, ...more) {
  const frame = page.element("iframe", "", { className: "document", src: address(), title: document.title });
  const loaded = new Promise((resolve) => { frame.onload = resolve; });
  shown.replaceChildren(frame);
  bar.replaceChildren(
    page.element("button", "Print", { onclick: () => frame.contentWindow.print() }),
    page.element("a", "Open it alone", { className: "button", href: address(), target: "_blank", rel: "noopener" }),
    ...more,
  );
  await loaded;
}

// Shows how far a long document is, and the document once it is made.
async function watch(bar, shown, state) {
  clearTimeout(timer);
  const again = async (method) => watch(bar, shown, await asked(method));
  const button = (text, doing, method) => page.element("button", text, { onclick: () => page.command(doing, async () => { await again(method); return ""; }) });
  if (state.making === "made") {
    await show(bar, shown, button("Make it again", "Beginning", "POST"));
    return;
  }
  if (state.making === "none") {
    bar.replaceChildren(button("Make it now", "Beginning", "POST"));
    shown.replaceChildren(...(state.problem ? [page.element("p", page.sentence(state.problem), { className: "bad" })] : []));
    return;
  }
  let line = shown.querySelector(".making");
  if (!line) {
    line = page.element("p", "", { className: "making" });
    line.append(page.element("progress", "", { max: 1, ariaLabel: "how far it is" }), page.element("span"));
    shown.replaceChildren(line);
    bar.replaceChildren(button("Stop", "Stopping", "DELETE"));
  }
  line.firstChild.value = state.share;
  line.lastChild.textContent = state.making === "waiting" ? "Another document is made first." : `${state.doing}, ${Math.floor(state.share * 100)} %`;
  timer = setTimeout(() => again("GET").catch(() => { line.lastChild.textContent = "The board did not answer. Open this section again."; }), POLL_MS);
}
