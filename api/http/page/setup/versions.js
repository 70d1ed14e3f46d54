// The versions of the site's files that were saved: look at one, see the difference to now, return to it.
import { differences } from "./differences.js";

const AT_ONCE = 20;

// `now` gives the texts of now, `saved` is the version that is saved, `back` returns to a version.
export async function showVersions(page, place, now, saved, back) {
  const versions = await page.ask("GET", "/api/setup/site/versions");
  const list = page.element("ul");
  const rows = (from, to) => list.append(...versions.slice(from, to).map((version, index) => row(page, version, now, from + index === 0 && version.version === saved, back)));
  const earlier = page.element("button", `${versions.length - AT_ONCE} earlier ones`, { type: "button", onclick: () => { rows(AT_ONCE); earlier.remove(); } });
  rows(0, AT_ONCE);
  place.replaceChildren(...versions.length > AT_ONCE ? [list, earlier] : [versions.length ? list : page.element("p", "None so far. Every save from this page makes one.")]);
}

function row(page, version, now, current, back) {
  const { element } = page;
  const item = element("li", "", { className: "version" });
  const name = `${page.when(version.at)}, by ${version.who}`;
  const text = element("div", name);
  text.append(element("small", page.sentence(version.text)));
  const shown = element("div", "", { className: "wide", tabIndex: -1 });
  const bar = element("div", "", { className: "choices" });
  const button = (label, work) => {
    const one = element("button", label, { type: "button", onclick: work });
    one.setAttribute("aria-label", `${label}: ${name}`);
    bar.append(one);
    return one;
  };
  const open = (label, make) => {
    const one = button(label, async () => {
      const was = one.getAttribute("aria-expanded") === "true";
      for (const other of bar.querySelectorAll("[aria-expanded]")) other.setAttribute("aria-expanded", "false");
      shown.replaceChildren();
      if (was) return;
      one.setAttribute("aria-expanded", "true");
      try {
        const { files } = await page.ask("GET", `/api/setup/site/versions/${version.id}`);
        shown.replaceChildren(...make(files));
      } catch (error) {
        shown.replaceChildren(element("p", error.refused ? page.sentence(error.message) : "The board did not answer.", { className: "bad" }));
      }
    });
    one.setAttribute("aria-expanded", "false");
  };
  open("Look", (files) => Object.entries(files).flatMap(([file, content]) => {
    const whole = element("pre", content, { className: "differences", tabIndex: 0 });
    whole.setAttribute("role", "group");
    whole.setAttribute("aria-label", `${file} of ${name}`);
    return [element("h4", file), whole];
  }));
  open("Difference to now", (files) => [differences(page, files, now(), ["that version", "the text of now"])]);
  if (current) text.append(element("b", "the one of now"));
  else button("Return to it", () => back(version));
  item.append(text, bar, shown);
  return item;
}
