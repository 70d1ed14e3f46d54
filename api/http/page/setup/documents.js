// Documents of the board, to look at and to print. Each is a whole page, shown in a frame of its own.

const ABOUT = {
  sheet: "Every string with its controller, port and first slot, as rig.toml has it. Take it up the ladder.",
  season: "Each night of the season: when it opens and closes, and why.",
};

export async function open(place, page) {
  const address = `/api/setup/documents/${page.section}`;
  const frame = page.element("iframe", "", { className: "document", src: address, title: document.title });
  const bar = page.element("div", "", { className: "choices" });
  const print = page.element("button", "Print", { onclick: () => frame.contentWindow.print() });
  const alone = page.element("a", "Open it alone", { className: "button", href: address, target: "_blank", rel: "noopener" });
  bar.append(print, alone);
  const loaded = new Promise((resolve) => { frame.onload = resolve; });
  place.replaceChildren(page.element("p", ABOUT[page.section], { className: "small" }), bar, frame);
  await loaded;
}
