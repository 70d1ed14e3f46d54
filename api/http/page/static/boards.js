// The boards of the site: whether each is in contact, what it feeds, its clock, and what was asked for. more.js loads it.

import { row } from "./more.js";

const DRAWN = 40; // rows; the field finds the others
const counted = new Intl.NumberFormat("en-GB");
const some = (names) => (names.length > 6 ? `${names.slice(0, 6).join(", ")} and ${names.length - 6} more` : names.join(", "));
let round = 0;

const isWrong = (one) => !one.contact || one.troubles > 0 || one.same_site === false || Boolean(one.clock && !one.clock.trusted) || one.asked.some((each) => !each.on_the_wire);

export async function boards(place, page) {
  const mine = ++round; // a section that is opened again begins anew
  const summary = page.element("p", "", { className: "small" });
  const label = page.element("label", "Find a board by its name", { htmlFor: "board-name", hidden: true });
  const name = page.element("input", "", { id: "board-name", type: "search", autocomplete: "off", spellcheck: false, hidden: true });
  const rows = page.element("ul");
  let found;

  const draw = () => {
    const all = found.boards;
    const sought = all.filter((one) => one.name.toLowerCase().includes(name.value.trim().toLowerCase()));
    const wrong = sought.filter(isWrong);
    const drawn = [...wrong, ...sought.filter((one) => !isWrong(one))].slice(0, DRAWN);
    label.hidden = name.hidden = all.length <= DRAWN;
    const shown = drawn.length < sought.length ? ` The first ${DRAWN} of ${counted.format(sought.length)} are here.` : "";
    const well = wrong.length ? `${counted.format(wrong.length)} of ${counted.format(sought.length)} with something wrong, first in the list.` : "Nothing is wrong with any of them.";
    const text = sought.length ? well + shown : "There is no board of this name.";
    if (summary.textContent !== text) summary.textContent = text;
    page.fill(rows, drawn.map((one) => [JSON.stringify(one), () => item(one, page)]));
  };
  const look = async () => {
    if (mine !== round || !place.parentElement.open) return;
    try {
      if (!page.lost() && document.visibilityState !== "hidden") {
        found = await page.ask("GET", "/api/boards");
        draw();
      }
    } catch { // what was drawn last stays; the page says that contact is lost
    }
    setTimeout(look, 2000 + 10 * found.boards.length);
  };
  name.oninput = draw;
  found = await page.ask("GET", "/api/boards");
  if (mine !== round) return;
  draw();
  place.replaceChildren(summary, label, name, rows);
  setTimeout(look, 2000);
}

function item(one, page) {
  const made = row(`${one.name}${one.this ? " (this one)" : ""} `, `${feeds(one)}${one.program ? `; program ${one.program}` : ""}`);
  const what = made.firstChild;
  const line = (text, className = "") => what.append(page.element("small", text, { className }));
  what.firstChild.after(page.element("b", page.localTimes(one.text), { className: one.contact ? "good" : "bad" }));
  if (one.clock) line(clock(one.clock), one.clock.trusted ? "" : "bad");
  if (one.troubles) line(one.troubles === 1 ? "1 trouble: its own page says which" : `${one.troubles} troubles: its own page says which`, "bad");
  if (one.same_site === false) line("Its site is not the same as here", "bad");
  for (const each of one.asked) line(`${asked(each.id, page)}: ${page.localTimes(each.text)}`, each.on_the_wire ? "" : "bad");
  if (one.address && !one.this) {
    const link = page.element("a", "Its page", { href: one.address, className: "go" });
    link.setAttribute("aria-label", `The page of ${one.name}`);
    made.append(link);
  }
  return made;
}

function feeds(one) {
  if (!one.in_site) return "It is not in this board's site.toml";
  if (!one.spare_for) return `Feeds ${some(one.controllers) || "nothing"}`;
  return one.carries ? `Spare for ${one.spare_for}: it carries the light now` : `Spare for ${one.spare_for}`;
}

function clock({ text, error_ms: error, offset_ms: offset, trusted }) {
  const within = error === null ? "" : `, within ${error} ms`;
  const off = offset === null ? "" : `, ${Math.abs(offset)} ms ${offset < 0 ? "behind" : "ahead of"} this board's`;
  return `Clock: ${text}${trusted ? within : ", not trusted"}${off}`;
}

function asked(id, page) {
  const found = page.overrides().find((each) => each.id === id);
  return found ? found.kind_name : "What has ended";
}
