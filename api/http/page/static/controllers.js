// The controllers: whether each answers, and what was sent to it. more.js loads it.

import { list, row } from "./more.js";

const counted = new Intl.NumberFormat("en-GB");
const LISTED = 12;
const some = (names) => (names.length > LISTED ? `${names.slice(0, LISTED).join(", ")} and ${names.length - LISTED} more` : names.join(", ") || "no string");

export function controllers(place, page) {
  let shown = "";
  const item = (one) => {
    const error = one.last_error;
    const fails = one.answers === false || Boolean(error && error.stands);
    const sent = `${counted.format(one.packets)} packets sent${one.errors ? `, ${counted.format(one.errors)} not taken` : ""}`;
    const made = row(`${one.name} `, [one.way, some(one.strings), ...(one.since ? [sent] : [])].join("; "));
    const since = one.since ? `, since ${page.when(one.since)}` : "";
    made.firstChild.firstChild.after(page.element("b", one.words, { className: fails ? "bad" : one.answers ? "good" : "" }), since);
    for (const node of one.nodes) made.firstChild.append(page.element("small", `Art-Net${node.address === one.address ? "" : ` at ${node.address}`}: ${node.text}`, { className: node.merges.length ? "bad" : "" }));
    if (error) made.firstChild.append(page.element("small", `${error.stands ? "Error since" : "Last error"} ${page.when(error.at)}: ${error.text}`, { className: error.stands ? "bad" : "" }));
    return made;
  };
  const draw = () => {
    if (!place.parentElement.open) { delete page.updates.controllers; return; }
    const found = page.health().controllers;
    if (JSON.stringify(found) === shown) return;
    shown = JSON.stringify(found);
    place.replaceChildren(list(found.map(item)));
  };
  page.updates.controllers = draw;
  draw();
}
