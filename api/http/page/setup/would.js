// What a text would change, before it is saved: sentences, and the season's picture before and after.

export const count = (number, what) => `${number || "no"} ${what}${number === 1 ? "" : "s"}`;

// Fills a place with the board's answer about a text. `changed`: the text is not the one that is saved.
export function wouldChange(page, place, { errors, warnings, refused, changes, before_svg: before, after_svg: after }, changed) {
  const { element } = page;
  const list = (items) => {
    const made = element("ul");
    made.append(...items);
    return made;
  };
  const parts = [];
  if (refused.length) parts.push(element("p", "This is refused:", { className: "bad" }), list(refused.map((each) => element("li", each.text))));
  if (warnings.length) parts.push(element("p", "Look at this again:"), list(warnings.map((each) => element("li", `${each.file}${each.line ? `, line ${each.line}` : ""}: ${each.text}`))));
  if (changes.length) parts.push(list(changes.map((each) => sentence(page, each))));
  else parts.push(element("p", errors.length ? "With mistakes nothing changes: the running show stays as it is." : changed ? "No night changes by this." : "Nothing is changed."));
  if (changes.length && before && after) parts.push(picture(page, "The season before", before), picture(page, "The season after", after));
  for (const image of place.querySelectorAll("img")) URL.revokeObjectURL(image.src);
  place.replaceChildren(...parts);
}

function sentence(page, { text, nights }) {
  const item = page.element("li");
  item.append(page.element("span", page.sentence(text)));
  if (nights.length) {
    const all = page.element("details");
    all.append(page.element("summary", count(nights.length, "night")), page.element("div", nights.map((night) => page.written(`${night}T12:00:00`, { weekday: "short", day: "numeric", month: "short" })).join("; ")));
    item.append(all);
  }
  return item;
}

function picture(page, title, svg) {
  const frame = page.element("div", "", { className: "scroll", tabIndex: 0 });
  frame.setAttribute("role", "group");
  frame.setAttribute("aria-label", title);
  frame.append(page.element("h4", title), page.element("img", "", { src: URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" })), alt: `${title}: a column for each date, from noon to noon. What changes is in words above.` }));
  return frame;
}

// One or two sentences about a text: whether it is saved, mistakes, and what it would change.
export function inWords(page, { errors, refused, changes }, changed) {
  const [error] = errors;
  const mistakes = error ? `${count(errors.length, "mistake")}. The first: ${error.file}${error.line ? `, line ${error.line}` : ""}.` : "";
  if (!changed) return error ? `The saved files have ${mistakes}` : "What you see is saved.";
  if (refused.length) return `Changed, not saved. It will be refused: ${refused[0].text}`;
  if (error) return `Changed, not saved. ${mistakes}`;
  const more = changes.length > 1 ? ` And ${count(changes.length - 1, "other change")}.` : "";
  return `Changed, not saved. No mistakes.${changes.length ? ` ${page.sentence(changes[0].text)}${more}` : ""}`;
}
