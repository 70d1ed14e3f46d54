// A field for the text of a file: line numbers that scroll with it, a mark at each line with a mistake, and the
// mistakes below it. Only the numbers that are on the screen are in the page, so that a long file stays quick.
import { count } from "./would.js";

const STRAIGHT = { "“": '"', "”": '"', "„": '"', "‘": "'", "’": "'" };

export class Editor {
  constructor(page, name, changed) {
    const { element } = page;
    this.page = page;
    this.name = name;
    this.errors = [];
    this.tab = element("button", name, { type: "button" });
    this.given = this.shown = ""; // the text that was put into the field, and what the field made of it
    this.numbers = element("pre", "", { className: "numbers" });
    this.numbers.setAttribute("aria-hidden", "true"); // the list below has the lines of the mistakes
    this.field = element("textarea", "", { className: "text", wrap: "off", spellcheck: false, autocomplete: "off", autocapitalize: "off", rows: 24 });
    this.field.setAttribute("autocorrect", "off");
    this.field.setAttribute("aria-label", `The text of ${name}`);
    this.list = element("ul", "", { className: "mistakes", id: `mistakes-${name}` });
    this.field.setAttribute("aria-describedby", this.list.id);
    const frame = element("div", "", { className: "editor" });
    frame.append(this.numbers, this.field);
    this.element = element("div");
    this.element.append(frame, this.list);
    this.field.addEventListener("scroll", () => this.number());
    this.field.addEventListener("input", () => { this.number(); changed(); });
    this.field.addEventListener("beforeinput", (event) => {
      if (event.inputType !== "insertText" || !STRAIGHT[event.data]) return; // pasted text stays as it is
      event.preventDefault();
      document.execCommand("insertText", false, STRAIGHT[event.data]); // the only way that the browser can undo
    });
    new ResizeObserver(() => this.number()).observe(this.field);
  }

  // The text. A field knows only one kind of line end: a file that is not edited stays as it is, to the byte.
  get text() {
    const { value } = this.field;
    if (value === this.shown) return this.given;
    return this.given.includes("\r\n") ? value.replaceAll("\n", "\r\n") : value;
  }

  // Puts another text into the field. The cursor and what is on the screen stay where they are.
  set text(text) {
    if (text === this.text) return;
    const { selectionStart, selectionEnd, scrollTop, scrollLeft } = this.field;
    this.field.value = text;
    this.given = text;
    this.shown = this.field.value;
    this.field.setSelectionRange(selectionStart, selectionEnd);
    Object.assign(this.field, { scrollTop, scrollLeft });
    this.number();
  }

  get lineHeight() {
    return parseFloat(getComputedStyle(this.field).lineHeight);
  }

  // Writes the numbers of the lines that are on the screen.
  number() {
    const height = this.lineHeight;
    if (!height || !this.field.clientHeight) return; // not on the screen
    const lines = this.field.textLength ? this.field.value.split("\n").length : 1;
    const first = Math.floor(this.field.scrollTop / height);
    const last = Math.min(lines, first + Math.ceil(this.field.clientHeight / height) + 1);
    const wrong = new Set(this.errors.map((error) => error.line));
    const made = [];
    for (let line = first + 1; line <= last; line += 1) made.push(this.page.element(wrong.has(line) ? "b" : "span", `${wrong.has(line) ? "✗ " : ""}${line}\n`));
    made.push(this.page.element("span", "\n")); // below the last line, so that this element can scroll as far as the text
    this.numbers.replaceChildren(...made);
    this.numbers.scrollTop = this.field.scrollTop - first * height;
  }

  // Shows the mistakes of this file: in the margin, and as a list whose lines lead to their place.
  show(errors) {
    this.errors = errors;
    this.tab.textContent = errors.length ? `${this.name}: ${count(errors.length, "mistake")}` : this.name;
    this.list.replaceChildren(...errors.map((error) => {
      const item = this.page.element("li");
      const text = this.page.element("span", `${error.key ? `${error.key}: ` : ""}${error.text}`);
      item.append(error.line ? this.page.element("button", `Line ${error.line}`, { type: "button", onclick: () => this.goTo(error.line) }) : this.page.element("b", "In the file"), text);
      return item;
    }));
    this.field.setAttribute("aria-invalid", String(errors.length > 0));
    this.number();
  }

  // Selects a line and brings it to the middle of the field.
  goTo(line) {
    const before = this.field.value.split("\n").slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
    const end = this.field.value.indexOf("\n", before);
    this.field.focus();
    this.field.setSelectionRange(before, end < 0 ? this.field.textLength : end);
    this.field.scrollTop = (line - 1) * this.lineHeight - this.field.clientHeight / 2;
  }
}

// One file at a time, by tabs (ARIA Authoring Practices Guide, tabs).
export function tabs(page, editors) {
  const bar = page.element("div", "", { className: "tabs" });
  bar.setAttribute("role", "tablist");
  bar.setAttribute("aria-label", "Files");
  const choose = (chosen) => editors.forEach((editor, index) => {
    bar.children[index].setAttribute("aria-selected", String(index === chosen));
    bar.children[index].tabIndex = index === chosen ? 0 : -1;
    editor.element.hidden = index !== chosen;
    editor.number();
  });
  editors.forEach((editor, index) => {
    const { tab } = editor;
    tab.id = `tab-${index}`;
    tab.setAttribute("role", "tab");
    tab.setAttribute("aria-controls", `panel-${index}`);
    tab.onclick = () => choose(index);
    tab.onkeydown = (event) => {
      if (!["ArrowLeft", "ArrowRight"].includes(event.key)) return;
      const other = (index + (event.key === "ArrowRight" ? 1 : editors.length - 1)) % editors.length;
      choose(other);
      bar.children[other].focus();
    };
    bar.append(tab);
    editor.element.id = `panel-${index}`;
    editor.element.setAttribute("role", "tabpanel");
    editor.element.setAttribute("aria-labelledby", tab.id);
  });
  const made = page.element("div");
  made.append(bar, ...editors.map((editor) => editor.element));
  choose(0);
  return made;
}
