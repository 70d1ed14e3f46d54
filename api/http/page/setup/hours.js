// Neighbours' hours: in words, with a form that makes them longer or adds some. The board refuses what makes them shorter.
import { dates, field, mistakeOf, share, textInput } from "./forms.js";

const KINDS = ["dark", "quiet", "dim"];
const title = (kind) => kind[0].toUpperCase() + kind.slice(1);
const WHY = "Neighbours' hours are a promise to the people next door. Here they can be made longer or darker, never shorter or lighter: somebody who has only this device must not be able to break the promise. To shorten them, edit site.toml on the board itself.";
const EXAMPLE = 'as 22:30, or by the sun as "sunset + 3 h"';

function words(kind, rule) {
  const level = kind === "dim" ? ` to ${Math.round(rule.brightness * 100)} %` : kind === "quiet" && rule.volume ? ` to volume ${Math.round(rule.volume * 100)} %` : "";
  return [`${title(kind)}${level} ${dates(rule)}, from ${rule.from} to ${rule.to}`, rule.season && `season ${rule.season}`, rule.except?.length && `not on ${rule.except.join(", ")}`].filter(Boolean).join(", ");
}

export class Hours {
  constructor(page, change) {
    this.page = page;
    this.change = change;
    this.shape = "";
    this.updates = [];
    this.rules = page.element("div", "", { className: "forms" });
    this.element = page.element("div", "", { className: "hours" });
    this.refused = page.element("ul", "", { className: "bad" });
    this.element.append(page.element("p", WHY, { className: "small" }), this.refused, this.rules, this.adding());
  }

  show(values, errors, refused) {
    this.refused.replaceChildren(...refused.filter((each) => each.code === "neighbours-hours").map((each) => this.page.element("li", `Refused: ${each.text}`)));
    for (const each of this.element.querySelectorAll("fieldset")) each.disabled = !values;
    if (!values) return;
    const hours = values.neighbours;
    const shape = JSON.stringify(KINDS.map((kind) => hours[kind].length));
    if (shape !== this.shape) {
      this.updates = [];
      const boxes = KINDS.flatMap((kind) => hours[kind].map((_, index) => this.rule(kind, index)));
      this.rules.replaceChildren(...(boxes.length ? boxes : [this.page.element("p", "There are none.")]));
    }
    this.shape = shape;
    for (const update of this.updates) update(hours, errors);
  }

  forget() {
    this.shape = "";
  }

  rule(kind, index) {
    const { page } = this;
    const box = page.element("fieldset");
    const legend = page.element("legend");
    box.append(legend);
    this.updates.push((hours) => { legend.textContent = words(kind, hours[kind][index]); });
    for (const [key, as, label] of [["from", "begin", "Begin"], ["to", "end", "End"]]) {
      const one = field(page, label, EXAMPLE, textInput(page), () => this.change([{ change: "hours", kind, number: index, [as]: one.input.value.trim() }]));
      this.updates.push((hours, errors) => one.show(hours[kind][index][key] ?? "", mistakeOf(errors, `neighbours.${kind}[${index}].${key}`)));
      box.append(one.item);
    }
    return box;
  }

  adding() {
    const { element } = this.page;
    const box = element("fieldset");
    const kind = element("select");
    kind.append(...KINDS.map((value) => element("option", title(value), { value })));
    const level = element("input", "", { type: "number", min: 0, max: 100, value: "50" });
    const [what, from, to, high] = [
      field(this.page, "What", "dark: no light; quiet: no sound; dim: less light", kind, () => {}),
      field(this.page, "From", EXAMPLE, textInput(this.page, { value: "22:00" }), () => {}),
      field(this.page, "Until", "a time that is not after the beginning is on the next date", textInput(this.page, { value: "07:00" }), () => {}),
      field(this.page, "At most, in per cent", "the highest brightness in these hours", level, () => {}),
    ];
    high.item.hidden = true;
    kind.addEventListener("change", () => { high.item.hidden = kind.value !== "dim"; });
    const add = element("button", "Add these hours", { type: "button", onclick: () => this.change([{ change: "hours", kind: kind.value, number: null, begin: from.input.value.trim(), end: to.input.value.trim(), ...(kind.value === "dim" ? { brightness: share(level) } : {}) }]) });
    box.append(element("legend", "More hours"), ...[what, from, to, high].map((each) => each.item), add);
    return box;
  }
}
