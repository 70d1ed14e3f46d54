// Two people changed the files at once. The second one sees the differences and chooses; no text is lost.
import { differences, merge } from "./differences.js";

// `before` is the text from which both began. `choose` gets the chosen text and a note.
export function showMeanwhile(page, place, { before, saved, mine }, choose) {
  const { element } = page;
  const button = (text, files, note) => element("button", text, { type: "button", onclick: () => choose(files, note) });
  const both = Object.fromEntries(Object.keys(mine).map((name) => [name, merge(before[name], saved[name], mine[name])]));
  const bar = element("div", "", { className: "choices" });
  if (!Object.values(both).includes(null)) bar.append(button("Put both together", both, "The text has their changes and yours."));
  bar.append(button("Go on with my text", mine, "A save puts your text in the place of theirs. Theirs stays among the saved versions."));
  bar.append(button("Take the saved text", saved, "This is the saved text."));
  place.replaceChildren(
    element("h3", "Somebody has saved another text meanwhile"),
    element("p", "Your text is still in the editor. Nothing is lost. These are the differences: a minus is a line of the saved text, a plus is a line of yours."),
    differences(page, saved, mine, ["the saved text", "your text"]),
    bar,
  );
}
