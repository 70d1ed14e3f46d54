// Forms for what is changed most. A form changes the text of site.toml; nothing is saved by it.
import { Order } from "./order.js";

export const WAIT_MS = 400; // after the last key, before the board is asked
const TIMES = 'a time as 17:00, or by the sun as "sunset + 20 min" or "sun at -4"';
const TIMES_OF = [ // the change, the key in the file, the key of the change, the label
  ["opening", "from", "time", "Opens"],
  ["opening", "not_before", "not_before", "Opens no earlier than"],
  ["opening", "not_after", "not_after", "Opens no later than"],
  ["closing", "to", "time", "Closes"],
];

let fields = 0; // so far, for their ids

// A label, an input, an example below it, and a place for a mistake. `changed` makes the change in the text; its result is
// why that was not possible.
export function field(page, label, example, input, changed) {
  const { element } = page;
  fields += 1;
  const id = `field-${fields}`;
  input.id = id;
  input.setAttribute("aria-describedby", `${id}-example ${id}-problem`);
  const item = element("p", "", { className: "field" });
  const problem = element("small", "", { className: "bad", id: `${id}-problem` });
  item.append(element("label", label, { htmlFor: id }), input, element("small", example, { id: `${id}-example` }), problem);
  const showProblem = (text) => {
    problem.textContent = text;
    input.setAttribute("aria-invalid", String(Boolean(text)));
  };
  let timer = 0; // as long as something is typed that is not in the text
  const take = async () => {
    if (!timer) return;
    clearTimeout(timer);
    const taken = timer;
    const why = await changed();
    if (timer !== taken) return; // more was typed meanwhile
    if (why) showProblem(why);
    else made.taken();
  };
  input.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(take, WAIT_MS);
  });
  input.addEventListener("change", take); // the field is left: perhaps for "Save"
  const made = {
    item,
    input,
    taken() {
      timer = 0;
      showProblem("");
    },
    show(value, mistake) { // what the text has
      if (timer) return;
      if (document.activeElement !== input) input.value = value;
      showProblem(mistake);
    },
  };
  return made;
}

export const textInput = (page, more = {}) => page.element("input", "", { type: "text", autocomplete: "off", spellcheck: false, autocapitalize: "off", ...more });

export const mistakeOf = (errors, key) => errors.filter((error) => error.file === "site.toml" && error.key === key).map((error) => error.text).join(" ");

// The dates of a performance or of hours in words, and the zone if it is for one.
export const dates = (rule) => [(rule.days === "daily" ? "every day" : rule.days) || rule.dates?.join(", ") || rule.rrule || "every day", rule.zone && `in ${rule.zone}`].filter(Boolean).join(", ");

// The share that a number of per cent is, without the noise of binary fractions.
export const share = (input) => Number((Number(input.value) / 100).toFixed(4));

// The numbers of the performances with the same season. Those on single dates need none.
function seasons(values) {
  const groups = new Map();
  values.performance.forEach((rule, index) => {
    if (rule.season || !rule.dates) groups.set(rule.season, [...(groups.get(rule.season) || []), index]);
  });
  return [...groups.values()];
}

export class Forms {
  // `change` makes changes in the text.
  constructor(page, change) {
    this.page = page;
    this.change = change;
    this.unread = page.element("p", "The forms cannot read this text. Correct its mistakes in the editor first.", { className: "bad", hidden: true });
    this.fields = page.element("div", "", { className: "forms" });
    this.element = page.element("div");
    this.element.append(this.unread, this.fields);
    this.shape = "";
    this.updates = [];
  }

  // Shows the values of a text; of a text that cannot be read, leaves the forms as they are.
  show(values, errors) {
    for (const each of this.element.querySelectorAll("fieldset")) each.disabled = !values;
    this.unread.hidden = Boolean(values);
    if (!values) return;
    this.values = values;
    const shape = JSON.stringify([seasons(values), values.performance.map((each) => [each.show, dates(each), Boolean(each.not_before), Boolean(each.not_after)]), values.show.map((each) => each.name), values.piece.map((each) => each.name), values.output.zone.map((each) => each.name)]);
    if (shape !== this.shape) this.build(values);
    this.shape = shape;
    for (const update of this.updates) update(values, errors);
  }

  // What was typed and could not be taken goes with the text that a person gives up.
  forget() {
    this.shape = "";
  }

  build(values) {
    this.updates = [];
    const pieces = values.piece.map((each) => each.name);
    this.fields.replaceChildren(
      ...seasons(values).map((indexes) => this.season(values, indexes)),
      ...values.performance.map((rule, index) => this.performance(rule, index)),
      ...values.show.map((show, index) => this.order(show.name, index, pieces)),
      this.brightness(values),
      this.titles(values),
    );
  }

  // The season of the performances that have the same one.
  season(values, indexes) {
    const { page } = this;
    const { element } = page;
    const box = element("fieldset");
    const names = indexes.map((index) => `${values.performance[index].show}, ${dates(values.performance[index])}`);
    const asText = async () => {
      const [from, to] = [first, last].map((one) => one.input.value.slice(yearly.checked ? 5 : 0));
      if (Boolean(from) !== Boolean(to)) return "Choose both nights, or none.";
      const why = await this.change(indexes.map((index) => ({ change: "season", performance: index, season: from ? `${from}..${to}` : null })));
      if (!why) for (const one of [first, last]) one.taken();
      return why;
    };
    const first = field(page, "First night", "", element("input", "", { type: "date" }), asText);
    const last = field(page, "Last night", "no dates: the whole year", element("input", "", { type: "date" }), asText);
    const yearly = element("input", "", { type: "checkbox", onchange: asText });
    const label = element("label", "", { className: "check" });
    label.append(yearly, element("span", "The same dates every year"));
    box.append(element("legend", `Season of ${names.join("; ")}`), first.item, last.item, label);
    this.updates.push((now, errors) => {
      const ends = /^(\d{4}-)?(\d\d-\d\d)\.\.(\d{4}-)?(\d\d-\d\d)$/.exec((now.performance[indexes[0]].season ?? "").replaceAll(" ", ""));
      const year = new Date().getFullYear();
      if (document.activeElement !== yearly) yearly.checked = !ends || !ends[1];
      first.show(ends ? (ends[1] || `${year}-`) + ends[2] : "", mistakeOf(errors, `performance[${indexes[0]}].season`));
      last.show(ends ? (ends[3] || `${ends[4] < ends[2] ? year + 1 : year}-`) + ends[4] : "", "");
    });
    return box;
  }

  performance(rule, index) {
    const { page } = this;
    const box = page.element("fieldset");
    box.append(page.element("legend", `${rule.show}, ${dates(rule)}`));
    for (const [change, key, as, label] of TIMES_OF) {
      if (key.startsWith("not") && !rule[key]) continue;
      const one = field(page, label, TIMES, textInput(page), () => {
        const typed = one.input.value.trim();
        return this.change([{ change, performance: index, time: this.values.performance[index].from, [as]: typed || as === "time" ? typed : null }]);
      });
      this.updates.push((values, errors) => one.show(values.performance[index][key] ?? "", mistakeOf(errors, `performance[${index}].${key}`)));
      box.append(one.item);
    }
    return box;
  }

  order(name, index, pieces) {
    const order = new Order(this.page, name, pieces, (changed) => this.change([{ change: "order", show: name, order: changed }]));
    this.updates.push((values, errors) => {
      order.show(values.show[index].order);
      order.problem.textContent = errors.filter((error) => error.file === "site.toml" && (error.key || "").startsWith(`show[${index}].order`)).map((error) => error.text).join(" ");
    });
    return order.element;
  }

  // What signs call each piece.
  titles(values) {
    const { page } = this;
    const box = page.element("fieldset");
    const list = page.element("details");
    list.append(page.element("summary", "Titles and artists of the pieces"));
    box.append(page.element("legend", "Signs"), list);
    for (const [index, { name }] of values.piece.entries()) {
      for (const [key, label, example] of [["title", `Title of ${name}`, "without it, its name"], ["artist", `Artist of ${name}`, ""]]) {
        const one = field(page, label, example, textInput(page, { maxLength: 200 }), () => this.change([{ change: "piece-title", name, [key]: one.input.value.trim() || null }]));
        this.updates.push((now, errors) => one.show(now.piece[index][key], mistakeOf(errors, `piece[${index}].${key}`)));
        list.append(one.item);
      }
    }
    return box;
  }

  brightness(values) {
    const { page } = this;
    const box = page.element("fieldset");
    box.append(page.element("legend", "Brightness"));
    const zones = values.output.zone.map((each) => each.name);
    for (const [index, zone] of [null, ...zones].entries()) {
      const input = page.element("input", "", { type: "number", min: 0, max: 100, step: 1, inputMode: "decimal" });
      const one = field(page, zone ? `${zone}, in per cent` : "Everything, in per cent", "0 is dark, 100 is full", input, () => {
        if (!input.value) return "Type a number from 0 to 100.";
        return this.change([{ change: "brightness", zone, brightness: share(input) }]);
      });
      this.updates.push((now, errors) => {
        const level = zone ? now.output.zone[index - 1].brightness : now.output.brightness;
        one.show(String(Number((level * 100).toFixed(2))), mistakeOf(errors, zone ? `output.zone[${index - 1}].brightness` : "output.brightness"));
      });
      box.append(one.item);
    }
    return box;
  }
}
