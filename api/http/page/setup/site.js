// The section "Site": forms and an editor for site.toml and rig.toml, what would change, saving, and the saved versions.
// The forms and the editor change one text. Only "Save" writes it on the board.
import { findDraft, keepDraft } from "./draft.js";
import { Editor, tabs } from "./editor.js";
import { Forms, WAIT_MS } from "./forms.js";
import { Hours } from "./hours.js";
import { showMeanwhile } from "./meanwhile.js";
import { showVersions } from "./versions.js";
import { count, inWords, wouldChange } from "./would.js";

const MEANWHILE = "Somebody has saved another text meanwhile. Choose above.";
const NO_ANSWER = "The board did not answer. Your text is still here.";
const AGAIN_MS = 3000; // after a check without an answer

let site = null;

export async function open(place, page) {
  close();
  const opened = new Site(page);
  await opened.load();
  if (!place.isConnected) return; // another section was opened meanwhile
  site = opened;
  addEventListener("beforeunload", leaving);
  addEventListener("pagehide", keep);
  place.replaceChildren(...opened.parts);
  opened.edited(0);
}

export function close() {
  removeEventListener("beforeunload", leaving);
  removeEventListener("pagehide", keep);
  if (site) site.end();
  site = null;
}

const keep = () => site.keepDraft();

function leaving(event) {
  if (!site.changed) return;
  keep();
  event.preventDefault(); // the browser asks whether to leave
}

class Site {
  constructor(page) {
    this.page = page;
    this.saved = null; // the answer of the board: files, version, errors
    this.checked = { errors: [], refused: [] }; // its newest answer about a text
    this.edits = 0; // counts the changes of the text, so that only an answer about the newest counts
    this.checking = false;
    this.timer = 0;
    this.changes = Promise.resolve(); // of forms, one after another
    this.editors = ["site.toml", "rig.toml"].map((name) => new Editor(page, name, () => this.edited()));
    this.forms = new Forms(page, (changes) => this.change(changes));
    this.hours = new Hours(page, (changes) => this.change(changes));
    this.build();
  }

  // ---- the page

  build() {
    const { element } = this.page;
    const part = (title, ...children) => {
      const made = element("section");
      made.append(element("h3", title), ...children);
      return made;
    };
    this.state = element("p", "", { className: "state" });
    this.state.setAttribute("role", "status");
    const button = (text, work, className = "") => element("button", text, { type: "button", className, onclick: work });
    this.save = button("Save", () => this.put(false), "big");
    this.force = button("Save with the mistakes: the running show stays as it is", () => this.put(true));
    this.discard = button("Discard my changes", () => this.drop());
    this.bar = element("div", "", { className: "save" });
    this.bar.append(this.state, this.save, this.force, this.discard);
    this.meanwhile = element("section", "", { className: "meanwhile", hidden: true, tabIndex: -1 });
    this.would = element("div");
    this.versions = element("div");
    const left = element("div");
    left.append(part("What is changed most", this.forms.element), part("Neighbours' hours", this.hours.element));
    const right = element("div");
    right.append(part("The files", tabs(this.page, this.editors)), part("What would change", this.would), part("Saved versions", this.versions));
    const columns = element("div", "", { className: "columns" });
    columns.append(left, right);
    this.parts = [this.meanwhile, columns, this.bar];
  }

  // ---- the text

  get files() {
    return Object.fromEntries(this.editors.map((editor) => [editor.name, editor.text]));
  }

  set files(files) {
    for (const editor of this.editors) editor.text = files[editor.name];
  }

  get changed() {
    return this.editors.some((editor) => editor.text !== this.saved.files[editor.name]);
  }

  async load() {
    this.saved = await this.page.ask("GET", "/api/setup/site");
    this.files = this.saved.files;
    const draft = findDraft();
    if (draft) {
      const now = this.saved;
      this.saved = { ...now, version: draft.version, files: { ...now.files, ...draft.before } };
      this.files = { ...now.files, ...draft.files };
      this.note = "Your text that is not saved is here again.";
      if (draft.version !== now.version) this.showMeanwhile(now);
    }
    this.listVersions();
  }

  // Notes that the text has changed, and checks it when the person pauses.
  edited(wait = WAIT_MS) {
    this.edits += 1;
    if (this.ended) return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.check(), wait);
    this.showButtons();
  }

  keepDraft() {
    if (!keepDraft(this.saved, this.changed ? this.files : null)) this.note = "This browser has no room to keep your unsaved text. Save it before you leave.";
  }

  end() {
    clearTimeout(this.timer);
    this.ended = true;
    this.keepDraft();
  }

  // ---- asking the board

  // One question at a time. An answer about a text that has changed since is not shown.
  async check() {
    if (this.ended) return;
    if (this.checking) return; // edited again meanwhile: the end of the running check asks again
    this.checking = true;
    const about = this.edits;
    this.keepDraft();
    if (!this.meanwhile.hidden) this.compare();
    try {
      const checked = await this.page.ask("POST", "/api/setup/site/check", { files: this.files });
      if (about === this.edits) this.show(checked);
    } catch (error) {
      if (error.refused === 409) this.edits += 1; // another tab of this browser asked at the same time: ask again
      else if (about === this.edits) this.showState(error.refused ? this.page.sentence(error.message) : NO_ANSWER, true);
      if (!error.refused) this.timer = setTimeout(() => this.check(), AGAIN_MS);
    }
    this.checking = false;
    if (about !== this.edits) this.edited();
  }

  // Makes the changes of a form in the text, one after another. A text that was edited meanwhile is asked about again.
  // The result is why they could not be made.
  change(changes) {
    this.changes = this.changes.then(async () => {
      try {
        let about;
        let answer;
        do {
          about = this.edits;
          answer = await this.page.ask("POST", "/api/setup/site/change", { files: this.files, changes });
        } while (about !== this.edits);
        this.files = answer.files;
        if (this.ended && !site) this.keepDraft(); // the section was left meanwhile
        this.edited(0);
        return "";
      } catch (error) {
        const why = error.refused ? this.page.sentence(error.message) : NO_ANSWER;
        this.showState(why, true);
        return why;
      }
    });
    return this.changes;
  }

  put(force) {
    return this.store("Saving", () => this.page.ask("PUT", "/api/setup/site", { files: this.files, version: this.saved.version, force }));
  }

  back(version) {
    if (this.changed) return this.showState("You have changes that are not saved. Save or discard them first.", true);
    return this.store("Returning", () => this.page.ask("POST", `/api/setup/site/versions/${version.id}/restore`));
  }

  async store(doing, work) {
    if (this.storing) return; // a second tap
    this.storing = true;
    this.showState(`${doing} …`);
    await this.changes; // of a form, whose field was left for this button
    const files = this.files;
    try {
      const stored = await work();
      this.stored(await this.page.ask("GET", "/api/setup/site"), files, stored);
    } catch (error) {
      await this.refused(error, files);
    }
    this.storing = false;
  }

  // After a save. What was typed while the board saved stays in the editor.
  stored(now, files, { taken_over: taken, errors }) {
    const typed = Object.fromEntries(Object.entries(this.files).filter(([name, text]) => text !== files[name]));
    this.saved = now;
    this.files = { ...now.files, ...typed };
    this.keepDraft();
    this.note = taken ? "Saved. The show uses it now." : `Saved with ${count(errors.length, "mistake")}. The running show stays as it was until they are mended.`;
    this.edited(0);
    this.listVersions();
  }

  // A save that failed: because of another save meanwhile, or for a reason that the board gives.
  async refused(error, files) {
    if (!error.refused) return this.showState("The board did not answer. It may or may not have saved. Your text is still here: save again.", true);
    if (error.refused === 409) {
      const now = await this.page.ask("GET", "/api/setup/site").catch(() => this.saved);
      if (now.version !== this.saved.version) {
        if (Object.keys(files).every((name) => files[name] === now.files[name])) return this.stored(now, files, { taken_over: !now.errors.length, errors: now.errors }); // our own save, whose answer was lost
        return this.showMeanwhile(now);
      }
    }
    this.showState(this.page.sentence(error.message), true);
  }

  // ---- showing

  show(checked) {
    const { errors, refused, values } = checked;
    this.checked = checked;
    for (const editor of this.editors) editor.show(errors.filter((error) => error.file === editor.name));
    this.forms.show(values, errors);
    this.hours.show(values, errors, refused);
    wouldChange(this.page, this.would, checked, this.changed);
    const state = this.meanwhile.hidden ? inWords(this.page, checked, this.changed) : MEANWHILE;
    this.showState([this.note, this.note && !this.changed ? "" : state].filter(Boolean).join(" "), refused.length > 0);
    this.note = "";
  }

  showState(text, bad = false) {
    if (this.state.textContent !== text) this.state.textContent = text;
    this.state.classList.toggle("bad", bad);
    this.showButtons();
  }

  showButtons() {
    const { errors, refused } = this.checked;
    const may = this.changed && !refused.length && this.meanwhile.hidden;
    this.save.hidden = !may || errors.length > 0;
    this.force.hidden = !may || errors.length === 0;
    this.discard.hidden = !this.changed || !this.meanwhile.hidden;
  }

  // Another text was saved since this one was loaded. The person chooses; both texts stay.
  showMeanwhile(now) {
    this.theirs = now;
    this.meanwhile.hidden = false;
    this.compare();
    this.showState(MEANWHILE, true);
    this.meanwhile.focus();
    this.listVersions();
  }

  compare() {
    const { theirs, files: mine } = this;
    showMeanwhile(this.page, this.meanwhile, { before: this.saved.files, saved: theirs.files, mine }, (files, note) => {
      const given = this.files;
      this.saved = theirs;
      if (files !== mine) {
        this.files = files;
        this.discarded(given);
      }
      this.note = note;
      this.meanwhile.hidden = true;
      this.edited(0);
    });
  }

  drop() {
    const mine = this.files;
    this.files = this.saved.files;
    this.forms.forget();
    this.hours.forget();
    this.note = "Your changes are discarded.";
    this.edited(0);
    this.discarded(mine);
  }

  // A way back to a text that the person gave up.
  discarded(files) {
    const again = this.page.element("button", "Bring my text back", { type: "button", onclick: () => {
      again.remove();
      this.files = files;
      this.edited(0);
    } });
    this.bar.querySelector(".again")?.remove();
    again.className = "again";
    this.bar.append(again);
  }

  listVersions() {
    showVersions(this.page, this.versions, () => this.files, this.saved.version, (version) => this.back(version)).catch((error) => {
      this.versions.replaceChildren(this.page.element("p", error.refused ? this.page.sentence(error.message) : "The board did not answer.", { className: "bad" }));
    });
  }
}
