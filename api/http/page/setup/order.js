// A running order that a person changes by drag (mouse or finger) or by its buttons (keyboard).

export class Order {
  constructor(page, show, pieces, changed) {
    this.page = page;
    this.changed = changed;
    this.order = [];
    this.dragged = null;
    const { element } = page;
    this.list = element("ol", "", { className: "order" });
    this.spoken = element("p", "", { className: "small" });
    this.spoken.setAttribute("role", "status");
    this.choice = element("select");
    this.choice.setAttribute("aria-label", `A piece to add to ${show}`);
    this.choice.append(...pieces.map((name) => element("option", name)));
    const add = element("button", "Add", { type: "button", onclick: () => this.set([...this.order, this.choice.value], `${this.choice.value} is the last of ${this.order.length + 1}.`) });
    add.setAttribute("aria-label", `Add the chosen piece to ${show}`);
    const bar = element("div", "", { className: "add" });
    bar.append(this.choice, add);
    this.element = element("fieldset");
    this.problem = element("p", "", { className: "bad" });
    this.element.append(element("legend", `The order of ${show}`), this.list, this.spoken, this.problem, ...(pieces.length ? [bar] : []));
    this.list.addEventListener("pointerdown", (event) => this.take(event));
    this.list.addEventListener("pointermove", (event) => this.drag(event));
    this.list.addEventListener("pointerup", () => this.drop());
    this.list.addEventListener("lostpointercapture", () => this.drop());
    this.list.addEventListener("pointercancel", () => { this.dragged = null; this.show(this.order, true); });
  }

  // Shows an order, unless it is shown already or a piece is being dragged.
  show(order, always = false) {
    if (this.dragged || (!always && JSON.stringify(order) === JSON.stringify(this.order))) return;
    this.order = order;
    this.list.replaceChildren(...order.map((name, index) => this.row(name, index)));
  }

  row(name, index) {
    const { element } = this.page;
    const item = element("li");
    item.dataset.name = name;
    const handle = element("span", "⠿", { className: "handle", title: `Drag ${name}` });
    handle.setAttribute("aria-hidden", "true");
    const button = (text, label, className, work, off = false) => {
      const made = element("button", text, { type: "button", className, onclick: work });
      made.setAttribute("aria-label", label);
      made.setAttribute("aria-disabled", String(off)); // a disabled button would lose the focus
      return made;
    };
    item.append(
      handle,
      element("span", name),
      button("↑", `Move ${name} up, from place ${index + 1}`, "up", () => this.move(index, index - 1, "up"), index === 0),
      button("↓", `Move ${name} down, from place ${index + 1}`, "down", () => this.move(index, index + 1, "down"), index === this.order.length - 1),
      button("×", `Take ${name} out, at place ${index + 1}`, "out", () => this.takeOut(index)),
    );
    return item;
  }

  move(index, to, way) {
    if (to < 0 || to >= this.order.length) return;
    const order = [...this.order];
    const [name] = order.splice(index, 1);
    order.splice(to, 0, name);
    this.set(order, `${name} is now ${to + 1} of ${order.length}.`);
    this.list.children[to].querySelector(`.${way}`).focus();
  }

  takeOut(index) {
    if (this.order.length === 1) {
      this.spoken.textContent = "A show needs one piece at least.";
      return;
    }
    this.set(this.order.filter((_, each) => each !== index), `${this.order[index]} is out. ${this.order.length - 1} are left.`);
    this.list.children[Math.min(index, this.order.length - 1)].querySelector(".out").focus();
  }

  set(order, spoken) {
    this.show(order);
    this.spoken.textContent = spoken;
    this.changed(order);
  }

  take(event) {
    if (!event.target.classList.contains("handle") || event.button) return;
    event.preventDefault();
    this.dragged = event.target.closest("li");
    this.dragged.classList.add("dragged");
    this.list.setPointerCapture(event.pointerId); // of the list: moving the row in the page would release it
  }

  drag(event) {
    if (!this.dragged) return;
    const middle = (item) => item.getBoundingClientRect().top + item.offsetHeight / 2;
    const after = [...this.list.children].find((item) => item !== this.dragged && event.clientY < middle(item));
    if (this.dragged.nextElementSibling === (after || null)) return;
    this.list.insertBefore(this.dragged, after || null);
    this.dragged.scrollIntoView({ block: "nearest" });
  }

  drop() {
    if (!this.dragged) return;
    const rows = [...this.list.children];
    const name = this.dragged.dataset.name;
    const place = rows.indexOf(this.dragged) + 1;
    this.dragged = null;
    const order = rows.map((item) => item.dataset.name);
    if (JSON.stringify(order) === JSON.stringify(this.order)) this.show(order, true);
    else this.set(order, `${name} is now ${place} of ${order.length}.`);
  }
}
